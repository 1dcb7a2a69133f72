// The desk: follows the monitor's ticks, changes how sections look, and asks for a part again when it has changed.
// Nothing is concluded here.  What this page no longer hears it hatches.

import { hear } from "./hearing.js";
import { act, age, clock, forget, key, part, tell } from "./server.js";
import { made, receipts } from "./shown.js";
import { able, allow, sound } from "./sounds.js";

const STALE_MS = 3000; // a tick comes every second
const EDGE = 4; // beside the sections of a close-up, for the heads at both ends
const SLEPT_MS = 10000;
const TICKING_MS = 400; // while ticks come so often, nothing else makes a frame
const HALF_MS = 450; // so often at most what is new moves: about twice a second
const BEAT_MS = { able: 900, blocked: 2700 }; // so often at most the monitor is told that this page is open: one that may make no sound is waited for by nobody
const SPREAD_MS = 500; // within so long the story of a fault is asked for anew, where nobody here asked for it
const PAST_MS = 30000; // so often the fault is: the last minutes go on
const ALONE_MS = 20000; // nobody has touched the page for so long: it turns to what is urgent by itself
const AGAIN_MS = { urgent: 5000, prompt: 20000 }; // so often a sound repeats until seen or silenced
const LIST_REST = 2; // likewise for the lists
const DRAW_REST = 1; // so many times as long as a frame took, waiting for its turn too, nothing is drawn after it: where drawing is dear, it is seldom
const page = key();
const body = document.body;
const position = body.dataset.position;
const zone = body.dataset.zone;
const query = position ? `?position=${encodeURIComponent(position)}` : "";
const at = (id) => document.getElementById(id);

let ahead = Date.parse(body.dataset.now) - performance.now(); // the monitor's clock before one here that only counts: nobody sets that
let wall = Date.now() - performance.now();
let reached = true; // the stream stands: until it broke, or ticks come again
let silent = null; // ms since the monitor heard the feed, as of the last tick
let ticked = performance.now();
let lostSince = null;
let version = null;
let chosen = document.querySelector(".sides")?.dataset.fault ?? null;
let waiting = false; // a new list of faults waits until nothing is held
let down = 0;
let silenced = new Set(); // faults, each at a priority, that sound no more at this position
let silencing = 0;
let alone = false; // who may not silence for others has silenced this page only
let sounds = false;
let tested = "";
let handled = -Infinity; // when somebody last did anything here
let hiddenSince = null;
let owned = null; // what the top line says of who has the desk, where it was taken here
let how = null; // what the monitor was told last of sounds here
const sounded = new Map();

function slept() {
  // While a computer sleeps its counting clock stands still, and that of the day goes on.
  const ms = Date.now() - performance.now() - wall;
  return ms > SLEPT_MS ? ms : 0;
}

function present() {
  return performance.now() + ahead + slept();
}

function silence() {
  return performance.now() - ticked + slept();
}

// Sections.

let drawn = new Map(); // every drawing of a section, with how it looks there
const newest = new Map(); // as ticks told it: a part may have been made before that
const toldBy = new Map(); // by which tick, counted here
let ticks = 0;
let pending = new Map(); // what the next frame shows; a page that is behind skips what was between
let asOf = body.dataset.now; // of what is drawn next, by the monitor's clock
let framed = false;
let [drewAt, drewMs] = [0, 0]; // when the last frame was made, and how long it took
let areas = [];
const overview = document.querySelector(".overview");
const saidOf = document.querySelectorAll(".areas span"); // the same words where a drawing is pushed
overview.parentElement.addEventListener("scroll", ({ target }) => { for (const one of overview.querySelectorAll(".area")) one.style.transform = `translateX(${target.scrollLeft}px)`; }, { passive: true });

let near = []; // the names of the sections of the close-up

function collect(within, close) {
  const names = [];
  for (const node of within.querySelectorAll("[data-section]")) {
    const { section, shows, known, since, fault, work } = node.dataset;
    if (!drawn.has(section)) drawn.set(section, []);
    drawn.get(section).push({ node, close, word: node.querySelector(".word"), is: { shows, known, since, fault, work } });
    names.push(section);
  }
  return names;
}

function gatherClose() {
  // The line itself stays as it is: of a thousand sections only those of the close-up are others.
  for (const name of near) drawn.set(name, drawn.get(name).filter((one) => !one.close));
  near = collect(at("fault"), true);
}

