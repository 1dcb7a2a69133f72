// What the replay page has beside the diagram: to step on from the moment and section chosen, and to follow what goes on.

const LEAST_MS = 20000;
const body = document.body;
const at = (id) => document.getElementById(id);
const begun = performance.now();

function chosen() {
  // The moment stands in the address, after the diagram was drawn.
  const moment = Number(new URLSearchParams(location.hash.slice(1)).get("t"));
  return Number.isFinite(moment) && moment > 0 ? new Date(moment).toISOString() : null;
}

at("from-here").hidden = !body.dataset.from;
at("from-here").addEventListener("click", () => {
  const asked = new URLSearchParams(body.dataset.from.split("?")[1]);
  const section = document.querySelector("#was")?.dataset.section;
  if (section) asked.set("section", section);
  const moment = chosen();
  if (moment) asked.set("at", moment);
  location.assign(`/replay?${asked}${location.hash}`);
});

at("why").addEventListener("click", () => {
  // Of the section and the moment chosen.
  const section = document.querySelector("#was")?.dataset.section ?? "";
  const asked = new URLSearchParams({ section });
  const moment = chosen();
  if (moment) asked.set("at", moment);
  at("why").href = `/explain?${asked}`;
});

if (body.dataset.live) {
  at("follow-box").hidden = false;
  // As often as it costs little: what took long to make is asked for seldom.
  const wait = Math.max(LEAST_MS, 10 * (performance.now() - begun));
  setInterval(() => {
    if (at("follow").checked && document.visibilityState === "visible") location.reload();
  }, wait);
}
