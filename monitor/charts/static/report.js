// The page around the diagram: tables beside it, the line as it stood, what was known step by step.
// Whatever is chosen anywhere is shown everywhere; nothing is concluded here.

import { Diagram, printable } from "./diagram.js";
import { after } from "./geometry.js";
import { eventName, unpack } from "./unpack.js";

const at = (id) => document.getElementById(id);
const ROW_PX = 30; // a row of the table of events
const SPARE = 6; // rows made above and below what is seen
const SHIFT_MS = 432e5; // pages not heard for longer are not told of
const QUIET_MS = 3e5; // whether a page that has said nothing for longer is open is not known
const PRINTED = 600; // rows of events on paper at most

const STATES = {
  clear: "clear", occupied: "occupied", disturbed: "disturbed", awaiting_sweep: "awaiting sweep",
  awaiting_acknowledgement: "awaiting acknowledgement", "not-known": "not known", work: "under work", "waits-for-train": "reset, and no train has followed",
};
const RANKS = { note: 0, planned: 1, prompt: 2, urgent: 3 };

function words(model) {
  // Times in the line's own zone; on a day on which clocks change the offset is written, since an hour is there twice.
  const zone = model.line.timezone;
  const form = new Intl.DateTimeFormat("en-GB", {
    timeZone: zone, year: "numeric", month: "2-digit", day: "2-digit", hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23",
  });
  // What a zone is ahead changes at whole quarters of an hour: asked once for each, since a browser takes long to say it.
  const ahead = new Map();
  const offset = (t) => {
    const quarter = Math.floor(t / 9e5);
    if (!ahead.has(quarter)) {
      const p = Object.fromEntries(form.formatToParts(quarter * 9e5).map((one) => [one.type, one.value]));
      ahead.set(quarter, Date.UTC(p.year, p.month - 1, p.day, p.hour, p.minute, p.second) - quarter * 9e5);
    }
    return ahead.get(quarter);
  };
  const parts = (t) => {
    const [year, month, day, hour, minute, second] = new Date(Math.floor(t) + offset(t)).toISOString().split(/[-T:.Z]/);
    return { year, month, day, hour, minute, second };
  };
  const changes = offset(model.begin) !== offset(model.end);
  const east = (t) => {
    const minutes = offset(t) / 60000;
    const two = (n) => String(Math.floor(Math.abs(n))).padStart(2, "0");
    return ` (${minutes < 0 ? "-" : "+"}${two(minutes / 60)}:${two(Math.abs(minutes) % 60)})`;
  };
  const day = (t) => { const p = parts(t); return `${p.year}-${p.month}-${p.day}`; };
  const first = day(model.begin);
  const clock = (t) => { const p = parts(t); return `${p.hour}:${p.minute}:${p.second}`; };
  const thousandths = (t) => String(Math.floor(((t % 1000) + 1000) % 1000)).padStart(3, "0");
  const moment = (t) => `${day(t) === first ? "" : `${day(t)} `}${clock(t)}.${thousandths(t)}${changes ? east(t) : ""}`;
  const minute = (t) => `${day(t) === first ? "" : `${day(t)} `}${clock(t).slice(0, 5)}${changes ? east(t) : ""}`;
  const tick = (t, length) => {
    const p = parts(t);
    if (length > 4 * 864e5) return `${p.month}-${p.day} ${p.hour}:00`;
    if (length < 3000) return `${p.second}.${thousandths(t)}`;
    return length < 9e5 ? clock(t) : `${p.hour}:${p.minute}`;
  };
  return { moment, minute, offset, tick, day, zone };
}

function span(ms) {
  if (!Number.isFinite(ms)) return "";
  if (ms < 10000) return `${(Math.round(ms / 100) / 10).toString()} s`;
  if (ms < 120000) return `${Math.floor(ms / 1000)} s`;
  if (ms < 36e5) return `${Math.floor(ms / 60000)} min`;
  const minutes = Math.floor(ms / 60000);
  return `${Math.floor(minutes / 60)} h ${minutes % 60} min`;
}

class Report {
  constructor(model) {
    this.model = model;
    this.words = words(model);
    this.cursor = model.end;
    this.filter = null; // indexes of the events that are listed, or all of them
    this.wanted = "";
    this.spoken = new Map(); // what events say, by their type and text
    const told = {
      view: () => { this.address(); },
      pick: (item) => this.picked(item),
      cursor: (t) => this.moveTo(t),
      brush: (range) => this.brushed(range),
      row: (section) => this.say(this.rowSays(section)),
    };
    this.was = new Diagram(at("was"), model, this.words, told);
    this.then = new Diagram(at("then"), model, this.words, { ...told, view: () => this.follow() });
    this.then.known = true;
    this.other = model.beside ? new Diagram(at("other"), model.beside, words(model), {
      ...told, view: () => this.other && this.follow(this.other), pick: (item) => this.pickedThere(item), row: (section) => this.say(`B: ${this.rowSays(section, model.beside)}`),
    }) : null;
    this.was.told.view = () => { this.follow(this.was); this.address(); };
    this.then.told.view = () => { this.follow(this.then); this.address(); };
    this.events = new Events(this);
    this.drawn = [...document.querySelectorAll("#line [data-section]")];
    this.named = new Map(model.sections.map((one, i) => [one.id, i]));
    this.tools();
    this.alerts();
    this.stepping();
    this.start();
  }

