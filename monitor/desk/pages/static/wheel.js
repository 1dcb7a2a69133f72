// One head live, in large figures: asked again twice a second, hatched where it is not answered.

import { outbox } from "./outbox.js";
import { clock, part } from "./server.js";

const EVERY_MS = 500;
const OLD_MS = 3000; // somebody turns a wheel and looks: what is older is not what the wheel did
const body = document.body;
const at = (id) => document.getElementById(id);
const zone = body.dataset.zone;
let ahead = Date.parse(body.dataset.now) - Date.now();
let asOf = Date.now();
let now = body.dataset.now; // by the monitor
let since = null;

async function refresh() {
  const text = await part(body.dataset.part + (since ? `?since=${encodeURIComponent(since)}` : ""));
  if (text !== null) {
    at("part").innerHTML = text;
    asOf = Date.now();
    // A clock that is played runs at its own pace: it is what the monitor told last.
    now = at("part").querySelector("[data-now]").dataset.now;
    ahead = Date.parse(now) - asOf;
  }
  return text !== null;
}

async function follow() {
  await refresh();
  setTimeout(follow, EVERY_MS);
}

function look() {
  const s = Math.floor((Date.now() - asOf) / 1000);
  at("clock").textContent = clock(Date.now() + ahead, zone);
  at("as-of").textContent = `as of ${s < 60 ? `${s} s` : `${Math.floor(s / 60)} min`} ago`;
  body.classList.toggle("old", Date.now() - asOf > OLD_MS);
}

// One comes here from a fault on a phone as well as from a head's page on the desk.
document.querySelector(".phone-top a").addEventListener("click", (event) => {
  if (history.length > 1) { event.preventDefault(); history.back(); }
});
at("count").addEventListener("click", async () => {
  since = await refresh() ? now : new Date(Date.now() + ahead).toISOString();
  refresh();
});
at("all").addEventListener("click", () => { since = null; refresh(); });
setInterval(look, 500);
outbox(() => {});
follow();
