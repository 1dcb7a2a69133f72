// The time-distance diagram on a canvas: time across, the line up and down, a row a section.
// Clear is a thin line, a train or vehicle a dark bar, colour a fault, hatching what is not known, a dashed outline work.
// It draws what it is given and says where it was pointed at; what that means is said by whoever made it.

import { AXIS, GUTTER, LANE, after, bar, merged, rowAt, ticks, timeAt, within, xOf, yOf, zoomed } from "./geometry.js";

const LEAST_MS = 200; // no finer than that: events are stamped to the millisecond
const ROW = { least: 22, most: 40 };
const PAPER = { width: 1046, height: 640 }; // px of a sheet, A4 across, with a line above it
const NEAR = 7; // px, for what is small
const FEW = 700; // visits of trains: so many are drawn with a rim, through which the bars below show
const MANY = 6000; // visits of trains: while something is dragged, so many are not drawn
const AWAY = 2; // rows: a train that goes on farther away has a ring where its line breaks off, and where it goes on
const RING = 3.5; // px
const TURN = 0.15; // of the time in a section in which a train turns back: coming in, and going out
const CHIPS = { urgent: "!", prompt: "P", planned: "D", note: "n" };
const NOT_CLEAR = ["occupied", "awaiting_sweep", "awaiting_acknowledgement", "disturbed"];
const LETTERS = { disturbed: "disturbed", awaiting_sweep: "sweep", awaiting_acknowledgement: "confirm" };

export class Diagram {
  // `words`: { moment(t, fine), offset(t) } in the line's own time.
  // `told`: { view(), pick(item), cursor(t), brush(from, to) }, each called when it changes.
  constructor(canvas, model, words, told = {}) {
    this.canvas = canvas;
    this.pen = canvas.getContext("2d");
    this.model = model;
    this.words = words;
    this.told = told;
    this.known = false; // draw only what had come by the cursor
    this.cursor = model.end;
    this.picked = null;
    this.span = null; // what is brushed
    this.brushing = false;
    this.focus = 0; // the row that keys are about
    this.most = [model.begin, Math.max(model.end, model.begin + 1000)];
    this.view = { from: this.most[0], to: this.most[1], top: 0, rowHeight: ROW.least, width: 600, height: 400 };
    this.kinds = new Map(model.spans.kinds.map((name, i) => [name, i]));
    this.traces = model.traces.map((one) => ({ ...one, first: one.entered[0], last: Math.max(...one.left) }));
    this.visits = this.traces.reduce((sum, one) => sum + one.sections.length, 0);
    // Where the line has more than one track or a branch, neighbours by place would stand rows apart.
    this.order(model.sections.some((one) => one.row !== model.sections[0].row) ? "track" : "place");
    this.colours();
    this.listen();
    this.fit();
  }

  // What is shown.