  diagrams() { return this.other === null ? [this.was, this.then] : [this.was, this.then, this.other]; }

  alike() { return [this.was, this.then]; }

  follow(one = this.was) {
    // All show the same time, and are about the same section.
    const section = one.model.sections[one.rows[one.focus]]?.id;
    for (const other of this.diagrams()) {
      if (other === one) continue;
      Object.assign(other.view, { from: one.view.from, to: one.view.to });
      const there = other.model.sections.findIndex((each) => each.id === section);
      if (there >= 0) other.focus = other.rowOf[there];
      other.draw();
    }
  }

  // Words.

  eventSays(i) {
    // Most say what another said before: read once.
    const { events } = this.model;
    const key = events.type[i] * events.texts.length + events.text[i];
    if (!this.spoken.has(key)) this.spoken.set(key, this.dataSays(i));
    return [events.subjects[events.subject[i]], this.spoken.get(key)];
  }

  dataSays(i) {
    const { events } = this.model;
    const kind = events.types[events.type[i]].replace(/^tallywatch\./, "");
    let data = {};
    try { data = JSON.parse(events.texts[events.text[i]]); } catch { /* shown as it is */ }
    if (data.contacts) data.contacts = `clear ${data.contacts.clear ? "up" : "down"} and occupied ${data.contacts.occupied ? "up" : "down"}`;
    const rest = (...known) => Object.entries(data).filter(([name]) => !known.includes(name)).map(([name, value]) => `${name} ${typeof value === "object" ? JSON.stringify(value) : value}`);
    switch (kind) {
      case "section.state": return [STATES[data.state] ?? data.state, ...(data.axles === undefined ? [] : [`${data.axles} axles`]), ...rest("state", "axles")].join(", ");
      case "section.reset": return [`reset ${data.step}`, data.kind?.replaceAll("_", " "), ...(data.by ? [`by ${data.by}`] : []), ...rest("step", "kind", "by")].join(", ");
      case "section.work": return [`work ${data.state}`, ...rest("state")].join(", ");
      case "head.passage": return [`passed ${data.direction}`, `${data.axles} axles`, ...rest("direction", "axles")].join(", ");
      default: return [kind.split(".").join(" "), ...rest()].join(", ");
    }
  }

  cellsOf(i) {
    // An event as the table shows it: when, how much later it came, what, and its name.
    const { events } = this.model;
    const [subject, what] = this.eventSays(i);
    const heard = events.heard[i];
    const late = Number.isNaN(heard) ? "not on record" : `${heard < events.time[i] ? "-" : "+"}${span(Math.abs(heard - events.time[i]))}`;
    return [this.words.moment(events.time[i]), late, `${subject} ${what}`, eventName(this.model, i)];
  }

  itemSays(item, diagram = this.was) {
    const { model } = diagram;
    const moment = (t) => this.words.moment(t);
    if (item.kind === "alert") {
      const one = model.alerts[item.index];
      return `${one.record.priority}: ${one.record.summary}. So ${moment(one.began)}, raised ${moment(one.raised)}, heard ${moment(one.heard)}${one.before ? ", open since before this window" : ""}${one.told === null ? "" : `, told ${moment(one.told)} (${one.told_at || "no desk"})`}.`;
    }
    const section = model.sections[diagram.sectionOf(item)].id;
    if (item.kind === "mark") {
      const one = model.marks[item.index];
      return `${section} reset ${one.step} (${one.kind.replaceAll("_", " ")})${one.by ? ` by ${one.by}` : ""} at ${moment(one.at)}; event ${eventName(model, one.event)}, ${this.came(one.event)}.`;
    }
    const { spans } = model;
    const i = item.index;
    const what = STATES[spans.kinds[spans.kind[i]]] ?? spans.kinds[spans.kind[i]];
    const why = spans.whys[spans.why[i]];
    const named = `${what}${why ? ` (${why})` : ""}`;
    if (item.edge === "end") return this.endSays(item, section, named, model);
    const open = spans.ended[i] === Infinity;
    const over = open ? "and had not ended" : `to ${moment(spans.ended[i])}, ${span(spans.ended[i] - spans.began[i])}`;
    const ended = spans.until[i] === null ? "" : `; ended by event ${eventName(model, spans.until[i])}${this.shows(spans.until[i])}, ${this.came(spans.until[i])}`;
    return `${section} ${named} from ${moment(spans.began[i])} ${over}${this.shownBy(spans.event[i])}${ended}.`;
  }

  shownBy(event) {
    return event === null ? "" : `; shown by event ${eventName(this.model, event)}, ${this.came(event)}`;
  }