function gather() {
  collect(overview, false);
  gatherClose();
  areas = [];
  let group = [];
  for (const one of overview.children) {
    if (one.dataset.section !== undefined) group.push(one.dataset.section);
    if (one.classList.contains("stands")) { areas.push({ node: one, names: group, above: saidOf[areas.length] }); group = []; }
  }
}

function draw(sections, now) {
  asOf = now;
  // All that comes until the next frame is drawn with it, once.
  for (const [name, look] of Object.entries(sections)) pending.set(name, look);
  if (framed) return;
  framed = true;
  const rest = drewAt + DRAW_REST * drewMs - performance.now();
  if (rest > 0) setTimeout(frame, rest);
  else frame();
}

function frame() {
  const begun = performance.now();
  requestAnimationFrame(() => {
    framed = false;
    drawNow();
    turned();
    made(() => { drewAt = performance.now(); drewMs = drewAt - begun; });
  });
}

function drawNow() {
  const changed = new Set();
  for (const [name, look] of pending) {
    newest.set(name, look);
    for (const one of drawn.get(name) ?? []) if (drawOne(one, look)) changed.add(name);
  }
  pending = new Map();
  if (changed.size) bands(changed);
  overview.dataset.asOf = asOf;
}

function drawOne(one, look) {
  // Only what is another is touched: every attribute that is set asks for styles anew.  Gives whether it became known, or ceased to be, or a fault about it came or went.
  const now = { shows: look.shows, known: look.known ? "1" : "0", since: look.since, fault: look.fault, work: look.work ? "1" : "0" };
  const turned = now.known !== one.is.known || now.since !== one.is.since || now.fault !== one.is.fault;
  for (const [name, value] of Object.entries(now)) if (one.is[name] !== value) one.node.dataset[name] = value;
  one.is = now;
  if (one.word) write(one.word, look.word);
  if (one.close) titled(one.node);
  return turned;
}

function titled(node) {
  const said = newest.get(node.dataset.section)?.says;
  if (said !== undefined) write(node.querySelector("title"), said);
}

