// What somebody on the track says: it waits in the phone until it is sent, with its own time, and what was refused stays there too, until somebody writes it again or drops it.
// Every page of a phone shows what is in it, with the way to the fault that it is about.

import { clock, part, tell } from "./server.js";

const STORE = "tallywatch-waiting";
const REFUSALS = "tallywatch-refused";
const SAYS = { going: "I am going", on_site: "I am on site", found: "found", gone: "I am gone" };
// What was wrong with an act itself: sending it again would not help.  Anything else may pass, and the act waits for that.
const REFUSED = new Set([400, 404, 409, 413, 422]);
const here = document.body.dataset.fault;
const zone = document.body.dataset.zone;
const AGAIN_MS = 2000;
let sending = false;
let heard = () => {};

function stored(name) {
  try {
    return JSON.parse(localStorage.getItem(name) ?? "[]");
  } catch {
    return []; // somebody else wrote there
  }
}

/** What waits to be sent, the oldest first. */
export function waiting() {
  return stored(STORE);
}

/** What was refused, each with why. */
function refused() {
  return stored(REFUSALS);
}

function store(name, acts) {
  localStorage.setItem(name, JSON.stringify(acts));
  show();
}

/** Let *act* wait, of the fault of this number, and send it as soon as that can be. */
export function put(act, number) {
  store(STORE, [...waiting(), { ...act, number }]);
  return send();
}

/** What happens to acts is told to *hear*: the act, why it was not done or null, the status. */
export function outbox(hear) {
  heard = hear;
  show();
  addEventListener("online", send);
  addEventListener("storage", show); // another page of this phone wrote there
  setInterval(again, AGAIN_MS);
  return send();
}

/** Send what waits, as soon as the monitor is heard again: it is asked for that alone, so that nothing is sent in vain. */
async function again() {
  if (waiting().length && !sending && await part("/healthz") !== null) await send();
}

async function send() {
  // One at a time, or what is written meanwhile would be overwritten, and the same sent twice.
  if (sending) return;
  sending = true;
  try {
    const tried = new Set();
    for (;;) {
      const one = waiting().find((x) => !tried.has(x.key));
      if (one === undefined) break;
      tried.add(one.key);
      const { number, ...act } = one; // that is for the page alone
      const { why, status } = await tell("/api/v1/acts", act);
      const over = why === null || REFUSED.has(status);
      if (over) store(STORE, waiting().filter((x) => x.key !== one.key));
      if (over && why !== null) store(REFUSALS, [...refused(), { ...one, why }]);
      heard(one, why, status);
      if (!over) break;
    }
  } finally {
    sending = false;
  }
}

/** Take what was refused out of the phone; gives it. */
function take(name) {
  const one = refused().find((x) => x.key === name);
  store(REFUSALS, refused().filter((x) => x.key !== name));
  return one;
}

function show() {
  const place = document.getElementById("outbox");
  const [wait, refusals] = [waiting(), refused()];
  place.hidden = wait.length + refusals.length === 0;
  const said = [wait.length ? `${wait.length} wait${wait.length === 1 ? "s" : ""} to be sent` : "", refusals.length ? `${refusals.length} refused: ${refusals.at(-1).why}` : ""];
  const lines = [made("b", said.filter(Boolean).join("; "))];
  for (const one of [...refusals, ...wait]) lines.push(...line(one));
  place.replaceChildren(...lines);
}

function line(one) {
  const what = [SAYS[one.what] ?? one.what, one.text && `“${one.text}”`, clock(Date.parse(one.at), zone).slice(0, 5)].filter(Boolean).join(", ");
  const text = `${one.number ?? "a fault"}: ${what}: ${one.why === undefined ? "waits" : `refused, ${one.why}`}`;
  if (one.fault !== here) {
    const way = made("a", text);
    way.className = "button";
    way.href = `/phone/${encodeURIComponent(one.number ?? one.fault)}`;
    return [way];
  }
  if (one.why === undefined) return [made("p", text)];
  const pair = made("p", "");
  pair.className = "pair";
  for (const [name, said] of [["again", "Write it again"], ["drop", "Drop it"]]) {
    const button = made("button", said);
    button.type = "button";
    button.dataset.refused = name;
    button.addEventListener("click", () => { const gone = take(one.key); if (name === "again") document.dispatchEvent(new CustomEvent("again", { detail: gone })); });
    pair.append(button);
  }
  return [made("p", text), pair];
}

function made(name, text) {
  const one = document.createElement(name);
  one.textContent = text;
  return one;
}