  endSays({ index: i }, section, named, model) {
    // What a section shows from the end of a span on, by which event, and what was before.
    const { spans } = model;
    const [began, ended] = [this.words.moment(spans.began[i]), this.words.moment(spans.ended[i])];
    const work = spans.kinds[spans.kind[i]] === "work";
    const now = work ? "no more under work" : `showed ${this.stateAt(spans.section[i], spans.ended[i], false, model).says}`;
    return `${section} ${now} from ${ended}${this.shownBy(spans.until[i])}. Before that it was ${named} from ${began}, ${span(spans.ended[i] - spans.began[i])}${this.shownBy(spans.event[i])}.`;
  }

  shows(event) {
    // What an event of the window says, in a few words.
    return typeof event === "number" ? ` (${this.eventSays(event)[1].split(",")[0]})` : "";
  }

  came(event) {
    const { events } = this.model;
    if (typeof event !== "number") return "from before this window";
    if (Number.isNaN(events.heard[event])) return "when it came is not on record";
    if (Math.abs(events.heard[event] - events.time[event]) < 50) return "came at its time";
    return `came ${span(Math.abs(events.heard[event] - events.time[event]))} ${events.heard[event] < events.time[event] ? "before" : "after"} its time`;
  }

  rowSays(section, model = this.model) {
    const one = model.sections[section];
    const beside = one.beside.map((other) => model.sections[other].id).join(", ");
    return `${one.id}: ${this.stateAt(section, this.cursor, false, model).says}; beside it ${beside || "no other section"}.`;
  }

  say(text) { at("focus").textContent = printable(text); }

  // How things stood.

  stateAt(section, t, known = false, model = this.model) {
    const { spans, sections } = model;
    const found = {};
    spans.of[section].forEach((list, kind) => {
      const i = after(list.began, t) - 1;
      if (i < 0) return;
      const which = list.index[i];
      if (known && spans.heard[which] > t) return;
      const over = list.ended[i] <= t && !(known && spans.heardEnd[which] > t);
      if (!over) found[spans.kinds[kind]] = which;
    });
    const state = ["disturbed", "awaiting_sweep", "awaiting_acknowledgement", "occupied"].find((one) => one in found);
    const gone = "not-known" in found;
    const waits = "waits-for-train" in found;
    const shows = state === undefined ? "clear" : state === "occupied" ? "train" : "odd";
    const subject = `section/${sections[section].id}`;
    const open = this.openAt(t, known, model).filter((one) => one.record.subject === subject);
    const worst = open.map((one) => one.record.priority).sort((a, b) => RANKS[b] - RANKS[a])[0] ?? "";
    return {
      shows: gone ? "nothing" : shows,
      known: !gone,
      work: "work" in found,
      waits,
      fault: worst === "note" ? "" : worst,
      odd: !gone && shows === "odd" ? (state === "disturbed" ? state : "waits") : "",
      since: this.unknownSince(found["not-known"]),
      says: gone ? this.unknown([this.unknownSince(found["not-known"])]) : STATES[state ?? "clear"] + (waits ? ", reset, and no train has followed" : "") + ("work" in found ? ", under work" : ""),
    };
  }

  openAt(t, known = false, model = this.model) {
    // The alerts that were open at t, or that were known to be by then, gravest first.
    const over = (one) => (known && one.overHeard > t ? Infinity : one.over);
    return model.alerts
      .filter((one) => (known ? one.lines[0][0] : one.raised) <= t && over(one) > t)
      .sort((a, b) => RANKS[b.record.priority] - RANKS[a.record.priority]);
  }

  openSays(open) {
    const { model } = this;
    const moment = (t) => this.words.moment(t);
    if (open.length) {
      const says = (one) => `${one.record.subject.split("/").slice(1).join("/")} ${one.record.kind.replaceAll("-", " ")} (${one.record.priority}${one.before ? `, open since before this window, ${moment(one.raised)}` : ""})`;
      return printable(`Open then: ${open.map(says).join("; ")}.`);
    }
    if (model.first === null) return "What was open then is not known.";
    const earlier = model.first < model.begin ? "" : " What was open before that is not known.";
    return `None of the alerts raised since ${moment(model.first)} was open then.${earlier}`;
  }

  /** Since when what is not known is not, or NaN where it was not heard yet. */
  unknownSince(i) {
    const { spans } = this.model;
    return i === undefined || spans.whys[spans.why[i]] === "not heard yet" ? NaN : spans.began[i];
  }

  unknown(every) {
    const since = every.filter(Number.isFinite);
    return since.length ? `not known since ${this.words.minute(Math.min(...since))}` : "not heard yet";
  }

  moveTo(t) {
    this.cursor = t;
    for (const one of this.diagrams()) one.at(t);
    at("scrub").value = String(Math.round(t - this.model.begin));
    at("scrub").setAttribute("aria-valuetext", this.words.moment(t));
    at("moment").textContent = this.words.moment(t);
    const known = at("truth").value === "then";
    for (const one of this.drawn) {
      const state = this.stateAt(this.named.get(one.dataset.section), t, known);
      one.dataset.shows = state.shows;
      one.dataset.known = state.known ? "1" : "0";
      one.dataset.since = String(state.since);
      one.dataset.fault = state.fault;
      one.dataset.odd = state.odd;
      one.dataset.work = state.work ? "1" : "0";
      one.dataset.waits = state.waits ? "1" : "0";
      one.querySelector("title").textContent = `${printable(one.dataset.section)}: ${state.says}`;
    }
    this.bands();
    at("open").textContent = this.openSays(this.openAt(t, known));
    this.desks(t);
    this.events.to(t);
    this.address();
  }

