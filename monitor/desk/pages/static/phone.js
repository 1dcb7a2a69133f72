// The phone: the list as it comes, and what somebody on the track says; what cannot be sent waits here and goes with its own time.

import { outbox, put, waiting } from "./outbox.js";
import { clock, key, part } from "./server.js";

const DRAFT = "tallywatch-draft-";
const OLD_MS = 60000; // a phone sleeps: older than this is hatched
const body = document.body;
const fault = body.dataset.fault;
const zone = body.dataset.zone;
const at = (id) => document.getElementById(id);
let ahead = Date.parse(body.dataset.now) - Date.now();
let asOf = Date.now();

function say(text) {
  if (at("said")) at("said").textContent = text;
}

function sent(act, why, status) {
  const unknown = status === 401 || status === 403;
  at("login")?.toggleAttribute("hidden", !unknown);
  if (why === null) {
    say("Sent.");
    if (act.fault === fault) refresh();
  } else if (unknown) say("Kept here, not sent: log in, then it goes.");
  else if (!waiting().some((one) => one.key === act.key)) say(why);
  else say(`${status ? why : "No coverage"}: ${waiting().length} waiting here, sent by itself with its own time.`);
}

// What was refused is not sent, but nobody has to type it again.
document.addEventListener("again", ({ detail }) => {
  at("text").value = [at("text").value, detail.text].filter(Boolean).join(" ");
  if (detail.cause) at("cause").value = detail.cause;
  keepDraft();
  at("text").focus();
});

function keepDraft() {
  // A phone in a pocket forgets its pages: what is half typed is there again.
  const text = at("text").value;
  if (text) localStorage.setItem(DRAFT + fault, text);
  else localStorage.removeItem(DRAFT + fault);
}

function doing(what) {
  const text = at("text").value.trim();
  const cause = what === "found" ? at("cause").value : "";
  if (what === "found" && !(text || cause)) { say("Choose or write what was found first."); at("cause").focus(); return; }
  const given = { what, fault, at: new Date(Date.now() + ahead).toISOString(), key: key() };
  if (cause) given.cause = cause;
  if (what === "found" && at("part")?.value) given.part = at("part").value;
  if (text) given.text = text;
  at("text").value = "";
  keepDraft();
  if (what === "found") at("cause").value = "";
  put(given, body.dataset.number);
}

async function refresh() {
  const path = body.dataset.part;
  if (path) {
    const text = await part(path);
    if (text === null) return;
    at("told").innerHTML = text;
    asOf = Date.now();
    // A clock that is played, or that was set right meanwhile, is another than when the page came.
    ahead = Date.parse(at("told").querySelector("[data-now]").dataset.now) - asOf;
  }
}

function look() {
  const s = Math.floor((Date.now() - asOf) / 1000);
  at("clock").textContent = clock(Date.now() + ahead, zone);
  at("as-of").textContent = `as of ${s < 60 ? `${s} s` : `${Math.floor(s / 60)} min`} ago`;
  body.classList.toggle("old", s * 1000 > OLD_MS);
}

document.addEventListener("click", (event) => {
  const doer = event.target.closest("[data-do]");
  if (doer) doing(doer.dataset.do);
});
if (at("text")) {
  at("text").value ||= localStorage.getItem(DRAFT + fault) ?? "";
  at("text").addEventListener("input", keepDraft);
}
setInterval(refresh, 5000);
setInterval(look, 1000);
outbox(sent);
