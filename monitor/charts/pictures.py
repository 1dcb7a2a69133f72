"""A scene as a drawing: time across, a row a section, and the moments `began` and `raised` flagged.

The drawing stands alone: its own ground, the reader's own font, no script, and other colours where the reader's screen is dark.
Colour is never alone: a state is another kind of mark and has its word, and the priority is written beside its chip.
All lengths are in px of a drawing 360 wide; it can be shown at any size.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import tzinfo
from html import escape
from itertools import pairwise
from pathlib import Path

from monitor.charts.examples import example_of
from monitor.charts.scenes import (
    Look,
    Mark,
    Move,
    Part,
    Sample,
    Scene,
    Tally,
    Turn,
    Words,
    scene_of,
)
from monitor.core.detector import Detector
from monitor.core.moments import DAY, MINUTE, Moment, as_datetime
from monitor.core.words import clock, span

KINDS = Path(__file__).parent / "kinds"
"""Where the drawn files lie, `<kind>.svg` each."""

WIDTH = 360
LEFT = 84.0
"""Names of rows stand to the left of this."""

RIGHT = 350.0
TOP = 8.0
ROW = 24.0
PLOT = 72.0
FOOT = 40.0
"""Below the rows: a line for `began`, and one for `raised`."""

SIZE = 11
LETTER = 6.1
"""What a letter takes at that size, taken generously: fonts differ."""

GAP = 4.0
RAISED = 9.0
"""So far above a thin line stand the words that belong to it."""

CROWD = 6
"""More marks than these are drawn as strokes alone."""

SQUARE = 8.0

_STYLE = (
    (".ground", "fill: #F3F5F6"),
    ("text", "fill: #16191C; font: 11px system-ui, sans-serif"),
    (".halo", "stroke: #F3F5F6; stroke-width: 4px; paint-order: stroke"),
    (".second", "fill: #4A535B"),
    (".clear", "stroke: #7C868E; stroke-width: 4px"),
    (".train", "fill: #2B343C"),
    (".on-train", "fill: #F3F5F6"),
    (".odd", "fill: #2B343C; stroke: FAULT; stroke-width: 2.5px"),
    (".waiting", "fill: none; stroke: #16191C; stroke-dasharray: 4 2"),
    (".hatch", "stroke: #59636B; stroke-width: 2.5px"),
    (".line", "stroke: #16191C; fill: none"),
    (".fine", "stroke: #4A535B; fill: none; stroke-dasharray: 3 3"),
    (".ink", "fill: #16191C"),
    (".fault", "fill: FAULT; stroke: EDGE; stroke-width: 1.5px"),
    (".edge", "stroke: EDGE; fill: none; stroke-width: 2px"),
    (".on-fault", "fill: OVER"),
)
"""What bears which colour by day; FAULT, EDGE and OVER are those of the priority."""

_DAY = {
    "urgent": ("#9E0B22", "#9E0B22", "#FFFFFF"),
    "prompt": ("#F0B400", "#4F3B00", "#16191C"),
    "planned": ("#1F57A8", "#1F57A8", "#FFFFFF"),
    "note": ("#4A535B", "#4A535B", "#FFFFFF"),
}
"""By priority: what fills, what edges, what is written on it."""

_DIMMED = {
    "urgent": ("#FF7A70", "#FF7A70", "#171B1F"),
    "prompt": ("#FFC933", "#FFC933", "#171B1F"),
    "planned": ("#7FB2FF", "#7FB2FF", "#171B1F"),
    "note": ("#A3ADB5", "#A3ADB5", "#171B1F"),
}

_DIM = {
    "#F3F5F6": "#20262B",
    "#16191C": "#D7DCE0",
    "#4A535B": "#A3ADB5",
    "#7C868E": "#6C7780",
    "#2B343C": "#D2D9DE",
    "#59636B": "#8E99A2",
}
"""The colours of the day, and what they are on a dark screen."""


def draw(detector: Detector) -> str:
    """The picture of the kind of *detector*, as the text of an SVG file.

    Raises:
        ValueError: its docstring has no example that ends in a finding, or one that nobody has said how to draw.
    """
    return _Drawing.of(scene_of(example_of(detector))).text()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Bar:
    """A row is in one state from one place across to another."""

    row: str
    left: float
    right: float
    look: Look
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drawing:
    """A scene on its paper.

    Args:
        scene: what is drawn.
        first: the moment at `LEFT`.
        last: the moment at `RIGHT`.
        tops: where each row begins, and where the last ends.
    """

    scene: Scene
    first: Moment
    last: Moment
    tops: tuple[float, ...]

    @classmethod
    def of(cls, scene: Scene) -> _Drawing:
        """Paper for *scene*: a margin of time before the first moment and after the last."""
        found = scene.example.found
        moments = [found.began, found.raised, *_moments(scene.parts)]
        first, last = min(moments), max(moments)
        before, after = _margins(scene.parts)
        length = last - first or 2 * MINUTE
        plots = {part.row for part in scene.parts if isinstance(part, Sample)}
        tops = [TOP]
        for row in scene.rows:
            tops.append(tops[-1] + (PLOT if row in plots else ROW))
        return cls(
            scene=scene,
            first=first - round(before * length),
            last=last + round(after * length),
            tops=tuple(tops),
        )

    @property
    def height(self) -> float:
        """Of the whole drawing."""
        return self.tops[-1] + FOOT

    @property
    def zone(self) -> tzinfo:
        """In which times are written."""
        return self.scene.example.place.zone

    def x(self, at: Moment) -> float:
        """How far across a moment lies."""
        share = (at - self.first) / (self.last - self.first)
        return LEFT + share * (RIGHT - LEFT)

    def y(self, row: str) -> float:
        """The middle of a row."""
        number = self.scene.rows.index(row)
        return (self.tops[number] + self.tops[number + 1]) / 2

    def when(self, at: Moment) -> str:
        """A moment in words, as finely as the drawing is."""
        if self.last - self.first > 2 * DAY:
            return f"{as_datetime(at).astimezone(self.zone):%Y-%m-%d}"
        return clock(at, self.zone)

    def text(self) -> str:
        """The file."""
        kind = self.scene.example.detector.kind
        title, told = self.scene.example.detector.title, self.told()
        height = f"{self.height:g}"
        root = (
            f'<svg xmlns="http://www.w3.org/2000/svg" id="{kind}-picture"'
            f' width="{WIDTH}" height="{height}" viewBox="0 0 {WIDTH} {height}"'
            f' role="img" aria-labelledby="{kind}-title {kind}-desc">'
        )
        hatch = (
            f'<defs><pattern id="{kind}-hatch" width="7" height="7"'
            ' patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
            '<path class="hatch" d="M1.25 0V7"/></pattern></defs>'
        )
        lines = [
            root,
            f'<title id="{kind}-title">{escape(title)}</title>',
            f'<desc id="{kind}-desc">{escape(told)}</desc>',
            f"<style>{_style(kind, self.scene.example.found.priority)}</style>",
            hatch,
            f'<rect class="ground" width="{WIDTH}" height="{height}" rx="4"/>',
            *self.flags(),
            *self.names(),
            *self.parts(),
            "</svg>",
        ]
        return "\n".join(lines) + "\n"

    def told(self) -> str:
        """The drawing in words: what was found, then row by row."""
        found = self.scene.example.found
        said = [
            f"{found.summary}.",
            f"Began {self.when(found.began)}, raised {self.when(found.raised)}, {found.priority}.",
        ]
        for row in self.scene.rows:
            parts = [part for part in self.scene.parts if part.row == row]
            last = {part.at: part for part in parts if isinstance(part, Turn)}
            parts = [
                part
                for part in parts
                if not isinstance(part, Turn) or last[part.at] is part
            ]
            spoken = dict.fromkeys(filter(None, map(self._spoken, parts)))
            if spoken:
                said.append(f"{row}: {'; '.join(spoken)}.")
        return " ".join(said)

    def _spoken(self, part: Part) -> str:
        """A part in words, or nothing where others say it."""
        match part:
            case Turn(text=text, at=at) if text:
                return text if at is None else f"from {self.when(at)} {text}"
            case Mark(text=text, at=at) | Words(text=text, at=at) if text:
                return f"{self.when(at)} {text}"
            case Move(at=at, to=to, text=text):
                return text or f"{self.when(at)} a train goes on into {to}"
            case Tally(text=text):
                return text
            case Sample(text=text, at=at, ahead=ahead):
                led = "the trend leads to " if ahead else ""
                return f"{self.when(at)} {led}{text}"
            case _:
                return ""

    def flags(self) -> Iterator[str]:
        """The moments `began` and `raised`: lines through all rows, and their words below."""
        found = self.scene.example.found
        began, raised, foot = found.began, found.raised, self.tops[-1]
        across, later = self.x(began), self.x(raised)
        first, second = foot + 15, foot + 31
        yield f'<path class="line" d="M{across:.1f} {TOP - 4:g}V{first:g}"/>'
        yield from _beside(f"began {self.when(began)}", across, first - 4, 2 * GAP)
        after = span(raised - began)
        text = (
            f"raised at once, {found.priority}"
            if began == raised
            else f"raised {self.when(raised)}, {found.priority}, {after} later"
        )
        yield f'<path class="line" d="M{later:.1f} {TOP - 4:g}V{second - 9:g}"/>'
        yield from _chip(found.priority, later, second - 4)
        yield from _beside(text, later, second - 4, 2 * GAP)

    def names(self) -> Iterator[str]:
        """What each row is."""
        for row in self.scene.rows:
            yield _words(row, GAP + 2, self.y(row))

    def parts(self) -> Iterator[str]:
        """All that is on the rows: bars first, then marks, words last."""
        bars = list(self.bars())
        for bar in bars:
            yield from self.bar(bar)
        parts = self.scene.parts
        for row in dict.fromkeys(p.row for p in parts if isinstance(p, Sample)):
            samples = [p for p in parts if isinstance(p, Sample) and p.row == row]
            yield from self.plot(row, samples)
        for part in parts:
            match part:
                case Move():
                    yield from self.move(part)
                case Mark():
                    yield from self.mark(part)
                case Tally():
                    yield from self.tally(part)
                case _:
                    pass
        for bar in bars:
            yield from self.name_bar(bar)
        for part in parts:
            if isinstance(part, Words):
                x, y = self.x(part.at), self.line_of_words(part.row, part.at)
                yield from _beside(part.text, x, y, 1.5 * GAP, "second halo")

    def bars(self) -> Iterator[_Bar]:
        """Each row's states, from one turn to the next."""
        for row in self.scene.rows:
            turns = [
                p for p in self.scene.parts if isinstance(p, Turn) and p.row == row
            ]
            dated = {turn.at: turn for turn in turns if turn.at is not None}
            ordered = [dated[at] for at in sorted(dated)]
            undated = next((turn for turn in turns if turn.at is None), None)
            if undated is not None:
                ordered.insert(0, undated)
            # What has no beginning began, as far as is told, with what is marked before.
            start = max(
                (
                    self.x(part.at)
                    for part in self.scene.parts
                    if isinstance(part, Mark)
                    and part.row == row
                    and part.at < min(dated, default=self.first)
                ),
                default=LEFT,
            )
            edges = [start if turn.at is None else self.x(turn.at) for turn in ordered]
            for turn, (left, right) in zip(
                ordered, pairwise([*edges, RIGHT]), strict=True
            ):
                if turn.look is not None:
                    yield _Bar(
                        row=row, left=left, right=right, look=turn.look, text=turn.text
                    )

    def bar(self, bar: _Bar) -> Iterator[str]:
        """A state as its kind of mark."""
        y, wide = self.y(bar.row), bar.right - bar.left
        if bar.look is Look.CLEAR:
            yield f'<path class="clear" d="M{bar.left:.1f} {y:g}H{bar.right:.1f}"/>'
            return
        box = f'x="{bar.left:.1f}" y="{y - 8:g}" width="{wide:.1f}" height="16"'
        if bar.look is Look.NOT_KNOWN:
            kind = self.scene.example.detector.kind
            yield f'<rect {box} fill="url(#{kind}-hatch)"/>'
        else:
            yield f'<rect class="{bar.look}" {box}/>'

    def line_of_words(self, row: str, at: Moment) -> float:
        """Where words at *at* stand: in the middle of a row, or above the thin line that runs there."""
        x = self.x(at)
        on_line = any(
            bar.look is Look.CLEAR and bar.left <= x < bar.right
            for bar in self.bars()
            if bar.row == row
        )
        return self.y(row) - RAISED if on_line else self.y(row)

    def name_bar(self, bar: _Bar) -> Iterator[str]:
        """The word of a state on it, where there is room and no other word."""
        long, y = len(bar.text) * LETTER, self.y(bar.row)
        taken = any(
            isinstance(part, Mark | Words)
            and part.text
            and part.row == bar.row
            and bar.left <= self.x(part.at) < bar.right
            for part in self.scene.parts
        )
        if not bar.text or taken or long + 2 * GAP > bar.right - bar.left:
            return
        match bar.look:
            case Look.CLEAR:
                yield _words(bar.text, bar.left + GAP, y - RAISED, "second halo")
            case Look.NOT_KNOWN:
                x = bar.left + 10 * GAP  # hatched on both sides of its word
                box = f'x="{x:.1f}" y="{y - 8:g}" width="{long + 2 * GAP:.1f}" height="16"'
                yield f'<rect class="ground" {box}/>'
                yield _words(bar.text, x + GAP, y)
            case Look.WAITING:
                yield _words(bar.text, bar.left + 1.5 * GAP, y)
            case Look.FAULT:
                yield _words(bar.text, bar.left + 1.5 * GAP, y, "on-fault")
            case _:
                yield _words(bar.text, bar.left + 1.5 * GAP, y, "on-train")

    def mark(self, mark: Mark) -> Iterator[str]:
        """Something that happens: an upright stroke, and a lozenge where it is the fault."""
        x, y = self.x(mark.at), self.y(mark.row)
        many = sum(isinstance(part, Mark) for part in self.scene.parts) > CROWD
        style = "edge" if mark.fault and many else "line"
        yield f'<path class="{style}" d="M{x:.1f} {y - 8:g}V{y + 8:g}"/>'
        if mark.fault and not many:
            yield f'<path class="fault" d="M{x:.1f} {y - 8:g}l4 8l-4 8l-4 -8z"/>'
        if mark.text:
            far = 2 * GAP if mark.fault else 1.5 * GAP
            middle = self.line_of_words(mark.row, mark.at)
            yield from _beside(mark.text, x, middle, far)

    def move(self, move: Move) -> Iterator[str]:
        """Something that goes from row to row: an arrow."""
        style = "edge" if move.fault else "line"
        x, y = self.x(move.at), self.y(move.row)
        to, low = self.x(move.then), self.y(move.to)
        down = 1 if low > y else -1
        if to == x:
            head = f"m-4 {-down * 5}l4 {down * 5}l4 {-down * 5}"
            path = f"M{x:.1f} {y + down * 3:g}V{low - down * 9:g}{head}"
        else:
            away = 2 * GAP if to > x else -2 * GAP
            path = f"M{x + away:.1f} {y:g}H{to:.1f}V{low - 9:g}m-4 -5l4 5l4 -5"
        yield f'<path class="{style}" d="{path}"/>'
        if move.text:
            yield from _beside(move.text, min(x, to), y - RAISED, 3 * GAP)

    def tally(self, tally: Tally) -> Iterator[str]:
        """So many squares, which tell no time."""
        y, style = self.y(tally.row), "fault" if tally.fault else "train"
        for number in range(tally.count):
            x = LEFT + GAP + number * (SQUARE + 2)
            yield (
                f'<rect class="{style}" x="{x:g}" y="{y - 4:g}"'
                f' width="{SQUARE:g}" height="{SQUARE:g}"/>'
            )
        x = LEFT + 2 * GAP + tally.count * (SQUARE + 2)
        yield _words(tally.text, x, y)

    def plot(self, row: str, samples: list[Sample]) -> Iterator[str]:
        """Values by time, between their limits."""
        low = min(min(s.low, s.value) for s in samples)
        high = max(max(s.high, s.value) for s in samples)
        number = self.scene.rows.index(row)
        top, foot = self.tops[number] + 8, self.tops[number + 1] - 8

        def height(value: float) -> float:
            return foot - (value - low) / (high - low) * (foot - top)

        unit = samples[0].unit
        for limit, word in ((samples[0].high, "high"), (samples[0].low, "low")):
            y = height(limit)
            yield f'<path class="fine" d="M{LEFT:g} {y:.1f}H{RIGHT:g}"/>'
            text = f"{word} {limit:g} {unit}"
            yield _words(text, GAP + 2, y, "second")
        spots = [(self.x(s.at), height(s.value)) for s in samples]
        ahead = next((n for n, s in enumerate(samples) if s.ahead), None)
        if ahead is not None:
            (x, y), (far, end) = spots[ahead - 1], spots[ahead]
            yield f'<path class="edge" stroke-dasharray="5 3" d="M{x:.1f} {y:.1f}L{far:.1f} {end:.1f}"/>'
            spots = spots[:ahead]
        for sample, (x, y) in zip(samples, spots, strict=False):
            odd = not sample.low <= sample.value <= sample.high
            style = "fault" if odd else "ink"
            yield f'<circle class="{style}" cx="{x:.1f}" cy="{y:.1f}" r="{4 if odd else 3}"/>'
        x, y = spots[-1]
        yield from _beside(samples[len(spots) - 1].text, x, y - 2 * GAP, GAP)