  order(by) {
    const all = this.model.sections.map((one, i) => i);
    const keys = by === "track" ? ["along", "row"] : ["column", "row"];
    const of = (i) => this.model.sections[i];
    all.sort((a, b) => of(a)[keys[0]] - of(b)[keys[0]] || of(a)[keys[1]] - of(b)[keys[1]] || a - b);
    this.by = by;
    this.rows = all;
    this.rowOf = new Int32Array(all.length);
    all.forEach((section, row) => { this.rowOf[section] = row; });
    this.marksOf = this.rows.map(() => []);
    this.model.marks.forEach((one, i) => this.marksOf[this.rowOf[one.section]].push(i));
    const named = new Map(this.model.sections.map((one, i) => [one.id, i]));
    this.flags = this.model.alerts.map((one) => {
      const subject = one.record.subject.replace(/^section\//, "");
      const section = named.get(subject) ?? named.get(one.sections[0]);
      return { row: section === undefined ? -1 : this.rowOf[section], at: one.raised };
    });
    this.draw();
  }

  colours() {
    const style = getComputedStyle(this.canvas);
    const of = (name) => style.getPropertyValue(name).trim();
    this.ink = Object.fromEntries(
      ["panel", "ground", "ink", "second", "clear", "train", "on-train", "urgent", "on-urgent", "prompt", "prompt-edge",
        "on-prompt", "planned", "on-planned", "hatch", "ring", "answer"].map((name) => [name, of(`--${name}`)]),
    );
    this.hatch = null;
  }

  fit() {
    // The canvas follows its element; all else is in px of that.
    if (this.paper) return;
    const box = this.canvas.getBoundingClientRect();
    const ratio = window.devicePixelRatio || 1;
    const width = Math.max(GUTTER + 60, Math.round(box.width));
    const height = Math.max(AXIS + LANE + 40, Math.round(box.height));
    this.size(width, height, ratio);
    const room = (height - AXIS - LANE) / Math.max(1, this.rows.length);
    this.view.rowHeight = Math.min(ROW.most, Math.max(ROW.least, room));
    this.scroll(0);
  }

  onPaper(on) {
    // Paper cannot be scrolled: as many sheets as the rows need, in place of the canvas.
    for (const one of this.sheets ?? []) one.remove();
    this.sheets = [];
    this.paper = on && !this.canvas.parentElement.hidden;
    this.canvas.hidden = this.paper;
    if (!this.paper) { this.fit(); this.waiting = false; this.paint(); return; }
    const { top } = this.view;
    const fit = Math.floor((PAPER.height - AXIS - LANE) / ROW.least);
    const each = Math.ceil(this.rows.length / Math.ceil(this.rows.length / fit));
    this.view.rowHeight = Math.min(ROW.most, (PAPER.height - AXIS - LANE) / each);
    for (let row = 0; row < this.rows.length; row += each) {
      const rows = Math.min(each, this.rows.length - row);
      this.size(PAPER.width, AXIS + LANE + Math.ceil(rows * this.view.rowHeight), 2);
      this.view.top = row * this.view.rowHeight;
      this.paint();
      this.sheets.push(this.copied());
    }
    this.view.top = top;
  }

  copied() {
    // A picture and no more: what is drawn while it prints a browser draws again by itself, and to another size.
    const sheet = document.createElement("canvas");
    const { width, height } = this.canvas;
    Object.assign(sheet, { className: "diagram", width, height });
    sheet.setAttribute("aria-hidden", "true");
    const picture = new OffscreenCanvas(width, height);
    picture.getContext("2d").drawImage(this.canvas, 0, 0);
    sheet.getContext("bitmaprenderer").transferFromImageBitmap(picture.transferToImageBitmap());
    this.canvas.before(sheet);
    return sheet;
  }

  size(width, height, ratio) {
    this.canvas.width = width * ratio;
    this.canvas.height = height * ratio;
    this.ratio = ratio;
    this.view.width = width;
    this.view.height = height;
  }

  scroll(by) {
    const all = this.rows.length * this.view.rowHeight;
    const most = Math.max(0, all - (this.view.height - AXIS - LANE));
    this.view.top = Math.min(most, Math.max(0, this.view.top + by));
    this.draw();
  }

  show(from, to) {
    Object.assign(this.view, within({ from, to: Math.max(to, from + LEAST_MS) }, this.most));
    this.told.view?.(this.view);
    this.draw();
  }

  zoom(by, t = (this.view.from + this.view.to) / 2) {
    const span = zoomed(this.view, by, t, LEAST_MS, this.most);
    this.show(span.from, span.to);
  }

  pan(share) {
    const by = (this.view.to - this.view.from) * share;
    this.show(this.view.from + by, this.view.to + by);
  }

  reveal(t, section = null) {
    if (t < this.view.from || t > this.view.to) {
      const half = (this.view.to - this.view.from) / 2;
      this.show(t - half, t + half);
    }
    if (section !== null && section !== undefined) {
      this.focus = this.rowOf[section];
      const y = yOf(this.view, this.focus);
      if (y < AXIS + LANE || y + this.view.rowHeight > this.view.height) {
        this.scroll(y - (AXIS + LANE + this.view.height) / 2);
      }
    }
    this.draw();
  }

  at(t) {
    this.cursor = t;
    this.draw();
  }

  pick(item) {
    this.picked = item;
    this.told.pick?.(item);
    this.draw();
  }

  // Drawing.

  draw() {
    if (this.waiting || this.paper || this.canvas.parentElement.hidden) return;
    this.waiting = true;
    requestAnimationFrame(() => {
      this.waiting = false;
      if (!this.paper) this.paint();
    });
  }

  paint() {
    const begun = performance.now();
    const { pen, view } = this;
    pen.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    pen.fillStyle = this.ink.panel;
    pen.fillRect(0, 0, view.width, view.height);
    const first = Math.max(0, Math.floor(view.top / view.rowHeight));
    const last = Math.min(this.rows.length, Math.ceil((view.top + view.height - AXIS - LANE) / view.rowHeight));
    pen.save();
    pen.beginPath();
    pen.rect(GUTTER, AXIS + LANE, view.width - GUTTER, view.height - AXIS - LANE);
    pen.clip();
    this.grid();
    for (let row = first; row < last; row += 1) this.row(row);
    if (!(this.held && this.visits > MANY)) this.trains(first, last);
    for (let row = first; row < last; row += 1) this.resets(row);
    pen.restore();
    this.changed();
    this.names(first, last);
    this.axis();
    this.raised(first, last);
    this.over();
    this.took = performance.now() - begun;
    Object.assign(this.canvas.dataset, {
      from: view.from, to: view.to, top: view.top, rowHeight: view.rowHeight, width: view.width, height: view.height,
      took: this.took.toFixed(1), section: this.model.sections[this.rows[this.focus]]?.id ?? "",
    });
  }

  grid() {
    const { pen, view } = this;
    pen.fillStyle = this.ink.ground;
    for (const t of ticks(view, this.words.offset(view.from))) {
      pen.fillRect(Math.round(xOf(view, t)), AXIS, 1, view.height);
    }
  }

  changed() {
    // From here on something else was in force.
    const { pen, view } = this;
    for (const one of this.model.changes) {
      const x = Math.round(xOf(view, one.at));
      if (x < GUTTER || x > view.width) continue;
      pen.strokeStyle = this.ink.ink;
      pen.lineWidth = 2;
      pen.setLineDash([8, 4]);
      pen.beginPath();
      pen.moveTo(x, AXIS);
      pen.lineTo(x, view.height);
      pen.stroke();
      pen.setLineDash([]);
      this.word("other settings or line file", x + 6, AXIS + LANE / 2, "ink", true);
    }
  }

  row(row) {
    const { pen, view } = this;
    const section = this.rows[row];
    const y = yOf(view, row);
    const middle = Math.round(y + view.rowHeight / 2);
    if (row && this.model.sections[section].way !== this.model.sections[this.rows[row - 1]].way && this.by === "track") {
      pen.fillStyle = this.ink.second;
      pen.fillRect(0, Math.round(y), view.width, 1);
    }
    pen.fillStyle = this.ink.clear;
    const end = this.known ? Math.min(view.width, xOf(view, this.cursor)) : view.width;
    if (end > GUTTER) pen.fillRect(GUTTER, middle - 1, end - GUTTER, 3);
    this.waits(row, section);
    for (const name of NOT_CLEAR) this.bars(row, section, name);
    this.unknown(row, section);
    this.work(row, section);
  }

  spans(section, name) {
    // What is seen of a kind: starts, ends, and which they are; as it was, or as was known by the cursor.
    const kind = this.kinds.get(name);
    if (kind === undefined) return null;
    const all = this.model.spans.of[section][kind];
    const last = after(all.began, this.view.to);
    let first = after(all.ended, this.view.from);
    if (!this.known) return first < last ? { ...all, first, last } : null;
    first = 0;
    const known = { index: [], began: [], ended: [] };
    for (let i = 0; i < last; i += 1) {
      const which = all.index[i];
      if (this.model.spans.heard[which] > this.cursor) continue;
      const over = this.model.spans.heardEnd[which] <= this.cursor;
      const ended = over ? all.ended[i] : this.cursor;
      if (ended < this.view.from || all.began[i] > ended) continue;
      known.index.push(which);
      known.began.push(all.began[i]);
      known.ended.push(ended);
    }
    return known.index.length ? { ...known, first, last: known.index.length } : null;
  }

  bars(row, section, name) {
    const found = this.spans(section, name);
    if (found === null) return;
    const { pen, view } = this;
    const runs = merged(view, found.began, found.ended, found.first, found.last);
    const tall = Math.max(2, Math.round(view.rowHeight * 0.6));
    const y = Math.round(yOf(view, row) + (view.rowHeight - tall) / 2);
    if (name === "occupied") {
      pen.fillStyle = this.ink.train;
      for (let i = 0; i < runs.length; i += 2) pen.fillRect(runs[i], y, runs[i + 1] - runs[i], tall);
      return;
    }
    const fault = name === "disturbed";
    for (let i = 0; i < runs.length; i += 2) {
      const width = runs[i + 1] - runs[i];
      pen.fillStyle = fault ? this.ink["prompt-edge"] : this.ink.train;
      pen.fillRect(runs[i], y - 2, width, tall + 4);
      if (width > 3) {
        pen.fillStyle = fault ? this.ink.prompt : this.ink.panel;
        pen.fillRect(runs[i] + 1, y, width - 2, tall);
      }
      if (width > 100) this.word(LETTERS[name], runs[i] + 24, y + tall / 2, fault ? "on-prompt" : "ink");
    }
  }

  waits(row, section) {
    // Since its reset no train has followed: what it shows is in doubt, and whatever it shows lies over this.
    const found = this.spans(section, "waits-for-train");
    if (found === null) return;
    const { pen, view } = this;
    const runs = merged(view, found.began, found.ended, found.first, found.last);
    const tall = Math.max(4, Math.round(view.rowHeight * 0.6));
    const y = Math.round(yOf(view, row) + (view.rowHeight - tall) / 2);
    for (let i = 0; i < runs.length; i += 2) {
      const width = runs[i + 1] - runs[i];
      pen.fillStyle = this.ink.panel;
      pen.fillRect(runs[i], y, width, tall);
      pen.globalAlpha = 0.35;
      pen.fillStyle = this.ink.prompt;
      pen.fillRect(runs[i], y, width, tall);
      pen.globalAlpha = 1;
      pen.strokeStyle = this.ink["prompt-edge"];
      pen.lineWidth = 1.5;
      pen.setLineDash([2, 2]);
      pen.strokeRect(runs[i] + 0.75, y + 0.75, Math.max(1, width - 1.5), tall - 1.5);
      pen.setLineDash([]);
      if (width > 90) this.word("clear?", runs[i] + 14, y + tall / 2 + 1, "ink");
    }
  }

  unknown(row, section) {
    const found = this.spans(section, "not-known");
    if (found === null) return;
    const { pen, view } = this;
    const runs = merged(view, found.began, found.ended, found.first, found.last);
    const y = Math.round(yOf(view, row));
    for (let i = 0; i < runs.length; i += 2) {
      pen.fillStyle = this.hatching();
      pen.fillRect(runs[i], y + 2, runs[i + 1] - runs[i], view.rowHeight - 4);
    }
  }

  hatching() {
    if (this.hatch !== null) return this.hatch;
    const tile = document.createElement("canvas");
    tile.width = 10;
    tile.height = 10;
    const pen = tile.getContext("2d");
    pen.fillStyle = this.ink.panel;
    pen.fillRect(0, 0, 10, 10);
    pen.strokeStyle = this.ink.hatch;
    pen.lineWidth = 2.5;
    for (const x of [-10, 0, 10]) {
      pen.beginPath();
      pen.moveTo(x - 1, 11);
      pen.lineTo(x + 11, -1);
      pen.stroke();
    }
    this.hatch = this.pen.createPattern(tile, "repeat");
    return this.hatch;
  }

  work(row, section) {
    const found = this.spans(section, "work");
    if (found === null) return;
    const { pen, view } = this;
    const y = Math.round(yOf(view, row));
    pen.strokeStyle = this.ink.ink;
    pen.lineWidth = 1.5;
    pen.setLineDash([4, 2]);
    for (let i = found.first; i < found.last; i += 1) {
      const x = xOf(view, Math.max(found.began[i], view.from - 1));
      const to = xOf(view, Math.min(found.ended[i], view.to + (view.to - view.from)));
      pen.strokeRect(x, y + 1.5, to - x, view.rowHeight - 3);
    }
    pen.setLineDash([]);
  }

  trains(first, last) {
    // The front of each train: through the edge of a section when it enters, level where it stands behind it.
    // Where the next section does not stand beside it no line runs through the rows between, which it never touched.
    const { pen, view } = this;
    const coarse = view.rowHeight / 2;
    let drawn = 0;
    for (const sure of [true, false]) {
      pen.beginPath();
      for (const trace of this.traces) {
        if (trace.first > view.to || trace.last < view.from) continue;
        drawn += this.trace(trace, sure, first, last, coarse);
      }
      pen.lineJoin = "round";
      pen.setLineDash(sure ? [] : [5, 4]);
      const few = drawn < FEW;
      if (few) {
        pen.strokeStyle = this.ink.panel;
        pen.lineWidth = 4;
        pen.stroke();
      }
      pen.strokeStyle = few ? this.ink.ink : this.ink.second;
      pen.lineWidth = few ? 2 : 1;
      pen.stroke();
    }
    pen.setLineDash([]);
    if (drawn < 400) this.numbers(first, last);
  }

  trace(trace, sure, first, last, coarse) {
    const { pen, view } = this;
    let drawn = 0;
    const count = trace.sections.length;
    const ring = (x, y) => { pen.moveTo(x + RING, y); pen.arc(x, y, RING, 0, 2 * Math.PI); };
    for (let i = 0; i < count; i += 1) {
      if (this.known && trace.heard[i] > this.cursor) break;
      const row = this.rowOf[trace.sections[i]];
      const middle = yOf(view, row) + view.rowHeight / 2;
      const x = xOf(view, trace.entered[i]);
      const next = i + 1 < count ? trace.entered[i + 1] : Math.min(trace.left[i], this.most[1]);
      const to = xOf(view, next);
      const before = i ? this.rowOf[trace.sections[i - 1]] : row;
      const y = i ? middle - Math.sign(row - before) * coarse : middle;
      const beyond = i + 1 < count ? this.rowOf[trace.sections[i + 1]] : row;
      const end = middle + Math.sign(beyond - row) * coarse;
      const seen = to >= GUTTER && x <= view.width && row >= first - 1 && row <= last;
      if (seen && Boolean(trace.sure[i]) === sure) {
        if (Math.abs(row - before) > AWAY) ring(x, y);
        pen.moveTo(x, y);
        // It turned there: the line goes into the row, not along its edge.
        if (y === end && y !== middle) { const by = (to - x) * TURN; pen.lineTo(x + by, middle); pen.lineTo(to - by, middle); }
        pen.lineTo(to, end);
        if (Math.abs(beyond - row) > AWAY) ring(to, end);
        drawn += 1;
      }
    }
    return drawn;
  }

  numbers(first, last) {
    const { view } = this;
    for (const trace of this.traces) {
      let named = false;
      for (let i = 0; i < trace.sections.length; i += 1) {
        const row = this.rowOf[trace.sections[i]];
        const x = xOf(view, trace.entered[i]);
        if (x < GUTTER || x > view.width - 40 || row < first || row >= last) continue;
        if (this.known && trace.heard[i] > this.cursor) break;
        const away = i ? Math.abs(row - this.rowOf[trace.sections[i - 1]]) > AWAY : false;
        if (!named || away) this.word(`t${trace.number}`, x + 4, yOf(view, row) + 8, "ink", true);
        named = true;
      }
    }
  }

  resets(row) {
    const { pen, view } = this;
    const y = yOf(view, row);
    for (const i of this.marksOf[row]) {
      const one = this.model.marks[i];
      if (one.at < view.from || one.at > view.to || (this.known && one.heard > this.cursor)) continue;
      const x = Math.round(xOf(view, one.at));
      pen.fillStyle = this.ink.panel;
      pen.fillRect(x - 2, y + 1, 5, view.rowHeight - 2);
      pen.fillStyle = this.ink.ink;
      pen.fillRect(x - 1, y + 1, 3, view.rowHeight - 2);
      this.arrow(one.step, x, y + view.rowHeight / 2);
    }
  }

  arrow(step, x, y) {
    // Accepted points down: the tally is set down to nought.  Restored points up: the section is taken again.
    const { pen } = this;
    pen.beginPath();
    if (step === "restored") { pen.moveTo(x - 6, y + 5); pen.lineTo(x + 7, y + 5); pen.lineTo(x + 0.5, y - 6); }
    else if (step === "refused") { pen.moveTo(x - 5, y - 5); pen.lineTo(x + 6, y + 6); pen.moveTo(x + 6, y - 5); pen.lineTo(x - 5, y + 6); }
    else { pen.moveTo(x - 6, y - 5); pen.lineTo(x + 7, y - 5); pen.lineTo(x + 0.5, y + 6); }
    pen.closePath();
    pen.lineWidth = 2;
    pen.strokeStyle = this.ink.ink;
    pen.fillStyle = step === "accepted" || step === "restored" ? this.ink.ink : this.ink.panel;
    pen.fill();
    pen.stroke();
  }

  raised(first, last) {
    const { pen, view } = this;
    pen.save();
    pen.beginPath();
    pen.rect(GUTTER - 10, AXIS, view.width - GUTTER + 10, view.height - AXIS);
    pen.clip();
    this.model.alerts.forEach((one, i) => {
      const { row } = this.flags[i];
      const x = this.flagX(i);
      if (x === null || one.began > view.to) return;
      if (row >= 0 && (row < first || row >= last)) return;
      const y = this.flagAt(row);
      if (one.record.priority === "urgent") this.stood(one, row);
      if (one.raised < view.from) { this.chip(one.record.priority, x, y); return; }
      pen.strokeStyle = this.ink.ink;
      pen.lineWidth = 1.5;
      pen.beginPath();
      pen.moveTo(Math.max(GUTTER, xOf(view, one.began)), y + 6);
      pen.lineTo(x, y + 6);
      pen.moveTo(x, y + 6);
      pen.lineTo(x, y + 6 + view.rowHeight / 2);
      pen.stroke();
      this.chip(one.record.priority, x, y);
      if (one.way) this.word(one.way, x + 14, y, "ink", true);
    });
    pen.restore();
  }

  overAt(one) {
    // When an alert was over or closed; as known then, not before that could be known.
    if (!this.known) return one.over;
    return one.overHeard <= this.cursor ? one.over : this.cursor;
  }

  flagX(i) {
    // Where the flag of an alert stands: where it was raised, or at the left edge where it was open by then; null where nowhere.
    const one = this.model.alerts[i];
    const { view } = this;
    if (this.known && one.lines[0][0] > this.cursor) return null;
    if (one.raised >= view.from) return xOf(view, one.raised);
    return this.overAt(one) > view.from ? GUTTER + 12 : null;
  }

  stood(one, row) {
    // How long an urgent alert was open, along the foot of its row.
    const { pen, view } = this;
    if (row < 0) return;
    const end = Math.min(this.overAt(one), this.most[1]);
    const x = Math.max(GUTTER, xOf(view, one.raised));
    const to = Math.min(view.width, xOf(view, end));
    if (to <= x) return;
    pen.fillStyle = this.ink.urgent;
    pen.fillRect(x, Math.round(yOf(view, row) + view.rowHeight) - 5, to - x, 4);
  }

  flagAt(row) {
    return row < 0 ? AXIS + LANE / 2 : Math.max(AXIS + LANE + 2, yOf(this.view, row)) - 4;
  }

  chip(priority, x, y) {
    const { pen } = this;
    pen.beginPath();
    if (priority === "urgent") {
      for (let i = 0; i < 6; i += 1) pen.lineTo(x + 11 * Math.cos((i * Math.PI) / 3), y + 11 * Math.sin((i * Math.PI) / 3));
      pen.closePath();
    } else if (priority === "prompt") pen.rect(x - 9, y - 8, 18, 16);
    else pen.ellipse(x, y, 11, 8, 0, 0, 2 * Math.PI);
    pen.strokeStyle = this.ink.panel;
    pen.lineWidth = 4;
    pen.stroke();
    pen.fillStyle = { urgent: this.ink.urgent, prompt: this.ink.prompt, planned: this.ink.planned }[priority] ?? this.ink.panel;
    pen.fill();
    pen.strokeStyle = priority === "prompt" ? this.ink["prompt-edge"] : priority === "note" ? this.ink.second : pen.fillStyle;
    pen.lineWidth = 2;
    pen.stroke();
    const over = { urgent: "on-urgent", prompt: "on-prompt", planned: "on-planned" }[priority] ?? "ink";
    pen.textAlign = "center";
    this.word(CHIPS[priority] ?? "n", x, y + 1, over);
    pen.textAlign = "start";
  }

  word(text, x, y, colour, halo = false) {
    const { pen } = this;
    pen.font = "16px system-ui, sans-serif";
    pen.textBaseline = "middle";
    if (halo) {
      pen.strokeStyle = this.ink.panel;
      pen.lineWidth = 4;
      pen.strokeText(text, x, y);
    }
    pen.fillStyle = this.ink[colour];
    pen.fillText(text, x, y);
  }

  chosen() {
    // The row of what is picked, else that which keys are about while they are heard here.
    const section = this.picked === null ? null : this.sectionOf(this.picked);
    if (section !== null && section !== undefined) return this.rowOf[section];
    return document.activeElement === this.canvas && this.focus < this.rows.length ? this.focus : null;
  }

  names(first, last) {
    const { pen, view } = this;
    pen.fillStyle = this.ink.panel;
    pen.fillRect(0, AXIS + LANE, GUTTER, view.height);
    const chosen = this.chosen();
    const beside = new Set(chosen === null ? [] : this.model.sections[this.rows[chosen]].beside);
    for (let row = first; row < last; row += 1) {
      const y = yOf(view, row) + view.rowHeight / 2;
      const one = this.model.sections[this.rows[row]];
      if (row === chosen) {
        pen.fillStyle = this.ink.ring;
        pen.fillRect(0, y - view.rowHeight / 2, 5, view.rowHeight);
      } else if (beside.has(this.rows[row])) {
        pen.strokeStyle = this.ink.ring;
        pen.lineWidth = 2;
        pen.strokeRect(1, y - view.rowHeight / 2 + 3, 5, view.rowHeight - 6);
      }
      pen.save();
      pen.beginPath();
      pen.rect(0, AXIS + LANE, GUTTER - 4, view.height);
      pen.clip();
      this.word(printable(one.id), 10, y, "ink");
      pen.restore();
    }
    pen.fillStyle = this.ink.panel;
    pen.fillRect(0, AXIS, GUTTER, LANE);
    this.word("feed, assets", 10, AXIS + LANE / 2, "second");
    pen.fillStyle = this.ink.clear;
    pen.fillRect(0, AXIS + LANE, view.width, 1);
    pen.fillRect(GUTTER - 1, AXIS, 1, view.height);
  }

  axis() {
    const { pen, view } = this;
    pen.fillStyle = this.ink.panel;
    pen.fillRect(0, 0, view.width, AXIS);
    pen.fillStyle = this.ink.clear;
    pen.fillRect(0, AXIS - 1, view.width, 1);
    for (const t of ticks(view, this.words.offset(view.from))) {
      const x = Math.round(xOf(view, t));
      pen.fillRect(x, AXIS - 7, 1, 7);
      const text = this.words.tick(t, view.to - view.from);
      if (x + 80 < view.width + 30) this.word(text, Math.min(x + 4, view.width - 82), AXIS / 2 - 1, "second");
      pen.fillStyle = this.ink.clear;
    }
    this.word(this.words.day(view.from), 10, AXIS / 2 - 1, "ink");
  }

  over() {
    // What the reader put there: the brushed window, the cursor, what is picked.
    const { pen, view } = this;
    if (this.span !== null) {
      const x = Math.max(GUTTER, xOf(view, this.span[0]));
      const to = Math.min(view.width, xOf(view, this.span[1]));
      if (to > x) {
        pen.globalAlpha = 0.14;
        pen.fillStyle = this.ink.ring;
        pen.fillRect(x, AXIS, to - x, view.height);
        pen.globalAlpha = 1;
        pen.fillRect(x, AXIS, 2, view.height);
        pen.fillRect(to - 2, AXIS, 2, view.height);
      }
    }
    const x = Math.round(xOf(view, this.cursor));
    if (x >= GUTTER && x <= view.width) {
      pen.fillStyle = this.ink.ink;
      pen.fillRect(x, AXIS - 10, 1, view.height);
      pen.beginPath();
      pen.moveTo(x - 6, AXIS - 12);
      pen.lineTo(x + 7, AXIS - 12);
      pen.lineTo(x + 0.5, AXIS - 2);
      pen.fill();
    }
    const box = this.picked === null ? null : this.boxOf(this.picked);
    if (box !== null) {
      pen.strokeStyle = this.ink.ring;
      pen.lineWidth = 3;
      pen.strokeRect(box.x - 3, box.y - 3, box.width + 6, box.height + 6);
    }
  }

  boxOf(item) {
    const { view } = this;
    if (item.kind === "span") {
      const { spans } = this.model;
      const from = item.edge === "end" ? spans.ended[item.index] : spans.began[item.index];
      return bar(view, this.rowOf[spans.section[item.index]], from, spans.ended[item.index]);
    }
    if (item.kind === "visit") {
      const trace = this.traces[item.index];
      return bar(view, this.rowOf[trace.sections[item.visit]], trace.entered[item.visit], trace.left[item.visit]);
    }
    const flag = item.kind === "alert" ? this.flags[item.index] : null;
    const x = flag !== null ? this.flagX(item.index) : xOf(view, this.model.marks[item.index].at);
    const y = flag !== null ? this.flagAt(flag.row) - 9 : yOf(view, this.rowOf[this.model.marks[item.index].section]) + 2;
    return x === null || x < GUTTER || x > view.width ? null : { x: x - 9, y, width: 18, height: 18 };
  }

  // Pointing.

  hit(x, y) {
    const { view, model } = this;
    for (let i = 0; i < this.flags.length; i += 1) {
      const at = this.flagX(i);
      if (at !== null && Math.abs(at - x) < 12 && Math.abs(this.flagAt(this.flags[i].row) - y) < 10) return { kind: "alert", index: i };
    }
    const row = rowAt(view, y, this.rows.length);
    if (row === null || row < 0 || x < GUTTER) return null;
    this.focus = row;
    for (const i of this.marksOf[row]) if (Math.abs(xOf(view, model.marks[i].at) - x) < NEAR) return { kind: "mark", index: i };
    return this.spanAt(this.rows[row], timeAt(view, x), (NEAR / (view.width - GUTTER)) * (view.to - view.from));
  }

  spanAt(section, t, near) {
    // The span there, else the nearest that is near.
    let best = null;
    let least = near;
    this.model.spans.of[section].forEach((list) => {
      const i = after(list.began, t);
      for (const j of [i - 1, i]) {
        if (j < 0 || j >= list.index.length) continue;
        const away = Math.max(0, list.began[j] - t, t - list.ended[j]);
        if (away < least || (away === 0 && best === null)) {
          best = { kind: "span", index: list.index[j] };
          least = away;
        }
      }
    });
    return best;
  }

  next(direction) {
    // What comes next, or came before, in the row that keys are about: resets, and each change of what is shown.
    const now = this.picked === null ? [direction > 0 ? this.view.from : this.view.to, direction > 0 ? -1 : 4, 0] : this.placeOf(this.picked);
    const beyond = (one, other) => {
      const i = one.findIndex((value, place) => value !== other[place]);
      return i >= 0 && (one[i] - other[i]) * direction > 0;
    };
    let best = null;
    for (const one of this.stops(this.focus)) {
      const place = this.placeOf(one);
      if (beyond(place, now) && (best === null || beyond(best.place, place))) best = { one, place };
    }
    return best?.one ?? null;
  }

  stops(row) {
    // Where something changes in a row: each reset, each beginning, and each end after which nothing else begins at once.
    const { spans } = this.model;
    const work = this.kinds.get("work");
    const found = this.marksOf[row].map((index) => ({ kind: "mark", index }));
    const of = spans.of[this.rows[row]];
    const begins = new Set(of.flatMap((list, kind) => (kind === work ? [] : Array.from(list.began))));
    of.forEach((list, kind) => {
      for (let i = 0; i < list.index.length; i += 1) {
        found.push({ kind: "span", index: list.index[i] });
        if (list.ended[i] < this.most[1] && (kind === work || !begins.has(list.ended[i]))) found.push({ kind: "span", index: list.index[i], edge: "end" });
      }
    });
    return found;
  }

  placeOf(item) {
    // In the order in which things are stepped through: a reset before what it brings, an end before a beginning.
    const rank = item.kind === "span" ? (item.edge === "end" ? 1 : 2) : item.kind === "mark" ? 0 : 3;
    return [this.startOf(item), rank, item.index];
  }

  startOf(item) {
    const { model } = this;
    if (item.kind === "span") return item.edge === "end" ? model.spans.ended[item.index] : model.spans.began[item.index];
    if (item.kind === "mark") return model.marks[item.index].at;
    if (item.kind === "alert") return model.alerts[item.index].raised;
    return this.traces[item.index].entered[item.visit];
  }

  sectionOf(item) {
    if (item.kind === "span") return this.model.spans.section[item.index];
    if (item.kind === "mark") return this.model.marks[item.index].section;
    if (item.kind === "visit") return this.traces[item.index].sections[item.visit];
    const { row } = this.flags[item.index];
    return row < 0 ? null : this.rows[row];
  }

  listen() {
    const { canvas } = this;
    canvas.addEventListener("pointerdown", (event) => this.press(event));
    canvas.addEventListener("pointermove", (event) => this.drag(event));
    for (const name of ["pointerup", "pointercancel"]) canvas.addEventListener(name, (event) => this.release(event));
    canvas.addEventListener("dblclick", (event) => this.zoom(0.4, timeAt(this.view, event.offsetX)));
    canvas.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
    canvas.addEventListener("keydown", (event) => this.key(event));
    for (const name of ["focus", "blur"]) canvas.addEventListener(name, () => this.draw());
    new ResizeObserver(() => this.fit()).observe(canvas);
  }

  press(event) {
    if (event.button !== 0) return;
    this.canvas.setPointerCapture(event.pointerId);
    this.canvas.focus({ preventScroll: true });
    const brush = this.brushing || event.shiftKey;
    this.held = { x: event.offsetX, y: event.offsetY, from: this.view.from, to: this.view.to, top: this.view.top, brush, moved: false };
  }

  drag(event) {
    const { held, view } = this;
    if (!held) return;
    const dx = event.offsetX - held.x;
    const dy = event.offsetY - held.y;
    if (!held.moved && Math.abs(dx) + Math.abs(dy) < 5) return;
    held.moved = true;
    if (held.brush) {
      const span = [timeAt(view, held.x), timeAt(view, event.offsetX)].sort((a, b) => a - b);
      this.span = [Math.max(span[0], this.most[0]), Math.min(span[1], this.most[1])];
      this.draw();
      return;
    }
    const by = (-dx / (view.width - GUTTER)) * (held.to - held.from);
    this.show(held.from + by, held.to + by);
    this.scroll(held.top - dy - view.top);
  }

  release(event) {
    const { held } = this;
    if (!held) return;
    this.held = null;
    if (held.moved && held.brush) this.told.brush?.(this.span);
    else if (!held.moved) {
      const t = timeAt(this.view, event.offsetX);
      if (event.offsetX >= GUTTER) this.told.cursor?.(Math.min(this.most[1], Math.max(this.most[0], t)));
      this.pick(this.hit(event.offsetX, event.offsetY));
    }
    this.draw();
  }

  wheel(event) {
    if (event.ctrlKey || event.offsetY < AXIS) {
      event.preventDefault();
      this.zoom(event.deltaY > 0 ? 1.25 : 0.8, timeAt(this.view, Math.max(GUTTER, event.offsetX)));
    } else if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
      event.preventDefault();
      this.pan(event.deltaX / this.view.width);
    } else if (this.rows.length * this.view.rowHeight > this.view.height - AXIS - LANE) {
      event.preventDefault();
      this.scroll(event.deltaY);
    }
  }

