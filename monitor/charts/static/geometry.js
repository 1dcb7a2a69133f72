// Where things go on the time-distance diagram: moments across, sections up and down.
// Nothing is drawn here, and nothing is remembered: a view goes in, pixels come out.
//
// A view: `from` and `to`, ms; `width` and `height` of the drawing, px; `rowHeight`; `top`, how far the rows are scrolled.

export const GUTTER = 132; // for the names of sections, left of all moments
export const AXIS = 34; // for the moments, above all rows
export const LANE = 30; // between them, for what is of no section

const STEPS = [
  1, 2, 5, 10, 20, 50, 100, 200, 500, 1e3, 2e3, 5e3, 1e4, 15e3, 3e4, 6e4, 12e4, 3e5, 6e5, 9e5, 18e5,
  36e5, 72e5, 108e5, 216e5, 432e5, 864e5, 1728e5, 6048e5,
];

export function xOf(view, t) {
  return GUTTER + ((t - view.from) / (view.to - view.from)) * (view.width - GUTTER);
}

export function timeAt(view, x) {
  return view.from + ((x - GUTTER) / (view.width - GUTTER)) * (view.to - view.from);
}

export function yOf(view, row) {
  return AXIS + LANE + row * view.rowHeight - view.top;
}

export function rowAt(view, y, rows) {
  // -1 is the lane above the rows; null is outside.
  if (y < AXIS || y > view.height) return null;
  if (y < AXIS + LANE) return -1;
  const row = Math.floor((y - AXIS - LANE + view.top) / view.rowHeight);
  return row < rows ? row : null;
}

export function bar(view, row, from, to) {
  // Whole pixels, one at least, and cut to what is seen; null where nothing is.
  const left = Math.max(GUTTER, Math.round(xOf(view, Math.max(from, view.from))));
  const right = Math.min(view.width, Math.round(xOf(view, Math.min(to, view.to))));
  if (to < view.from || from > view.to) return null;
  const tall = Math.max(2, Math.round(view.rowHeight * 0.6));
  const y = Math.round(yOf(view, row) + (view.rowHeight - tall) / 2);
  return { x: left, y, width: Math.max(1, right - left), height: tall };
}

export function merged(view, starts, ends, first, last) {
  // The spans from `first` to `last` of one row and kind as runs of pixels: those that fall together are one.
  const runs = [];
  const scale = (view.width - GUTTER) / (view.to - view.from);
  let left = -1;
  let right = -1;
  for (let i = first; i < last; i += 1) {
    const end = ends[i];
    if (end < view.from) continue;
    let x = Math.round(GUTTER + (starts[i] - view.from) * scale);
    let to = Math.round(GUTTER + (end - view.from) * scale);
    if (x < GUTTER) x = GUTTER;
    if (to > view.width) to = view.width;
    if (to <= x) to = x + 1;
    if (x <= right) {
      if (to > right) right = to;
    } else {
      if (right > left) runs.push(left, right);
      left = x;
      right = to;
    }
  }
  if (right > left) runs.push(left, right);
  return runs;
}

export function after(starts, t) {
  // How many of `starts`, in order, are at or before t.
  let low = 0;
  let high = starts.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (starts[middle] <= t) low = middle + 1;
    else high = middle;
  }
  return low;
}

export function step(view) {
  // What to name the moments by: the finest step that leaves room for its words.
  const room = ((view.to - view.from) / (view.width - GUTTER)) * 92;
  return STEPS.find((one) => one >= room) ?? STEPS[STEPS.length - 1];
}

export function ticks(view, offset) {
  // Whole steps of local time; `offset` is how far that is before UTC, ms.
  const by = step(view);
  const found = [];
  for (let t = Math.ceil((view.from + offset) / by) * by - offset; t <= view.to; t += by) found.push(t);
  return found;
}

export function zoomed(view, by, t, least, most) {
  // `by` above 1 shows more time; the moment t stays where it is.
  const length = Math.min(most[1] - most[0], Math.max(least, (view.to - view.from) * by));
  const share = (t - view.from) / (view.to - view.from);
  return within({ from: t - share * length, to: t - share * length + length }, most);
}

export function within(span, most) {
  // Moved, not cut, to lie within `most`.
  const length = Math.min(span.to - span.from, most[1] - most[0]);
  const from = Math.min(Math.max(span.from, most[0]), most[1] - length);
  return { from, to: from + length };
}