  // What stood on the pages of desks.

  desks(t) {
    if (!at("desks")) return;
    at("desks-moment").textContent = this.words.moment(t);
    const rows = this.model.screens.map((one) => this.screenRow(one, t)).filter(Boolean);
    const none = document.createElement("tr");
    Object.assign(none.insertCell(), { colSpan: 3, textContent: "No page that had been heard from for half a day stood open then, as far as is on record." });
    at("desks").tBodies[0].replaceChildren(...(rows.length ? rows : [none]));
  }

  screenRow(screen, t) {
    const turn = screen.turns[after(screen.turns.map((one) => one.at), t) - 1];
    if (turn === undefined || turn.left || t - turn.at > SHIFT_MS) return null;
    const open = new Set(this.openAt(t, true));
    const here = this.model.alerts.map((one, i) => ({ one, i, had: screen.had.get(i) })).filter(({ one }) => open.has(one));
    const when = (moment) => moment !== null && moment !== undefined && moment <= t;
    const alert = ({ one }) => `${one.record.subject.split("/").slice(1).join("/")} ${one.record.kind.replaceAll("-", " ")} (${one.record.priority})`;
    const painted = here.filter(({ had }) => when(had?.painted)).map((one) => `${this.words.moment(one.had.painted)} ${alert(one)}`);
    const fault = here.filter(({ had }) => !when(had?.painted) && when(had?.fault)).map((one) => `${this.words.moment(one.had.fault)} the fault of ${alert(one)}; which alerts with it, the page does not say`);
    const owed = new Set(screen.looks_after);
    const missing = here.filter(({ had, i }) => owed.has(i) && !when(had?.painted) && !when(had?.fault));
    const not = missing.map((one) => `${alert(one)}, concluded ${this.words.moment(one.one.lines[0][0])}; ${this.paintedLater(screen, one.i)}`);
    const row = document.createElement("tr");
    row.insertCell().append(this.listOf([`${screen.position || "no desk"}: page ${screen.page.slice(0, 8)} of ${screen.by}`, this.turnSays(screen, turn, t)]));
    for (const list of [[...painted, ...fault], not]) row.insertCell().append(this.listOf(list.length ? list : ["nothing"]));
    return row;
  }

  paintedLater(screen, alert) {
    const first = screen.first.get(alert);
    const moment = first?.painted ?? first?.fault ?? null;
    return moment === null ? "never painted at this desk, as far as is on record" : `painted first at this desk ${this.words.moment(moment)}`;
  }

  turnSays(screen, turn, t) {
    const front = turn.visible ? "in front" : "not in front";
    const deaf = screen.stale.find(([from, to]) => from <= t && t < to);
    if (t - turn.at > QUIET_MS && deaf === undefined) return `not heard from since ${this.words.moment(turn.at)}, then ${front}, ${turn.sound}; whether it was open is not known`;
    return `${front}, ${turn.sound}, as it said last at ${this.words.moment(turn.at)}${deaf === undefined ? "" : `; had not heard the monitor since ${this.words.moment(deaf[0])}`}`;
  }

  listOf(texts) {
    const list = document.createElement("ul");
    for (const text of texts) list.append(Object.assign(document.createElement("li"), { textContent: printable(text) }));
    return list;
  }

  bands() {
    let group = [];
    for (const one of document.querySelector("#line svg")?.children ?? []) {
      if (one.dataset.section !== undefined) group.push(one);
      if (one.classList.contains("stands")) {
        const gone = group.filter((g) => g.dataset.known === "0");
        const few = gone.length < group.length ? `${gone.length} ` : "";
        one.textContent = gone.length ? `${few}${this.unknown(gone.map((g) => Number(g.dataset.since)))}` : "all heard";
        group = [];
      }
    }
  }

  // What is chosen.

  picked(item) {
    for (const one of this.alike()) { one.picked = item; one.draw(); }
    this.mate(this.other, item, this.was);
    for (const row of document.querySelectorAll("#alerts tr[data-chosen]")) row.removeAttribute("data-chosen");
    if (item === null) { this.say(""); return; }
    this.say(this.itemSays(item));
    if (item.kind === "alert") {
      const row = document.querySelector(`#alerts tr[data-alert="${item.index}"]`);
      row?.setAttribute("data-chosen", "");
      row?.scrollIntoView({ block: "nearest" });
    }
    const event = item.kind === "span" ? this.model.spans[item.edge === "end" ? "until" : "event"][item.index] : item.kind === "mark" ? this.model.marks[item.index].event : null;
    if (typeof event === "number") this.events.choose(event, false);
  }

