// The phone: the list as it comes, and what somebody on the track says; what cannot be sent waits here and goes with its own time.

import { act, clock, key, part } from "./server.js";

const STORE = "tallywatch-waiting";
const OLD_MS = 60000; // a phone sleeps: older than this is hatched
const body = document.body;
const fault = body.dataset.fault;
const at = (id) => document.getElementById(id);
const ahead = Date.parse(body.dataset.now) - Date.now();
let asOf = Date.now();

function waiting() {
  return JSON.parse(localStorage.getItem(STORE) ?? "[]");
}

function say(text) {
  if (at("said")) at("said").textContent = text;
}

async function send() {
  const left = [];
  for (const one of waiting()) {
    const why = await act("/api/v1/acts", one);
    if (why?.startsWith("The monitor could not be reached")) left.push(one);
    else say(why ?? "Sent.");
  }
  localStorage.setItem(STORE, JSON.stringify(left));
  if (left.length) say(`No coverage: ${left.length} waiting here, sent by itself with its own time.`);
}

function doing(what) {
  const text = at("text").value.trim();
  const cause = what === "found" ? at("cause").value : "";
  if (what === "found" && !(text || cause)) { say("Choose or write what was found first."); at("cause").focus(); return; }
  const given = { what, fault, at: new Date(Date.now() + ahead).toISOString(), key: key() };
  if (cause) given.cause = cause;
  if (what === "found" && at("part")?.value) given.part = at("part").value;
  if (text) given.text = text;
  localStorage.setItem(STORE, JSON.stringify([...waiting(), given]));
  at("text").value = "";
  if (what === "found") at("cause").value = "";
  send();
}

async function refresh() {
  const path = body.dataset.part;
  if (path) {
    const text = await part(path);
    if (text !== null) { at("part").innerHTML = text; asOf = Date.now(); }
  } else if ((await part("/healthz")) !== null) {
    asOf = Date.now();
  }
}

function look() {
  const s = Math.floor((Date.now() - asOf) / 1000);
  at("clock").textContent = clock(Date.now() + ahead);
  at("as-of").textContent = `as of ${s < 60 ? `${s} s` : `${Math.floor(s / 60)} min`} ago`;
  body.classList.toggle("old", s * 1000 > OLD_MS);
}

document.addEventListener("click", (event) => {
  const doer = event.target.closest("[data-do]");
  if (doer) doing(doer.dataset.do);
});
window.addEventListener("online", send);
setInterval(refresh, 5000);
setInterval(send, 15000);
setInterval(look, 1000);
send();