def _moments(parts: tuple[Part, ...]) -> Iterator[Moment]:
    """Every moment at which something is drawn."""
    for part in parts:
        match part:
            case Tally() | Turn(at=None):
                pass
            case Move(at=at, then=then):
                yield from (at, then)
            case Turn(at=int(at)) | Mark(at=at) | Words(at=at) | Sample(at=at):
                yield at


def _margins(parts: tuple[Part, ...]) -> tuple[float, float]:
    """How much of the time to leave before and after, so that what lies there has room for its word."""
    room = {True: 0.3, False: 0.5}
    turns = [part for part in parts if isinstance(part, Turn) and part.text]
    marks = [part.at for part in parts if isinstance(part, Mark)]
    dated = [turn for turn in turns if turn.at is not None]
    latest = max((turn.at or 0 for turn in dated), default=0)
    before = [
        room[turn.look is Look.CLEAR] for turn in turns if turn.at is None and not marks
    ]
    after = [room[turn.look is Look.CLEAR] for turn in dated if turn.at == latest]
    return max(before, default=0.1), max(after, default=0.1)


def _style(kind: str, priority: str) -> str:
    """How everything looks by day and on a dark screen; it reaches nothing outside this drawing."""

    def rules(colours: tuple[str, str, str], other: dict[str, str]) -> str:
        lines = "\n".join(f"#{kind}-picture {what} {{ {how} }}" for what, how in _STYLE)
        names = zip(("FAULT", "EDGE", "OVER"), colours, strict=True)
        for word, colour in (*other.items(), *names):
            lines = lines.replace(word, colour)
        return lines

    return (
        f"\n{rules(_DAY[priority], {})}\n@media (prefers-color-scheme: dark) {{\n"
        f"{rules(_DIMMED[priority], _DIM)}\n}}\n"
    )