  pickedThere(item) {
    // On the other side of a comparison.
    this.other.picked = item;
    this.other.draw();
    for (const one of this.alike()) this.mate(one, item, this.other);
    this.mark();
    this.say(item === null ? "" : `B: ${this.itemSays(item, this.other)}`);
  }

  mate(diagram, item, from) {
    // What an alert that is picked on one side is on the other, if it is there.
    if (diagram === null) return;
    const mate = item?.kind === "alert" ? from.model.alerts[item.index].mate : undefined;
    const index = mate ? diagram.model.alerts.findIndex((one) => one.record.id === mate) : -1;
    diagram.picked = index < 0 ? null : { kind: "alert", index };
    diagram.draw();
    if (from === this.was) this.mark();
  }

  mark() {
    // The row of the table of what is otherwise.
    const here = this.was.picked?.kind === "alert" ? String(this.was.picked.index) : null;
    const there = this.other?.picked?.kind === "alert" ? String(this.other.picked.index) : null;
    for (const row of document.querySelectorAll("#otherwise tr[data-here], #otherwise tr[data-there]")) {
      const chosen = (here !== null && row.dataset.here === here) || (there !== null && row.dataset.there === there);
      row.toggleAttribute("data-chosen", chosen);
      if (chosen) row.scrollIntoView({ block: "nearest" });
    }
  }

  toDiagram() {
    // There keys go on from what is shown.
    const { canvas } = at("truth").value === "then" ? this.then : this.was;
    canvas.focus({ preventScroll: true });
    canvas.scrollIntoView({ block: "nearest" });
  }

  chooseThere(index) {
    const one = this.other.model.alerts[index];
    const half = Math.max(6e5, (one.raised - one.began) * 2);
    this.other.show(one.began - half, one.raised + half);
    this.other.reveal(Math.max(this.model.begin, one.raised), this.other.sectionOf({ kind: "alert", index }));
    this.follow(this.other);
    this.moveTo(Math.min(this.model.end, Math.max(this.model.begin, one.raised)));
    this.other.pick({ kind: "alert", index });
  }

  choose(event) {
    // From the table of events to the diagram.
    const { events, spans } = this.model;
    const section = this.named.get(events.subjects[events.subject[event]]);
    const t = Math.min(this.model.end, Math.max(this.model.begin, events.time[event]));
    this.was.reveal(t, section);
    this.follow(this.was);
    this.moveTo(t);
    const [subject, what] = this.eventSays(event);
    let item = null;
    if (section !== undefined) {
      for (const list of spans.of[section]) {
        for (const which of list.index) if (spans.event[which] === event || (spans.until[which] === event && item === null)) item = { kind: "span", index: which };
      }
      const mark = this.model.marks.findIndex((one) => one.event === event);
      if (mark >= 0) item = { kind: "mark", index: mark };
    }
    for (const one of this.alike()) { one.picked = item; one.draw(); }
    this.say(`${subject}: ${what}; ${this.words.moment(events.time[event])}, event ${eventName(this.model, event)}, ${this.came(event)}.`);
  }

  chooseAlert(index) {
    const one = this.model.alerts[index];
    const half = Math.max(6e5, (one.raised - one.began) * 2);
    const length = this.was.view.to - this.was.view.from;
    if (length > 6 * half || one.raised < this.was.view.from || one.began > this.was.view.to) {
      this.was.show(one.began - half, one.raised + half);
    }
    const item = { kind: "alert", index };
    this.was.reveal(Math.max(this.model.begin, one.raised), this.was.sectionOf(item));
    this.follow(this.was);
    this.moveTo(Math.min(this.model.end, Math.max(this.model.begin, one.raised)));
    this.picked(item);
    const walk = this.model.steps.findIndex((walked) => walked.alert === one.record.id);
    if (walk >= 0) { at("walk").value = String(walk); this.walkTo(this.model.steps[walk].steps.length - 1); }
  }

  brushed(range) {
    for (const one of this.diagrams()) { one.span = range; one.draw(); }
    at("brushed").textContent = range === null ? "" : `${this.words.moment(range[0])} to ${this.words.moment(range[1])}, ${span(range[1] - range[0])}`;
    at("into").disabled = range === null;
    this.list();
    this.address();
  }

  list() {
    // The events that are listed: those of the brushed window, and those in which the words stand.
    const { events } = this.model;
    const range = this.was.span;
    const wanted = this.wanted.trim().toLowerCase();
    if (range === null && !wanted) { this.events.show(null); return []; }
    // Looked for in what the table shows, and in what the feed sent.
    const has = (table) => table.map((one) => one.toLowerCase().includes(wanted));
    const [types, texts] = wanted ? [events.types, events.texts].map(has) : [];
    const found = [];
    for (let i = 0; i < events.count; i += 1) {
      const moment = events.time[i];
      if (range !== null && (moment < range[0] || moment > range[1])) continue;
      if (wanted && !(types[events.type[i]] || texts[events.text[i]] || events.ids[i].toLowerCase() === wanted || this.cellsOf(i).join(" ").toLowerCase().includes(wanted))) continue;
      found.push(i);
    }
    this.events.show(found);
    return found;
  }