  key(event) {
    const does = {
      ArrowLeft: () => this.pan(-0.15),
      ArrowRight: () => this.pan(0.15),
      ArrowUp: () => this.walk(-1),
      ArrowDown: () => this.walk(1),
      "+": () => this.zoom(0.5, this.cursor >= this.view.from && this.cursor <= this.view.to ? this.cursor : undefined),
      "=": () => this.zoom(0.5),
      "-": () => this.zoom(2),
      Home: () => this.show(...this.most),
      ".": () => this.go(1),
      ",": () => this.go(-1),
      b: () => this.edge(),
      Escape: () => { this.span = null; this.told.brush?.(null); this.pick(null); },
    }[event.key];
    if (does === undefined || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    does();
  }

  walk(by) {
    this.focus = Math.min(this.rows.length - 1, Math.max(0, this.focus + by));
    this.picked = null;
    this.reveal((this.view.from + this.view.to) / 2, this.rows[this.focus]);
    this.told.row?.(this.rows[this.focus]);
  }

  go(direction) {
    const item = this.next(direction);
    if (item === null) return;
    this.reveal(this.startOf(item), this.sectionOf(item));
    this.told.cursor?.(Math.min(this.most[1], Math.max(this.most[0], this.startOf(item))));
    this.pick(item);
  }

  edge() {
    // One edge of the brush at the cursor, then the other.
    if (this.span === null || this.span[0] !== this.span[1]) this.span = [this.cursor, this.cursor];
    else {
      this.span = [this.span[0], this.cursor].sort((a, b) => a - b);
      this.told.brush?.(this.span);
    }
    this.draw();
  }
}

export function printable(text) {
  // Without what turns the direction of writing, or cannot be seen at all.
  return text.replace(/[\p{Cc}\p{Cf}\p{Zl}\p{Zp}\p{Co}\p{Cn}]/gu, (sign) => (/\s/.test(sign) ? " " : "?"));
}
