// The phone: the list as it comes, and what somebody on the track says; what cannot be sent waits here and goes with its own time.

import { clock, key, part, tell } from "./server.js";

const STORE = "tallywatch-waiting";
const DRAFT = "tallywatch-draft-";
const OLD_MS = 60000; // a phone sleeps: older than this is hatched
const body = document.body;
const fault = body.dataset.fault;
const zone = body.dataset.zone;
const at = (id) => document.getElementById(id);
let ahead = Date.parse(body.dataset.now) - Date.now();
let asOf = Date.now();

function waiting() {
  return JSON.parse(localStorage.getItem(STORE) ?? "[]");
}

function say(text) {
  if (at("said")) at("said").textContent = text;
}

// What was wrong with an act itself: sending it again would not help.  Anything else may pass, and the act waits for that.
const REFUSED = new Set([400, 404, 409, 413, 422]);
let sending = false;

function store(acts) {
  localStorage.setItem(STORE, JSON.stringify(acts));
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
      const { why, status } = await tell("/api/v1/acts", one);
      if (why === null || REFUSED.has(status)) {
        store(waiting().filter((x) => x.key !== one.key));
        at("login")?.setAttribute("hidden", "");
        say(why ?? "Sent.");
        if (why !== null) giveBack(one);
        else if (one.fault === fault) refresh();
        continue;
      }
      at("login")?.toggleAttribute("hidden", status !== 401 && status !== 403);
      if (status === 401 || status === 403) say("Kept here, not sent: log in, then it goes.");
      else say(`${status ? why : "No coverage"}: ${waiting().length} waiting here, sent by itself with its own time.`);
      break;
    }
  } finally {
    sending = false;
  }
}

function giveBack(one) {
  // What was refused is not sent, but nobody has to type it again.
  if (one.fault === fault && one.text && !at("text").value) { at("text").value = one.text; keepDraft(); }
}

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
  store([...waiting(), given]);
  at("text").value = "";
  keepDraft();
  if (what === "found") at("cause").value = "";
  send();
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
window.addEventListener("online", send);
setInterval(refresh, 5000);
setInterval(send, 15000);
setInterval(look, 1000);
send();
