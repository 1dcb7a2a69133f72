// Hears the monitor for all pages of one browser, by one stream: a browser keeps few ways open to one server at once, and a stream takes one for good.
// It concludes nothing.  What it keeps is how each section looks now, for a page that comes later than that was told.

const AGAIN_MS = 2000;
const PULSE_MS = 1000; // a page that is hidden has no timers to rely on
const pages = new Map(); // by the port of each: whose lists it shows, and which event it had when it came
const looks = new Map(); // by section: in which event it was told, and how it looks
let events = null;
let followed = "";
let from = null; // what came before that event is not here
let last = null;
let latest = null; // the last tick
let heard = performance.now();

function place(id) {
  const [run, number] = (id ?? "").split("-");
  return { run, number: Number(number) };
}

function follow() {
  const positions = [...new Set(Array.from(pages.values(), (one) => one.position))].sort();
  const wanted = JSON.stringify(positions);
  if (events !== null && wanted === followed) return;
  events?.close();
  followed = wanted;
  const asked = new URLSearchParams(positions.map((one) => ["position", one]));
  asked.set("last", last);
  const mine = events = new EventSource(`/ticks?${asked}`);
  for (const kind of ["tick", "lists", "gone"]) mine.addEventListener(kind, (event) => take(kind, event.lastEventId, event.data));
  mine.onerror = () => {
    for (const port of pages.keys()) port.postMessage({ kind: "cut" });
    // A browser gives up where it is answered by anything but events.
    if (mine.readyState === EventSource.CLOSED && events === mine) {
      setTimeout(() => { if (events === mine) { events = null; if (pages.size) follow(); } }, AGAIN_MS);
    }
  };
}

function take(kind, id, text) {
  heard = performance.now();
  last = id;
  const { run, number } = place(id);
  const told = kind === "gone" ? null : JSON.parse(text);
  if (kind === "gone") { looks.clear(); latest = null; from = { run, number }; }
  if (kind === "tick") {
    latest = told;
    for (const [name, look] of Object.entries(told.sections)) looks.set(name, { number, look });
  }
  for (const [port, page] of pages) {
    if (kind === "lists" && told.position !== page.position) continue;
    // What a page was made from is not told to it once more.
    if (run === page.run && number <= page.number) continue;
    port.postMessage({ kind, id, text });
  }
}

function comes(port, page) {
  const { run, number } = place(page.last);
  pages.set(port, { position: page.position, run, number });
  if (from === null) {
    last = page.last;
    from = { run, number };
  } else if (run !== from.run || number < from.number) {
    port.postMessage({ kind: "gone", id: last });
  } else if (latest !== null) {
    const newer = Array.from(looks).filter(([, one]) => one.number > number);
    const sections = Object.fromEntries(newer.map(([name, one]) => [name, one.look]));
    // Which faults have changed since is not kept: it asks.  A tick that came long ago is no sign that the monitor is heard.
    if (performance.now() - heard < PULSE_MS) port.postMessage({ kind: "tick", id: last, text: JSON.stringify({ ...latest, faults: null, sections }) });
    else port.postMessage({ kind: "gone", id: last });
  }
  follow();
}

function leaves(port) {
  pages.delete(port);
  if (pages.size) return;
  events?.close();
  events = null;
  from = null;
  latest = null;
  looks.clear();
}

onconnect = ({ ports: [port] }) => {
  port.onmessage = ({ data }) => { if (data.leaves) leaves(port); else comes(port, data); };
  port.onclose = () => leaves(port);
};

setInterval(() => {
  if (performance.now() - heard < PULSE_MS) return;
  for (const port of pages.keys()) port.postMessage({ kind: "pulse" });
}, PULSE_MS);
