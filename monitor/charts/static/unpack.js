// From the packed document to columns that can be drawn: the other side of monitor/incident/document.py.

export async function unpack(packed) {
  // `packed`: letters, or bytes, of compressed JSON.
  const bytes = typeof packed === "string" ? letters(packed) : packed;
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
  return read(JSON.parse(await new Response(stream).text()));
}

function letters(text) {
  const raw = atob(text);
  const bytes = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i += 1) bytes[i] = raw.charCodeAt(i);
  return bytes;
}

export function read(found, events = null) {
  const unit = found.unit / 1000; // ms
  const begin = found.begin / 1000;
  const at = (moment) => begin + moment * unit;
  const told = (moment) => (moment === null ? null : at(moment));
  const model = {
    ...found,
    begin,
    end: at(found.length),
    first: told(found.first),
    events: events ?? readEvents(found.events, begin, unit),
    marks: found.marks.map(([section, moment, kind, step, by, event, late]) => ({
      section, at: at(moment), kind, step, by, event, heard: at(moment) + late * unit,
    })),
    traces: found.traces.map((one) => readTrace(one, begin, unit)),
    alerts: found.alerts.map((one) => ({
      ...one,
      began: at(one.began),
      raised: at(one.raised),
      ended: told(one.ended),
      ...overOf(one, at),
      heard: at(one.heard),
      told: told(one.told),
      lines: one.lines.map(([moment, line]) => [at(moment), line]),
      record: JSON.parse(one.lines[one.lines.length - 1][1]),
    })),
    changes: found.changes.map(([moment, what]) => ({ at: at(moment), what })),
    faults: found.faults.map((one) => ({ ...one, began: at(one.began), ended: told(one.ended) })),
    screens: (found.screens ?? []).map((one) => ({
      ...one,
      turns: one.turns.map(([moment, visible, sound, left]) => ({ at: at(moment), visible, sound, left })),
      stale: one.stale.map(([from, to]) => [at(from), to === null ? Infinity : at(to)]),
      had: readHad(one.had, told),
      first: readHad(one.first, told),
    })),
    steps: found.steps.of.map((one) => ({
      ...one,
      steps: one.steps.map(([moment, event, what, said]) => ({
        at: at(moment), event, what, said: said.map((i) => found.steps.sentences[i]),
      })),
    })),
  };
  model.spans = readSpans(found.spans, begin, unit, found.sections.length);
  // The other side of a comparison has the same events, and is stepped through nowhere.
  model.beside = found.beside ? read({ ...found, ...found.beside, beside: null, steps: { of: [], sentences: [] } }, model.events) : null;
  return model;
}

function readHad(had, told) {
  // By alert: when it was painted, and when its fault was by a page that says no more; null where not.
  return new Map(had.map(([alert, painted, fault]) => [alert, { painted: told(painted), fault: told(fault) }]));
}

function overOf(one, at) {
  // When an alert was over, or closed by somebody, and when that could be known.
  if (one.ended !== null) return { over: at(one.ended), overHeard: at(one.lines[one.lines.length - 1][0]) };
  const over = one.closed === null ? Infinity : at(one.closed);
  return { over, overHeard: over };
}

function readEvents(found, begin, unit) {
  const count = found.type.length;
  const time = new Float64Array(count);
  const heard = new Float64Array(count);
  const ids = new Array(count);
  const sequence = new Array(count);
  const lastId = new Map();
  const lastNumber = new Map();
  let moment = 0;
  for (let i = 0; i < count; i += 1) {
    moment += found.time[i];
    time[i] = begin + moment * unit;
    heard[i] = found.late[i] === null ? NaN : time[i] + found.late[i] * unit;
    const source = found.source[i];
    const id = found.id[i];
    if (typeof id === "number") {
      const value = (lastId.get(source) ?? 0) + id;
      lastId.set(source, value);
      ids[i] = String(value);
    } else ids[i] = id;
    const number = found.sequence[i];
    if (number === null) sequence[i] = null;
    else {
      sequence[i] = number >= 2 ** 53 ? number : (lastNumber.get(source) ?? -1) + 1 + number;
      lastNumber.set(source, sequence[i]);
    }
  }
  return {
    count, time, heard, ids, sequence,
    type: found.type, subject: found.subject, source: found.source, text: found.text,
    types: found.types, subjects: found.subjects, sources: found.sources, texts: found.texts,
    retained: new Set(found.retained),
  };
}

function readSpans(found, begin, unit, sections) {
  // By section and kind, in order: what is looked for is found by halving.
  const count = found.section.length;
  const all = {
    count,
    section: found.section,
    kind: found.kind,
    kinds: found.kinds,
    whys: found.whys,
    why: found.why,
    event: found.event,
    until: found.until,
    began: new Float64Array(count),
    ended: new Float64Array(count),
    heard: new Float64Array(count),
    heardEnd: new Float64Array(count),
  };
  const places = Array.from({ length: sections }, () => found.kinds.map(() => []));
  let moment = 0;
  for (let i = 0; i < count; i += 1) {
    moment += found.began[i];
    all.began[i] = begin + moment * unit;
    const lasted = found.lasted[i];
    all.ended[i] = lasted === null ? Infinity : all.began[i] + lasted * unit;
    all.heard[i] = all.began[i] + found.heard[i] * unit;
    all.heardEnd[i] = found.heard_end[i] === null ? Infinity : all.ended[i] + found.heard_end[i] * unit;
    places[found.section[i]][found.kind[i]].push(i);
  }
  all.of = places.map((kinds) => kinds.map((list) => {
    // Plain loops: what is made of functions called a hundred thousand times takes a tenth of a second.
    const one = { index: new Int32Array(list), began: new Float64Array(list.length), ended: new Float64Array(list.length) };
    for (let i = 0; i < list.length; i += 1) {
      one.began[i] = all.began[list[i]];
      one.ended[i] = all.ended[list[i]];
    }
    return one;
  }));
  return all;
}

function readTrace([number, sections, entered, stayed, sure, late], begin, unit) {
  const count = sections.length;
  const trace = {
    number, sure, sections: new Int32Array(sections),
    entered: new Float64Array(count), left: new Float64Array(count), heard: new Float64Array(count),
  };
  let moment = 0;
  for (let i = 0; i < count; i += 1) {
    moment += entered[i];
    trace.entered[i] = begin + moment * unit;
    trace.left[i] = stayed[i] === null ? Infinity : trace.entered[i] + stayed[i] * unit;
    trace.heard[i] = trace.entered[i] + late[i] * unit;
  }
  return trace;
}

export function eventName(model, event) {
  // Of an event of the window by its place, or of one from before it by its own name.
  if (event === null || event === undefined) return "";
  if (typeof event === "string") return event;
  return `${model.events.sources[model.events.source[event]]}#${model.events.ids[event]}`;
}