  foundBy() {
    const wanted = this.wanted.trim();
    const range = this.was.span;
    const marked = range === null ? "" : `in the window marked, ${this.words.moment(range[0])} to ${this.words.moment(range[1])}`;
    return [marked, wanted ? `found by "${printable(wanted)}"` : ""].filter(Boolean).join(", ");
  }

  search() {
    this.wanted = at("search").value;
    const wanted = this.wanted.trim().toLowerCase();
    const found = this.list();
    let alerts = 0;
    for (const row of document.querySelectorAll("#alerts tr[data-alert]")) {
      const more = row.nextElementSibling;
      const has = !wanted || (row.textContent + more.textContent).toLowerCase().includes(wanted);
      row.hidden = !has;
      more.hidden = !has;
      alerts += Number(has);
    }
    // Paper has no field to look into: what is left out is said where it is missing.
    at("alerts-count").textContent = wanted ? `${alerts} of ${document.querySelectorAll("#alerts tr[data-alert]").length} alerts, found by "${printable(this.wanted.trim())}"` : "";
    if (!wanted) { this.say(""); return; }
    const section = this.model.sections.findIndex((one) => one.id.toLowerCase() === wanted);
    const train = this.model.traces.findIndex((one) => `t${one.number}` === wanted);
    if (section >= 0) this.was.reveal((this.was.view.from + this.was.view.to) / 2, section);
    if (train >= 0) {
      const one = this.was.traces[train];
      this.was.show(one.first - 6e4, Math.min(one.last, this.model.end) + 6e4);
      for (const diagram of this.alike()) { diagram.picked = { kind: "visit", index: train, visit: 0 }; diagram.draw(); }
    }
    this.say(train >= 0 ? this.trainSays(train) : `${found.length} events and ${alerts} alerts have "${this.wanted.trim()}".`);
  }

  trainSays(train) {
    const one = this.model.traces[train];
    const { sections } = this.model;
    return `t${one.number}, numbered by the monitor: ${Array.from(one.sections, (section, i) => `${sections[section].id} ${this.words.moment(one.entered[i])}${one.sure[i] ? "" : " (perhaps)"}`).join(", ")}.`;
  }

  // Alerts.

  alerts() {
    for (const row of document.querySelectorAll("#otherwise tr[data-here], #otherwise tr[data-there]")) {
      row.querySelector("button").addEventListener("click", () => {
        if (row.dataset.there === undefined) this.chooseAlert(Number(row.dataset.here));
        else this.chooseThere(Number(row.dataset.there));
        this.toDiagram();
      });
    }
    for (const row of document.querySelectorAll("#alerts tr[data-alert]")) {
      const index = Number(row.dataset.alert);
      row.querySelector("button").addEventListener("click", () => { this.chooseAlert(index); this.toDiagram(); });
    }
    for (const one of document.querySelectorAll("#alerts [data-event]")) {
      one.addEventListener("click", () => { const i = this.events.find(one.dataset.event); if (i >= 0) this.events.choose(i, true); });
    }
  }

  // What was known, step by step.

  stepping() {
    this.walked = 0;
    const { steps } = this.model;
    if (!at("walk") || !steps.length) return;
    at("walk").addEventListener("change", () => this.walkTo(0));
    at("step-back").addEventListener("click", () => this.walkTo(this.walked - 1));
    at("step-on").addEventListener("click", () => this.walkTo(this.walked + 1));
    at("step-only").addEventListener("change", () => this.walkTo(this.walked, false));
    this.walkTo(0, false);
  }

  walkTo(number, move = true) {
    const walk = this.model.steps[Number(at("walk").value)];
    if (!walk || !walk.steps.length) { at("step-what").textContent = "Nothing happened there."; at("step-said").replaceChildren(); return; }
    this.walked = Math.min(walk.steps.length - 1, Math.max(0, number));
    const step = walk.steps[this.walked];
    const before = new Set(this.walked ? walk.steps[this.walked - 1].said : []);
    at("step-at").textContent = `${this.walked + 1} of ${walk.steps.length}, ${this.words.moment(step.at)}`;
    at("step-what").textContent = printable(step.what);
    at("step-back").disabled = this.walked === 0;
    at("step-on").disabled = this.walked === walk.steps.length - 1;
    const only = at("step-only").checked;
    const list = at("step-said");
    const unfolded = list.querySelector("details")?.open ?? false;
    const kind = this.model.alerts.find((one) => one.record.id === walk.alert)?.record.kind;
    const [mine, section, rest] = [[], [], []];
    list.replaceChildren();
    for (const said of step.said) {
      const anew = !before.has(said);
      // What the detection that is walked to knows is always told, new or not.
      const walked = kind !== undefined && (said.startsWith(`${kind}:`) || said.startsWith(`${kind} (`));
      if (only && !anew && !walked) continue;
      const line = document.createElement("li");
      if (anew && this.walked) line.className = "anew";
      line.textContent = printable(said);
      if (walked) mine.push(line);
      else if (kind === undefined || said.startsWith(`${walk.section} `)) section.push(line);
      else rest.push(line);
    }
    list.append(...mine, ...section);
    if (rest.length) list.append(this.folded(rest, kind, unfolded));
    if (move) {
      const t = Math.min(this.model.end, Math.max(this.model.begin, step.at));
      this.was.reveal(t, this.named.get(walk.section));
      this.follow(this.was);
      this.moveTo(t);
    }
  }