function write(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

// Nobody reads a thousand titles: each is written when somebody points at it.
document.addEventListener("pointerover", (event) => {
  const one = event.target.closest?.("[data-section]");
  if (one) titled(one);
});

function again_drawn() {
  for (const name of near) for (const one of drawn.get(name)) {
    const look = newest.get(name);
    if (one.close && look) drawOne(one, look);
  }
}

function bands(changed) {
  // The words at the right of each band are counted from what is drawn beside them.
  for (const { node, names, above } of areas) {
    if (!names.some((name) => changed.has(name))) continue;
    const every = names.map((name) => drawn.get(name)[0].is);
    const said = stands(every.filter((one) => one.known === "0"), every.length);
    write(node, said);
    write(above, calls(every) + said);
  }
}

function calls(every) {
  const counted = ["urgent", "prompt"].map((name) => [every.filter((one) => one.fault === name).length, name]);
  return counted.map(([count, name]) => (count ? `${count} ${name}, ` : "")).join("");
}

function stands(gone, total) {
  if (!gone.length) return "all heard";
  const said = gone.length === total ? "" : `${gone.length} `;
  const since = gone.map((one) => one.since).filter(Boolean).map(Date.parse);
  return since.length ? `${said}not known since ${clock(Math.min(...since), zone).slice(0, 5)}` : `${said}not heard yet`;
}

// Parts.

const REST_MS = 200; // between two answers for the lists: more often they are not read
const wanted = new Map(); // what is to be asked for next, by part
const busy = new Set();
const have = new Map(); // what the monitor calls what is here of each list, and the how manieth it was that it made
const pause = (ms) => new Promise((go) => setTimeout(go, ms));
async function again(id, anew = false) {
  // One question a part at a time: what is wanted meanwhile is asked for next, as it is wanted then.
  // What was just made for another page will do, unless something was done here since the last tick.
  // While the stream is broken nothing is asked: it would fail, and be asked again when ticks come.
  wanted.set(id, anew || wanted.get(id));
  if (busy.has(id) || !reached) return;
  busy.add(id);
  while (wanted.has(id) && reached) {
    const since = wanted.get(id) || version === null ? {} : { since: version };
    const of = chosen;
    wanted.delete(id);
    const text = await part(id === "fault" ? story(since) : lists({ ...since, have: Array.from(have.values(), (one) => one.mark).join(".") }));
    for (const place of places(id)) place.classList.toggle("old", text === null);
    if (text !== null) {
      if (id === "lists") { putLists(JSON.parse(text)); await pause(REST_MS); }
      else if (of === chosen) put(id, text);
      continue;
    }
    await pause(1000);
    wanted.set(id, true);
  }
  busy.delete(id);
}

function places(id) {
  return id === "fault" ? [at("fault")] : [document.querySelector(".top"), at("faults"), at("resets"), at("foot")];
}

function lists(more) {
  return `/parts/lists?${new URLSearchParams({ ...(position && { position }), ...more })}`;
}

function story(more) {
  return `/parts/fault/${chosen}?${new URLSearchParams(more)}`;
}

const due = new Map(); // lists that were told and are not put in yet: the newest of each
let listing = false;
let [listedAt, listMs] = [0, 0];

function listsTold(told) {
  // In a storm lists are long, and others at every tick: a page that is slow skips what was between.
  for (const [id, one] of Object.entries(told)) {
    const before = due.get(id);
    if (one.text === undefined && before?.mark === one.mark) before.made = one.made;
    else due.set(id, one);
  }
  if (listing) return;
  listing = true;
  const rest = listedAt + LIST_REST * listMs - performance.now();
  // What is not seen is not painted, and timers there are slow.
  if (rest > 0 && document.visibilityState === "visible") setTimeout(listNow, rest);
  else listNow();
}

function listNow() {
  listing = false;
  const begun = performance.now();
  const told = Object.fromEntries(due);
  due.clear();
  putLists(told);
  ring();
  listedAt = performance.now();
  listMs = listedAt - begun;
  if (Object.values(told).some((one) => one.text !== undefined)) requestAnimationFrame(() => made(() => { listedAt = performance.now(); listMs = listedAt - begun; }));
}

function putLists(told) {
  // A tick may be older than what was asked for meanwhile; and a page that does not have what it should, by the mark, asks for it.
  let missing = false;
  for (const [id, { mark, made, text }] of Object.entries(told)) {
    const had = have.get(id);
    if (had && made < had.made) continue;
    if (text === undefined && had?.mark !== mark) { missing = true; continue; }
    have.set(id, { mark, made });
    if (text === undefined || had?.mark === mark) continue;
    if (id === "top") topLine(JSON.parse(text));
    else put(id, text);
  }
  if (missing) again("lists");
}

function topLine(told) {
  for (const [id, text] of Object.entries(told)) if (id !== "position") write(at(id), text);
  const mine = told.position === owned;
  if (owned !== null && !mine) owned = null;
  if (!mine) write(at("position"), told.position);
  const free = !told.position.includes(" since ");
  write(at("take"), free ? "take the desk" : "take over");
  at("take").hidden = mine;
}

let storyText = null;
const sources = new Map(); // rows as the monitor made them: one that is the same again stays as it is

function put(id, text) {
  const place = at(id);
  if (id === "faults") { renew(place, text); select(); turn(); painted(); return; }
  if (id !== "fault") { place.innerHTML = text; return; } // made and escaped by the monitor; no script in it would run
  if (storyText === text) return;
  storyText = text;
  const open = at("numbers")?.open;
  place.innerHTML = text;
  gatherClose();
  again_drawn();
  fit();
  if (open) at("numbers").open = true;
}

function renew(place, text) {
  const focused = place.contains(document.activeElement) ? document.activeElement.closest(".row")?.dataset.fault : undefined;
  const made = document.createElement("template");
  made.innerHTML = text;
  place.querySelector(".head").replaceWith(made.content.querySelector(".head"));
  const here = new Map(Array.from(place.querySelectorAll(".row"), (one) => [one.dataset.fault, one]));
  const rows = Array.from(made.content.querySelector(".rows").children, (one) => {
    const [id, source] = [one.dataset.fault, one.outerHTML];
    const same = id !== undefined && here.has(id) && sources.get(id) === source;
    sources.set(id, source);
    return same ? here.get(id) : one;
  });
  const list = place.querySelector(".rows");
  if (held()) {
    // Under the pointer and while a key is down the order stays; what the rows say, and that there are more, does not wait.
    waiting = true;
    const fresh = new Map(rows.filter((one) => one.dataset.fault).map((one) => [one.dataset.fault, one]));
    for (const [id, one] of here) {
      if (fresh.has(id) && fresh.get(id) !== one) one.replaceWith(fresh.get(id));
      fresh.delete(id);
    }
    if (fresh.size) list.querySelector(".none")?.remove();
    list.append(...fresh.values());
  } else {
    let next = list.firstElementChild;
    for (const one of rows) {
      if (one === next) next = next.nextElementSibling;
      else list.insertBefore(one, next);
    }
    while (next !== null) { const over = next; next = next.nextElementSibling; over.remove(); }
    const left = new Set(rows.map((one) => one.dataset.fault));
    for (const id of sources.keys()) if (!left.has(id)) sources.delete(id);
  }
  if (focused && !place.contains(document.activeElement)) row(focused)?.querySelector(".what").focus();
}

let width = null; // of the place of a close-up: asked for anew, it would be laid out once for that and once more for what is done here
const sized = new ResizeObserver(([one]) => {
  const now = Math.round(one.contentRect.width);
  if (now && now !== width) { width = now; fit(); }
});

function fit() {
  const place = document.querySelector("#fault .close");
  sized.disconnect();
  if (place === null) return;
  width ??= place.clientWidth;
  sized.observe(place);
  // A close-up shows as many whole sections as have room beside one another, with what it is about in their middle: nothing is cut, and nothing has to be pushed.
  for (const close of document.querySelectorAll("#fault .close-up")) {
    const step = Number(close.dataset.step);
    const parts = [...close.querySelectorAll("[data-x]")];
    const whole = close.viewBox.baseVal.height;
    const every = Math.round(Math.max(...parts.filter((one) => one.dataset.section !== undefined).map((one) => Number(one.dataset.x))) / step) + 1;
    const room = Math.min(every, Math.max(1, Math.floor((width - 2 * EDGE) / step)));
    const about = Math.round(Number(close.querySelector("[data-chosen]").dataset.x) / step);
    const first = Math.max(0, Math.min(about - Math.floor(room / 2), every - room));
    const [left, right] = [first * step, (first + room) * step];
    for (const one of parts) {
      const x = Number(one.dataset.x);
      one.classList.toggle("beyond", one.dataset.section === undefined ? x < left || x > right : x < left || x >= right);
    }
    const shown = Math.max(right - left + 2 * EDGE, width);
    close.setAttribute("viewBox", `${left - EDGE} 0 ${shown} ${whole}`);
    close.setAttribute("width", shown);
    close.setAttribute("height", whole);
    close.classList.add("fitted");
  }
}

function held() {
  return down > 0 || at("faults").matches(":hover");
}

function row(id) {
  return document.querySelector(`.row[data-fault="${CSS.escape(id)}"]`);
}

function select() {
  for (const one of document.querySelectorAll("#faults .row")) {
    const is = one.dataset.fault === chosen;
    one.toggleAttribute("data-chosen", is);
    one.querySelector(".what").setAttribute("aria-current", String(is));
  }
}

function turn() {
  // Nothing chosen: the first of the list.  Something urgent that nobody has seen: that, unless somebody is at work here.
  const urgents = '#faults .row.not-seen[data-priority="urgent"]';
  const first = document.querySelector(urgents) ?? document.querySelector("#faults .row");
  if (!first || first.dataset.fault === chosen) return;
  const urgent = first.dataset.priority === "urgent" && first.dataset.seen === "0";
  const alone = performance.now() - handled > ALONE_MS && !at("asking").open;
  if (chosen === null || (urgent && alone)) { chosen = first.dataset.fault; select(); soon(); }
}

function choose(id) {
  chosen = id;
  select();
  again("fault");
}

let coming = null;
function soon() {
  // The line and the list come first.  Pages of one machine that all lay out the same story at the same moment would keep both from each other.
  coming ??= setTimeout(() => { coming = null; if (chosen) again("fault"); }, Math.random() * SPREAD_MS);
}

function refresh() {
  again("lists", true);
  if (chosen) again("fault", true);
}

// Ticks.

async function whole() {
  // What there is may be another monitor's, or another part of what is played.
  have.clear();
  due.clear();
  const since = ticks;
  const text = await part("/looks");
  // What a tick told meanwhile is newer.
  if (text !== null) draw(Object.fromEntries(Object.entries(JSON.parse(text)).filter(([name]) => (toldBy.get(name) ?? 0) <= since)), asOf);
  refresh();
}

const heardAhead = [];
function aheadBy(ms) {
  // A tick is some time under way, so a clock seems behind: of the last ones the one that was quickest is right.
  // A clock that is played runs as it likes: there the last one is.
  if (body.dataset.rehearsal === "1") return ms;
  heardAhead.push(ms);
  if (heardAhead.length > 60) heardAhead.shift();
  return Math.max(...heardAhead);
}

let latest = Date.parse(body.dataset.now);
function turnedBack(tick) {
  // What is played may be turned back: then nothing that is shown of later is so any more.
  const told = Date.parse(tick.now);
  const back = body.dataset.rehearsal === "1" && told < latest - 1000;
  latest = told;
  return back;
}

function take(tick) {
  if (turnedBack(tick)) { location.reload(); return; }
  ahead = aheadBy(Date.parse(tick.now) - performance.now());
  wall = Date.now() - performance.now();
  silent = tick.silent_s === null ? null : tick.silent_s * 1000;
  ticked = performance.now();
  ticks += 1;
  for (const name of Object.keys(tick.sections)) toldBy.set(name, ticks);
  const cut = !reached;
  reached = true;
  if (lostSince !== null) found();
  else if (cut) for (const [id, anew] of wanted) again(id, anew);
  if (Object.keys(tick.sections).length) draw(tick.sections, tick.now);
  const unknown = at("unknown");
  unknown.classList.toggle("unknown", tick.not_known > 0);
  const count = unknown.querySelector("b");
  write(count, `${tick.not_known} of ${count.dataset.of} not known`);
  const connected = tick.connected ? "1" : "0";
  if (body.dataset.connected !== connected) body.dataset.connected = connected;
  caption(tick.caption);
  version = tick.version;
  if (chosen && (tick.faults === null || tick.faults.includes(chosen))) soon();
  if (performance.now() - beaten > BEAT_MS[able() ? "able" : "blocked"]) beat();
  turned();
  // A browser lets the timers of a page that is hidden wait for a minute, but not what it is told.
  watch();
}

function caption(text) {
  // Only a show says anything here.
  const place = at("caption");
  if (place.textContent === text) return;
  place.textContent = text;
  place.hidden = !text;
}

function found() {
  forget();
  lostSince = null;
  report({}); // that this is over
  at("lost").hidden = true;
  body.classList.remove("deaf");
  whole();
}

const told = {
  tick: (text) => take(JSON.parse(text)),
  lists: (text) => listsTold(JSON.parse(text).lists),
  gone: () => whole(),
  cut: () => { reached = false; },
  pulse: () => watch(),
};

function title() {
  // In the row of tabs, where the page itself is hidden.
  const rows = document.querySelectorAll("#faults .row.not-seen").length;
  return rows ? `(${rows} not seen) ${body.dataset.line}` : body.dataset.line;
}

function look() {
  const now = present();
  write(at("clock"), clock(now, zone));
  if (body.dataset.connected === "0") write(at("heard"), "The feed is not connected");
  else if (silent !== null) write(at("heard"), `Heard ${age(silent + silence())} ago`);
  for (const one of document.querySelectorAll("[data-began]")) {
    const minutes = Math.max(60000, Math.floor((now - Date.parse(one.dataset.began)) / 60000) * 60000);
    write(one, age(minutes));
  }
  if (lostSince === null) write(titles, title());
}

const titles = document.querySelector("title");

let [movedAt, second] = [-Infinity, null];
function turned() {
  // Once a second what counts on by itself; what is new twice a second, as a mark that moves: an animation would ask for sixty frames.
  if (performance.now() - movedAt > HALF_MS) {
    movedAt = performance.now();
    // Nothing moves where nothing is new, and no frame is made for it.
    at("faults").toggleAttribute("data-beat", !at("faults").hasAttribute("data-beat") && document.querySelector("#faults .not-seen") !== null);
  }
  const now = Math.floor(present() / 1000);
  if (now !== second) { second = now; look(); }
}

function watch() {
  // With ticks the clock goes on too, in the frame that they ask for anyway.
  if (performance.now() - ticked > TICKING_MS) turned();
  if (lostSince === null && silence() > STALE_MS) {
    lostSince = present() - silence();
    at("lost-since").textContent = `Not known since ${clock(lostSince, zone)}.`;
    at("lost").hidden = false;
    body.classList.add("deaf");
    document.querySelector("#unknown b").textContent = "All of it not known";
    at("where").textContent = `since ${clock(lostSince, zone)}`;
    document.title = `Not known since ${clock(lostSince, zone)}`;
    report({ stale: new Date(lostSince).toISOString() });
    sounds = false;
    saySound();
  }
  if (waiting && !held()) { waiting = false; have.delete("faults"); again("lists"); }
  ring();
}

// Sounds.

function ring() {
  const every = calling();
  if (!every.length) { sounded.clear(); return; }
  const heard = every.filter((one) => !silenced.has(named(one)));
  const loudest = heard.find((one) => one.dataset.priority === "urgent") ?? heard[0];
  if (!loudest || !sounds) return;
  const { priority, fault } = loudest.dataset;
  const last = sounded.get(named(loudest));
  if (performance.now() - (last ?? -Infinity) < AGAIN_MS[priority]) return;
  if (!sound(priority)) return;
  sounded.set(named(loudest), performance.now());
  // That it was really begun is put down once; until then it is only said that it could be.
  const headline = loudest.querySelector(".what").textContent;
  if (last === undefined) report({ sound: "sounded", faults: [{ fault, headline, priority }] });
}

function calling() {
  // Every fault that sounds, or would if it were not silenced.
  return [...document.querySelectorAll('#faults .row.not-seen:not([data-quiet]):is([data-priority="urgent"], [data-priority="prompt"])')];
}

function named(one) {
  return `${one.dataset.fault} ${one.dataset.priority}`;
}

function isMuted() {
  const every = calling();
  return every.length > 0 && every.every((one) => silenced.has(named(one)));
}

async function mute() {
  silencing += 1;
  // What sounds now, and nothing that comes later: at the position, so that no other page takes over.
  if (isMuted()) {
    silenced = new Set();
    alone = false;
    await act("/silence", { position, let_sound: true });
    await beat();
  } else {
    const every = calling().map(named);
    if (!every.length) { say("Nothing sounds now."); return; }
    silenced = new Set([...silenced, ...every]);
    alone = (await act("/silence", { position, silence: every.slice(0, 200) })) !== null;
    saySound();
  }
  how = heardHow();
  report({});
}

function saySound() {
  const muted = isMuted();
  const what = muted ? "Sound silenced" : able() ? "Sound on" : "Sound blocked";
  write(at("sound"), what);
  const why = muted ? "what is new sounds; M: this again" : able() && !sounds ? "another page of this desk makes it" : "";
  write(at("sound-said"), [tested || "no test known", why].filter(Boolean).join(", "));
  write(at("try-sound"), able() ? "try it (T)" : "allow it (T)");
}

let beaten = -Infinity;
async function beat(more = {}) {
  beaten = performance.now();
  const asking = new URLSearchParams({ page, position, able: String(able()), ...more });
  const turn = silencing; // an answer that was under way when M was pressed knows nothing of it
  const text = await part(`/beat?${asking}`);
  const told = text === null ? { sounds: false, tested } : JSON.parse(text);
  ({ sounds, tested } = told);
  if (text !== null && !alone && turn === silencing) silenced = new Set(told.silenced);
  saySound();
  // Nobody may be called by a page whose sound has become blocked: that is put down as it comes.
  if (text === null || how === heardHow()) return;
  how = heardHow();
  report({});
}

async function trySound() {
  if (await allow()) { sound("prompt"); await beat({ tested: "true" }); }
  saySound();
}

// What was shown.

const { report, painted, leave, back } = receipts(() => ({
  page, position, at: new Date(present()).toISOString(), visible: document.visibilityState === "visible", sound: heardHow(),
}), () => reached);

function heardHow() {
  return isMuted() ? "muted" : able() ? (sounds ? "could" : "elsewhere") : "blocked";
}

// That it came to the front, or left it, says how what it has painted stands.
document.addEventListener("visibilitychange", () => {
  report({});
  if (document.visibilityState === "hidden") { hiddenSince = present(); return; }
  if (hiddenSince !== null) say(`This page was hidden from ${clock(hiddenSince, zone)} to ${clock(present(), zone)}: what came meanwhile is in the list.`);
  hiddenSince = null;
});

addEventListener("pagehide", leave);
// A browser may put it away whole, and bring it back.
addEventListener("pageshow", (event) => { if (event.persisted) back(); });

// What people do.

function say(text) {
  at("said").textContent = text;
  clearTimeout(say.timer);
  say.timer = setTimeout(() => { at("said").textContent = ""; }, 6000);
}

function ask(title, more) {
  const asking = at("asking");
  at("asking-title").textContent = title;
  at("asking-more").textContent = more ?? "";
  at("asking-text").value = "";
  asking.showModal();
  at("asking-text").focus();
  return new Promise((done) => {
    asking.onclose = () => done(asking.returnValue === "yes" ? at("asking-text").value.trim() : null);
    asking.returnValue = "";
  });
}

async function hidden(kind, subject) {
  const text = await part(`/api/v1/acts/shelve-preview?${new URLSearchParams({ kind, subject })}`);
  if (text === null) return "";
  const count = JSON.parse(text).alerts.length;
  return `In the last seven days this would have hidden ${count} alert${count === 1 ? "" : "s"}. It comes back by itself after eight hours.`;
}

async function doing(what) {
  const told = document.querySelector(".sides");
  if (!told) return;
  const fault = told.dataset.fault;
  if (fault !== chosen) { say("What you have chosen is still on its way here: try again."); return; }
  const given = { what, position, key: key() };
  if (what === "seen") given.fault = fault;
  if (what === "going") given.fault = fault;
  if (what === "noted") {
    const text = await ask("Note");
    if (!text) return;
    Object.assign(given, { fault, text });
  }
  if (what === "shelved") {
    const { kind, subject } = told.dataset;
    // At once, or what is typed meanwhile would be taken for keys; what it would have hidden comes when it is known.
    const asked = ask(`Shelve ${kind.replaceAll("-", " ")}, ${subject.split("/")[1]}: why?`);
    hidden(kind, subject).then((told) => { at("asking-more").textContent = told; });
    const text = await asked;
    if (!text) return;
    const until = new Date(present() + 8 * 3600e3).toISOString();
    Object.assign(given, { kind, subject, text, until });
  }
  if (what === "closed" && !told.dataset.closes) { say("Nothing in it waits to be closed."); return; }
  if (what === "closed") {
    for (const alert of told.dataset.closes.split(" ").filter(Boolean)) {
      const text = await ask("Close it: why?", "It stays until a person closes it. Nothing here proves a section empty.");
      if (text === null) return;
      done(await act("/api/v1/acts", { ...given, key: key(), alert, text }), "Closed.");
    }
    return;
  }
  done(await act("/api/v1/acts", given), { seen: "Seen.", going: "Said that you go.", noted: "Noted.", shelved: "Shelved." }[what]);
}

function done(why, said) {
  say(why ?? said);
  if (why === null) refresh();
}

function moment(ms) {
  // With its day, where that is not today.
  const day = (one) => new Date(one).toLocaleDateString("en-GB", { day: "numeric", month: "short", timeZone: zone });
  return `${day(ms) === day(present()) ? "" : `${day(ms)} `}${clock(ms, zone).slice(0, 5)}`;
}

async function keep() {
  const row = document.querySelector("#faults .row[data-chosen] .age");
  if (!row) return;
  const began = Date.parse(row.dataset.began);
  const reason = await ask("Keep this hour: why?", "From half an hour before the fault began up to now, half an hour after it began at least, whatever is deleted later.");
  if (!reason) return;
  // What is listed is open: it may have gone on for hours.
  const window = [began - 1800e3, Math.max(began + 1800e3, present())];
  const [begin, end] = window.map((moment) => new Date(moment).toISOString());
  done(await act("/api/v1/keeps", { position, begin, end, reason, key: key() }), `Kept from ${moment(window[0])} to ${moment(window[1])}.`);
}

async function take_desk() {
  const { why, told } = await tell("/api/v1/acts", { what: "take_desk", position });
  if (why !== null) { say(why); return; }
  const { top } = JSON.parse((await part(lists({}))) ?? "{}");
  owned = top === undefined ? null : JSON.parse(top.text).position;
  at("take").hidden = true;
  at("position").textContent = `${position}, yours since ${clock(Date.parse(told.at), zone).slice(0, 5)}`;
  say("You have the desk. Now the sound, and a drill through the whole chain.");
  await trySound();
  await drill();
}

async function drill() {
  const place = at("drill");
  place.textContent = "Drill under way";
  const { why, told } = await tell("/api/v1/drills", { within_s: 30 });
  const when = clock(present(), zone).slice(0, 5);
  if (why !== null) { place.textContent = `No drill: ${why}`; return; }
  const channels = told.stages.slice(2);
  const missed = told.stages.filter((one) => one.took_s === null);
  const each = told.stages.map((one) => `${one.name} ${one.took_s === null ? `not reached (${one.said})` : `${one.took_s.toFixed(1)} s`}`).join(", ");
  place.title = each;
  if (!channels.length) place.textContent = `Drill ${when}: no channel is set up, only this page calls`;
  else if (missed.length) place.textContent = `Drill ${when}: not reached: ${missed.map((one) => one.name).join(", ")}`;
  else place.textContent = `Drill ${when} passed`;
  say(`Drill ${told.number}: ${each}.`);
}

// Keys.

const GO = { d: "/day-list", q: "/quiet", f: "/before-the-first-train", h: "/handover", l: "/login", i: "/planner" };
const ALIKE = new Set(["l", "i"]); // the same for every position
const DO = { s: "seen", w: "going", n: "noted", v: "shelved", c: "closed" };

function step(by) {
  const rows = [...document.querySelectorAll("#faults .row")];
  if (!rows.length) return;
  const now = rows.findIndex((one) => one.dataset.fault === chosen);
  const next = rows[Math.min(rows.length - 1, Math.max(0, now + by))];
  choose(next.dataset.fault);
  next.querySelector(".what").focus();
}

function pressed(event) {
  if (event.target.matches("textarea, input") || event.ctrlKey || event.metaKey || event.altKey) return;
  if (document.querySelector("dialog[open]")) return;
  const name = event.key.toLowerCase();
  if (name === "arrowdown") step(1);
  else if (name === "arrowup") step(-1);
  else if (name === "?") at("keys").showModal();
  else if (name === ".") { const one = at("numbers"); if (one) one.open = !one.open; }
  else if (name === "p") document.querySelector("#fault a.button")?.click();
  else if (name === "r") document.querySelector("#fault a[data-replay]")?.click();
  else if (name === "k") keep();
  else if (name === "m") mute();
  else if (name === "t") trySound();
  else if (name === "a") { at("take").focus(); say("Enter takes the desk; Tab goes on."); }
  else if (name === "e") watchHead();
  else if (GO[name]) location.href = GO[name] + (ALIKE.has(name) ? "" : query);
  else if (DO[name]) doing(DO[name]);
  else return;
  event.preventDefault();
}

function watchHead() {
  const one = document.querySelector("#fault a[data-watch]");
  if (one) one.click();
  else say("No head belongs to what is chosen.");
}

for (const what of ["keydown", "pointerdown", "wheel"]) document.addEventListener(what, () => { handled = performance.now(); }, { passive: true, capture: true });
document.addEventListener("keydown", (event) => { if (!event.repeat) down += 1; pressed(event); });
document.addEventListener("keyup", () => { down = Math.max(0, down - 1); });
window.addEventListener("blur", () => { down = 0; });
document.addEventListener("click", (event) => {
  if (event.target.closest("#all-keys")) { at("keys").showModal(); return; }
  const doer = event.target.closest("[data-do]");
  if (doer) { if (doer.dataset.do === "keep") keep(); else doing(doer.dataset.do); return; }
  const one = event.target.closest("#faults .row");
  if (one) { event.preventDefault(); choose(one.dataset.fault); }
});
at("take")?.addEventListener("click", take_desk);
at("try-sound")?.addEventListener("click", trySound);
// Where a sheet goes back to.
sessionStorage.setItem("tallywatch-desk", `/${query}`);

gather();
fit();
select();
turn();
painted();
hear({ last: body.dataset.tick, position, version: body.dataset.version }, (kind, text) => told[kind](text));
again("lists");
beat();
setInterval(watch, 250);
setInterval(() => { if (chosen) again("fault"); }, PAST_MS);