def _words(text: str, x: float, middle: float, style: str = "") -> str:
    """Words beginning at *x*, around the height *middle*."""
    named = f' class="{style}"' if style else ""
    return f'<text{named} x="{x:.1f}" y="{middle + 4:.1f}">{escape(text)}</text>'


def _beside(
    text: str, x: float, middle: float, far: float, style: str = "halo"
) -> Iterator[str]:
    """Words *far* to the right of *x*, or to its left where the drawing ends before them."""
    if x + far + len(text) * LETTER <= WIDTH - GAP:
        yield _words(text, x + far, middle, style)
        return
    yield (
        f'<text class="{style}" text-anchor="end" x="{x - far:.1f}"'
        f' y="{middle + 4:.1f}">{escape(text)}</text>'
    )


def _chip(priority: str, x: float, y: float) -> Iterator[str]:
    """The mark of a priority, as wherever alerts are shown: its shape says it too."""
    match priority:
        case "urgent":
            yield f'<path class="fault" d="M{x - 3:.1f} {y - 5:g}h6l3 5l-3 5h-6l-3 -5z"/>'
        case "prompt":
            yield f'<rect class="fault" x="{x - 5:.1f}" y="{y - 4:g}" width="10" height="8"/>'
        case "planned":
            yield f'<rect class="fault" x="{x - 6:.1f}" y="{y - 4:g}" width="12" height="8" rx="4"/>'
        case _:
            yield f'<circle class="edge" cx="{x:.1f}" cy="{y:g}" r="4"/>'
