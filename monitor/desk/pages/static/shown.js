// What this page has shown: told to the monitor in the order in which it was, each with its own time, and kept while the monitor is not reached.

import { tell, tellLast } from "./server.js";

const MOST_FAULTS = 100; // in one report
const MOST_ALERTS = 500;
const KEPT = 500; // reports that wait
const REMEMBERED = 5000; // alerts that were told; of more, those that no row holds any more are forgotten
const AGAIN_MS = 2000;
const SAID_MS = 1000; // so often one is sent at most, but for the first
const ENOUGH = 429;

/** Called in a frame: a message sent to oneself there comes when that frame is made. */
export function made(then) {
  const channel = new MessageChannel();
  channel.port1.onmessage = () => { channel.port1.close(); then(); };
  channel.port2.postMessage(null);
}

function timed(report) {
  return report.faults.map((one) => ({ at: report.at, ...one }));
}

function fits(one, other) {
  const every = [...one.faults, ...other.faults];
  return every.length <= MOST_FAULTS && every.reduce((sum, fault) => sum + (fault.alerts?.length ?? 0), 0) <= MOST_ALERTS;
}

/** Receipts of a page: *how* gives what each says of the page itself, the time among it, and *reached* whether the monitor can be told now. */
export function receipts(how, reached) {
  const states = new Map();
  const alerts = new Set();
  const waiting = [];
  let sending = false;
  let looking = false;
  let left = false;

  /** Tell what was shown; what could not be told yet goes before it. */
  function report(what) {
    // A page that is put away is hidden just after it was left.
    if (left) return;
    waiting.push({ faults: [], ...how(), ...what });
    if (waiting.length > KEPT) waiting.shift();
    send();
  }

  async function send() {
    if (sending) return;
    sending = true;
    let tries = 0;
    while (waiting.length && reached()) {
      gather();
      const { why, status } = await tell("/api/v1/shown", waiting[0]);
      // A monitor that has started anew wants another proof: the second time it has that.
      if (status === 0 || status >= 500 || status === ENOUGH) break;
      tries += 1;
      if (why !== null && tries < 2) continue;
      waiting.shift();
      tries = 0;
      // The monitor writes each down, and takes no more than so many.
      if (waiting.length) await new Promise((go) => setTimeout(go, SAID_MS));
    }
    sending = false;
  }

  /** In a storm more is painted than may be said singly: what says the same of the page is said together, each fault with its own time. */
  function gather() {
    const first = waiting[0];
    const same = (one) => one.visible === first.visible && one.sound === first.sound && !one.stale && one.faults.length;
    if (!same(first)) return;
    while (waiting.length > 1 && same(waiting[1]) && fits(first, waiting[1])) {
      const [, next] = waiting.splice(0, 2, first);
      first.faults = [...timed(first), ...timed(next)];
      first.at = next.at;
    }
  }

  /** Rows may have been painted: those that the list has room for. */
  function painted() {
    if (looking) return;
    looking = true;
    requestAnimationFrame(() => made(() => {
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
    if (alerts.size > REMEMBERED) forget();
  }

  function forget() {
    const rows = [...document.querySelectorAll("#faults .row")];
    const here = new Set(rows.flatMap((one) => one.dataset.alerts.split(" ")));
    const faults = new Set(rows.map((one) => one.dataset.fault));
    for (const alert of alerts) if (!here.has(alert)) alerts.delete(alert);
    for (const fault of states.keys()) if (!faults.has(fault)) states.delete(fault);
  }

  /** The page is being left: whoever asks later need not count it among those that stood open. */
  function leave() {
    tellLast("/api/v1/shown", { faults: [], ...how(), left: true });
    left = true;
  }

  setInterval(send, AGAIN_MS);
  // A row below the edge of the list is painted when somebody scrolls to it.
  document.addEventListener("scroll", painted, { passive: true, capture: true });
  addEventListener("resize", painted, { passive: true });
  /** The page was put away whole, and is there again. */
  function back() {
    left = false;
    report({});
  }

  return { report, painted, leave, back };
}

function inView(one) {
  const [box, list] = [one.getBoundingClientRect(), one.closest("#faults").getBoundingClientRect()];
  return box.top >= Math.max(0, list.top) - 1 && box.bottom <= Math.min(innerHeight, list.bottom) + 1;
}
