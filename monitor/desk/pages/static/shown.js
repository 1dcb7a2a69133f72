// What this page has shown: told to the monitor in the order in which it was, each with its own time, and kept while the monitor is not reached.

import { tell } from "./server.js";

const MOST_FAULTS = 100; // in one report
const MOST_ALERTS = 500;
const KEPT = 500; // reports that wait
const AGAIN_MS = 2000;

/** Receipts of a page: *how* gives what each says of the page itself, the time among it. */
export function receipts(how) {
  const states = new Map();
  const alerts = new Set();
  const waiting = [];
  let sending = false;
  let looking = false;

  /** Tell what was shown; what could not be told yet goes before it. */
  function report(what) {
    waiting.push({ faults: [], ...how(), ...what });
    if (waiting.length > KEPT) waiting.shift();
    send();
  }

  async function send() {
    if (sending) return;
    sending = true;
    let tries = 0;
    while (waiting.length) {
      const { why, status } = await tell("/api/v1/shown", waiting[0]);
      // A monitor that has started anew wants another proof: the second time it has that.
      if (status === 0 || status >= 500) break;
      tries += 1;
      if (why !== null && tries < 2) continue;
      waiting.shift();
      tries = 0;
    }
    sending = false;
  }

  /** Rows may have been painted: after the next frame they are on the screen, those that it has room for. */
  function painted() {
    if (looking) return;
    looking = true;
    requestAnimationFrame(() => requestAnimationFrame(() => {
      looking = false;
      tellRows();
    }));
  }

  function tellRows() {
    let [told, count] = [[], 0];
    for (const one of document.querySelectorAll("#faults .row")) {
      const headline = one.querySelector(".what").textContent;
      const { fault, priority, seen } = one.dataset;
      const state = `${seen} ${priority} ${headline}`;
      const fresh = one.dataset.alerts.split(" ").filter((alert) => alert && !alerts.has(alert));
      if ((states.get(fault) === state && !fresh.length) || !inView(one.querySelector(".what"))) continue;
      states.set(fault, state);
      for (const alert of fresh) alerts.add(alert);
      told.push({ fault, headline, priority, alerts: fresh });
      count += fresh.length;
      if (told.length === MOST_FAULTS || count >= MOST_ALERTS) { report({ faults: told }); [told, count] = [[], 0]; }
    }
    if (told.length) report({ faults: told });
  }

  setInterval(send, AGAIN_MS);
  // A row below the edge of the list is painted when somebody scrolls to it.
  document.addEventListener("scroll", painted, { passive: true, capture: true });
  addEventListener("resize", painted, { passive: true });
  return { report, painted };
}

function inView(one) {
  const [box, list] = [one.getBoundingClientRect(), one.closest("#faults").getBoundingClientRect()];
  return box.top >= Math.max(0, list.top) - 1 && box.bottom <= Math.min(innerHeight, list.bottom) + 1;
}