  folded(lines, kind, open) {
    // What is said besides of the section, and by other detections than the one that is walked to.
    const line = document.createElement("li");
    const details = document.createElement("details");
    const summary = document.createElement("summary");
    const inner = document.createElement("ul");
    summary.textContent = `${lines.length} more: of clocks and sources, and by other detections than ${kind}`;
    inner.append(...lines);
    details.open = open;
    details.append(summary, inner);
    line.append(details);
    return line;
  }

  // Tools.

  tools() {
    const { was } = this;
    at("whole").addEventListener("click", () => was.show(...was.most));
    at("nearer").addEventListener("click", () => was.zoom(0.5));
    at("farther").addEventListener("click", () => was.zoom(2));
    at("earlier").addEventListener("click", () => was.pan(-0.3));
    at("later").addEventListener("click", () => was.pan(0.3));
    at("into").addEventListener("click", () => { if (was.span) was.show(...was.span); });
    at("brush").addEventListener("click", () => {
      const on = at("brush").getAttribute("aria-pressed") !== "true";
      at("brush").setAttribute("aria-pressed", String(on));
      for (const one of this.diagrams()) { one.brushing = on; one.canvas.classList.toggle("brushing", on); }
    });
    at("unbrush").addEventListener("click", () => this.brushed(null));
    at("by").value = was.by;
    at("by").addEventListener("change", () => { for (const one of this.diagrams()) one.order(at("by").value); });
    at("truth").addEventListener("change", () => this.truth());
    at("search").addEventListener("change", () => this.search());
    at("search").addEventListener("keydown", (event) => { if (event.key === "Enter") this.search(); });
    const scrub = at("scrub");
    scrub.max = String(Math.max(1, Math.round(this.model.end - this.model.begin)));
    scrub.addEventListener("input", () => { this.moveTo(this.model.begin + Number(scrub.value)); });
    at("event-back").addEventListener("click", () => this.hop(-1));
    at("event-on").addEventListener("click", () => this.hop(1));
    window.addEventListener("beforeprint", () => this.paper(true));
    window.addEventListener("afterprint", () => this.paper(false));
    window.addEventListener("hashchange", () => this.start());
  }

  truth() {
    const which = at("truth").value;
    at("was").parentElement.hidden = which === "then";
    at("then").parentElement.hidden = which === "was" || which === "beside";
    if (this.other !== null) at("other").parentElement.hidden = which !== "beside";
    for (const one of this.diagrams()) one.fit();
    this.moveTo(this.cursor);
  }

  hop(direction) {
    // To the event after the one at the cursor, or before it, by time and then as they came.
    const { time } = this.model.events;
    const { chosen } = this.events;
    const here = chosen >= 0 && Math.abs(this.within(time[chosen]) - this.cursor) < 1 ? chosen : direction > 0 ? -1 : time.length;
    const now = here === chosen && chosen >= 0 ? time[chosen] : this.cursor;
    const beyond = (i) => (time[i] - now) * direction > 0 || (time[i] === now && (i - here) * direction > 0);
    let best = -1;
    for (let i = 0; i < time.length; i += 1) {
      if (!beyond(i)) continue;
      const nearer = best < 0 ? 1 : (time[best] - time[i]) * direction;
      if (nearer > 0 || (nearer === 0 && direction < 0)) best = i;
    }
    if (best >= 0) this.events.choose(best, true);
  }

  within(t) { return Math.min(this.model.end, Math.max(this.model.begin, t)); }

  paper(on) {
    document.documentElement.toggleAttribute("data-paper", on);
    for (const one of document.querySelectorAll("#alerts details")) one.open = on;
    if (on) this.events.all(PRINTED); else this.events.seen();
    for (const one of this.diagrams()) { one.colours(); one.onPaper(on); }
  }

  // Where one is stands in the address, so that it can be sent to somebody.

  address() {
    if (!this.started) return;
    const { view } = this.was;
    const found = new URLSearchParams({ a: Math.round(view.from), z: Math.round(view.to), t: Math.round(this.cursor) });
    if (this.was.span) found.set("w", this.was.span.map(Math.round).join("-"));
    clearTimeout(this.later);
    this.later = setTimeout(() => history.replaceState(null, "", `#${found}`), 200);
  }

  gravest() {
    const rank = (one) => RANKS[one.record.priority] ?? 0;
    return this.model.alerts.reduce((best, one) => (best === undefined || rank(one) > rank(best) ? one : best), undefined);
  }

