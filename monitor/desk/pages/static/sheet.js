// A sheet stands as of its time, says how old it is, and renews itself where it tells how things stand now; it is hatched when it cannot.
// Where it shows how sections stand it is hatched as soon as the desk is: a dead monitor must not look like a quiet line.
// P prints it, Escape goes back to the desk.

import { age, clock, part } from "./server.js";

const EVERY_MS = 15000; // so often it is asked for anew
const AGAIN_MS = 3000; // and so soon where that failed
const OLD_MS = 60000; // older than this is not how things stand
const STANDS_MS = 3000; // nor is it where sections are shown and the monitor was not heard for so long
const PING_MS = 1000;
const MOVES = ".close, .strips, .scroll, main"; // what scrolls by itself
const FIELDS = "input, textarea, select";
const body = document.body;
const live = body.dataset.live === "1";
const stands = body.dataset.stands === "1";
let ahead = Date.parse(body.dataset.now) - performance.now(); // the monitor's clock before the one that counts here
let asOf = performance.now();
let heard = asOf;
let asking = false;
let timer;

async function renew() {
  // A page that nobody sees need not be new; it is asked for when it comes to the front.
  if (asking || document.visibilityState === "hidden") return;
  asking = true;
  const begun = performance.now();
  const text = await part(location.pathname + location.search);
  asking = false;
  clearTimeout(timer);
  timer = setTimeout(renew, text === null ? AGAIN_MS : EVERY_MS);
  if (text === null) return;
  const made = new DOMParser().parseFromString(text, "text/html");
  asOf = begun;
  heard = begun;
  ahead = Date.parse(made.body.dataset.now) - begun;
  put(document.querySelector("main"), made.querySelector("main"));
  for (const one of ["h1", ".as-of"]) document.querySelector(one).innerHTML = made.querySelector(one).innerHTML;
  document.title = made.title;
  look();
}

function put(place, fresh) {
  // What is the same stays as it is, with whatever somebody reads or marks in it; what is new is put where it belongs.
  keep(place, fresh);
  const at = focused(place);
  let left = [...place.children];
  for (const one of [...fresh.children]) {
    const found = left.findIndex((old) => same(old, one));
    if (found < 0) { place.insertBefore(one, left[0] ?? null); continue; }
    for (const old of left.slice(0, found)) old.remove();
    left = left.slice(found + 1);
  }
  for (const old of left) old.remove();
  if (at !== null && !place.contains(document.activeElement)) find(place, at)?.focus({ preventScroll: true });
}

function same(old, fresh) {
  // An unfolded part differs in that alone.
  const closed = [old, fresh].map((one) => {
    const copy = one.cloneNode(true);
    for (const each of [copy, ...copy.querySelectorAll("details")]) if (each.matches("details")) each.removeAttribute("open");
    return copy;
  });
  return closed[0].isEqualNode(closed[1]);
}

function keep(place, fresh) {
  // What is unfolded, typed and scrolled goes on to what stands in its place, by number.
  const pairs = (what) => {
    const were = [...place.querySelectorAll(what)];
    return [...fresh.querySelectorAll(what)].map((one, i) => [were[i], one]).filter(([was]) => was !== undefined);
  };
  for (const [was, one] of pairs("details")) one.open = was.open;
  for (const [was, one] of pairs(FIELDS)) if (was.name === one.name && was.id === one.id) { one.value = was.value; one.checked = was.checked; }
  const scrolled = pairs(MOVES).map(([was, one]) => [one, was.scrollLeft, was.scrollTop]);
  queueMicrotask(() => { for (const [one, left, top] of scrolled) if (one.isConnected) one.scrollTo(left, top); });
}

function focused(place) {
  const one = document.activeElement;
  if (one === null || !place.contains(one)) return null;
  const alike = [...place.querySelectorAll(one.localName)];
  return { what: one.localName, href: one.getAttribute("href"), number: alike.indexOf(one) };
}

function find(place, at) {
  // The link to the same, or what stands in the same place among its like.
  const alike = [...place.querySelectorAll(at.what)];
  return alike.find((one) => at.href !== null && one.getAttribute("href") === at.href) ?? alike[at.number];
}

async function ping() {
  // Light enough for every second: only whether the monitor answers.
  const begun = performance.now();
  if (document.visibilityState !== "hidden" && await part("/healthz") !== null) { heard = begun; look(); }
  setTimeout(ping, PING_MS);
}

function look() {
  const ms = performance.now() - asOf;
  const silent = stands && performance.now() - heard > STANDS_MS;
  const old = live && (ms > OLD_MS || silent);
  const since = silent ? `, not known since ${clock(heard + ahead, body.dataset.zone)}` : "";
  document.getElementById("aged").textContent = `, ${age(Math.floor(ms / 1000) * 1000)} ago${old ? `: the monitor does not answer${since}, do not read the line from it` : ""}`;
  body.classList.toggle("stale", old);
}

// Back to the desk from which this was opened.
const back = document.querySelector(".bar-top a[data-desk]");
const from = sessionStorage.getItem("tallywatch-desk");
if (back && from) back.href = from;

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.target.matches(FIELDS)) return;
  if (event.key.toLowerCase() === "p") window.print();
  if (event.key === "Escape") location.href = back?.href ?? "/";
});

setInterval(look, 1000);
look();
if (live) {
  timer = setTimeout(renew, EVERY_MS);
  if (stands) ping();
  document.addEventListener("visibilitychange", renew);
  addEventListener("online", renew);
}
