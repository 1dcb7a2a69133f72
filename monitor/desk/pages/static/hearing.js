// How a page hears the monitor: all pages of one browser by one stream, which a worker of theirs keeps; where there is none, by a stream of its own.

const DEAD_MS = 5000; // a worker that lives says so each second
const AGAIN_MS = 2000;

/**
 * Hear what follows.
 *
 * *page* says which event it has (last), whose lists it shows (position), and which monitor made it (version): pages that another made have a worker of their own.
 * *told* is called with the kind of each event and its text; "cut" means that the stream broke, "pulse" that a second has passed.
 */
export function hear(page, told) {
  let { last } = page;
  let port = null;
  let heard = performance.now();
  let tries = 0;

  function through() {
    if (!("SharedWorker" in globalThis)) { alone(); return; }
    try {
      const worker = new SharedWorker("/static/hearer.js", { name: `tallywatch ${page.version}` });
      worker.onerror = () => { if (port === worker.port) alone(); };
      port = worker.port;
    } catch {
      alone();
      return;
    }
    const mine = port;
    mine.onmessage = ({ data: { kind, id, text } }) => {
      if (port !== mine) return;
      heard = performance.now();
      if (id) last = id;
      if (kind !== "pulse") tries = 0;
      told(kind, text);
    };
    come();
  }

  function come() {
    heard = performance.now();
    port.postMessage({ last, position: page.position });
  }

  function alone() {
    leave();
    port = null;
    const events = new EventSource(`/ticks?${new URLSearchParams({ last, position: page.position })}`);
    for (const kind of ["tick", "lists", "gone"]) {
      events.addEventListener(kind, (event) => { last = event.lastEventId; told(kind, event.data); });
    }
    events.onerror = () => {
      told("cut");
      // A browser gives up where it is answered by anything but events.
      if (events.readyState === EventSource.CLOSED) setTimeout(alone, AGAIN_MS);
    };
  }

  function leave() {
    port?.postMessage({ leaves: true });
  }

  function look() {
    // A worker that says nothing at all is dead or stuck: once another is asked for, then this page goes alone.
    if (port === null || performance.now() - heard < DEAD_MS) return;
    leave();
    tries += 1;
    if (tries > 1) alone();
    else through();
  }

  addEventListener("pagehide", leave);
  addEventListener("pageshow", (event) => { if (event.persisted && port !== null) come(); });
  setInterval(look, 1000);
  through();
}