  start() {
    const asked = new URLSearchParams(location.hash.slice(1));
    const number = (name) => (asked.has(name) && Number.isFinite(Number(asked.get(name))) ? Number(asked.get(name)) : null);
    if (number("a") !== null && number("z") !== null) this.was.show(number("a"), number("z"));
    this.moveTo(number("t") ?? Math.max(this.model.begin, this.gravest()?.raised ?? this.model.begin));
    const range = asked.get("w")?.split("-").map(Number);
    if (range?.length === 2 && range.every(Number.isFinite)) this.brushed(range);
    const section = this.named.get(document.body.dataset.section ?? "");
    if (section !== undefined) this.was.reveal(this.cursor, section);
    this.started = true;
    this.follow(this.was);
  }
}

class Events {
  // The table of events: however many there are, only the rows that are seen are made.
  constructor(report) {
    this.report = report;
    this.box = at("events-box");
    this.body = document.querySelector("#events tbody");
    this.which = null;
    this.chosen = -1;
    this.box.addEventListener("scroll", () => this.paint());
    this.body.addEventListener("click", (event) => {
      const row = event.target.closest("tr[data-event]");
      if (row) this.choose(Number(row.dataset.event), true);
    });
    this.box.addEventListener("keydown", (event) => {
      const by = { ArrowDown: 1, ArrowUp: -1 }[event.key];
      if (!by) return;
      event.preventDefault();
      this.move(by);
    });
    new ResizeObserver(() => this.paint()).observe(this.box);
    this.show(null);
  }

  get count() { return this.which === null ? this.report.model.events.count : this.which.length; }

  at(place) { return this.which === null ? place : this.which[place]; }

  placeOf(event) { return this.which === null ? event : this.which.indexOf(event); }

  show(which) {
    this.which = which;
    const all = this.report.model.events.count;
    at("events-count").textContent = which === null ? `${all.toLocaleString("en")} events` : `${which.length.toLocaleString("en")} of ${all.toLocaleString("en")} events, ${this.report.foundBy()}`;
    this.counted = at("events-count").textContent;
    at("events").setAttribute("aria-rowcount", String(this.count + 1));
    this.box.scrollTop = 0;
    this.paint();
  }

  find(name) {
    const { model } = this.report;
    for (let i = 0; i < model.events.count; i += 1) if (eventName(model, i) === name) return i;
    return -1;
  }

  move(by) {
    const place = Math.min(this.count - 1, Math.max(0, (this.chosen < 0 ? -1 : this.placeOf(this.chosen)) + by));
    if (this.count) this.choose(this.at(place), true);
  }

  choose(event, move) {
    this.chosen = event;
    let place = this.placeOf(event);
    if (place < 0) { this.show(null); place = event; }
    const y = place * ROW_PX;
    if (y < this.box.scrollTop || y + 2 * ROW_PX > this.box.scrollTop + this.box.clientHeight) {
      this.box.scrollTop = y - this.box.clientHeight / 2;
    }
    this.paint();
    if (move) this.report.choose(event);
  }

  to(t) {
    // Near the moment, where nothing is chosen there.
    const { time, count } = this.report.model.events;
    if (this.chosen >= 0 && Math.abs(time[this.chosen] - t) < 1) return;
    if (this.which !== null || !count) return;
    this.box.scrollTop = Math.max(0, after(time, t) - 3) * ROW_PX;
    this.paint();
  }

  paint() {
    const first = Math.max(0, Math.floor(this.box.scrollTop / ROW_PX) - SPARE);
    const last = Math.min(this.count, Math.ceil((this.box.scrollTop + this.box.clientHeight) / ROW_PX) + SPARE);
    this.rows(first, last);
  }

  /** All rows, as paper has them, up to so many; what is left out is said. */
  all(most) {
    this.rows(0, Math.min(this.count, most));
    if (this.count > most) at("events-count").textContent = `${this.counted}; the first ${most} of them are printed`;
  }

  seen() {
    at("events-count").textContent = this.counted;
    this.paint();
  }

  rows(first, last) {
    const rows = [this.space(first * ROW_PX)];
    for (let place = first; place < last; place += 1) rows.push(this.row(place));
    rows.push(this.space((this.count - last) * ROW_PX));
    this.body.replaceChildren(...rows.filter(Boolean));
  }

  space(height) {
    if (height <= 0) return null;
    const row = document.createElement("tr");
    row.setAttribute("aria-hidden", "true");
    row.className = "space";
    const cell = row.insertCell();
    cell.colSpan = 4;
    cell.style.height = `${height}px`;
    return row;
  }

  row(place) {
    const event = this.at(place);
    const row = document.createElement("tr");
    row.dataset.event = String(event);
    row.setAttribute("aria-rowindex", String(place + 2));
    if (event === this.chosen) row.dataset.chosen = "";
    for (const text of this.report.cellsOf(event)) row.insertCell().textContent = printable(text);
    return row;
  }
}

async function open() {
  const held = at("data");
  const packed = held !== null ? JSON.parse(held.textContent).packed : new Uint8Array(await (await fetch(document.body.dataset.from)).arrayBuffer());
  const report = new Report(await unpack(packed));
  document.documentElement.toggleAttribute("data-ready", true);
  return report;
}

open().catch((error) => {
  at("focus").textContent = `The diagram cannot be drawn: ${error.message}. The tables of alerts stand as they are.`;
  throw error;
});
