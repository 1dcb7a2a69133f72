"""Where things are: which sections a part is for, its site and kilometre, its number in the register, and whether one goes onto the track for it."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from monitor.core.dependence import ORDER, Dependence
from monitor.core.layout import OPEN, Line
from monitor.findings import Where

_WHERE: dict[str, Where] = {
    "head": "track",
    "unit": "track",
    "cable": "track",
    "section": "track",
    "evaluator": "room",
    "supply": "room",
    "gateway": "room",
    "site": "room",
}


@dataclass(frozen=True, slots=True)
class Spot:
    """Where one goes.

    Args:
        site: the room that it belongs to, or "".
        low: the lowest kilometre, or None where the line file has none.
        high: the highest.
    """

    site: str
    low: float | None
    high: float | None


class Whereabouts:
    """Where the things of a line are, by subject.

    Args:
        line: the line file.

    Example:
        >>> from monitor.core.detector import Place
        >>> there = Whereabouts(Place.example().line)
        >>> there.sections("supply/PS1"), there.where("supply/PS1")
        (('T106', 'T107', 'T108'), 'room')
        >>> there.sections("head/nowhere")
        ()
    """

    def __init__(self, line: Line) -> None:
        self.line = line
        self._dependence = Dependence(line)
        self._heads: dict[str, list[str]] = defaultdict(list)
        for head in line.heads.values():
            for part in (f"unit/{head.unit}", f"cable/{head.cable}"):
                self._heads[part].append(head.id)

    def sections(self, subject: str) -> tuple[str, ...]:
        """The sections that *subject* stands for: itself, or all that need it; () where the line file has no such thing."""
        kind, _, name = subject.partition("/")
        line = self.line
        if kind == "section":
            return (name,) if name in line.sections else ()
        if kind == "head":
            head = line.heads.get(name)
            return () if head is None else tuple(x for x in head.between if x != OPEN)
        if kind == "gateway":
            return tuple(
                section
                for one in line.evaluators.values()
                if one.gateway == name
                for section in line.sections_of(one.id)
            )
        return self._dependence.sections_on(subject) if kind in ORDER else ()

    def has(self, subject: str) -> bool:
        """Whether the line file has what *subject* names."""
        return bool(self.sections(subject))

    def parts(self, section: str) -> tuple[str, ...]:
        """What the detection of *section* needs, as subjects: its heads first, then what feeds them, what counts and what supplies."""
        heads = tuple(f"head/{name}" for name in self.line.heads_of(section))
        behind = self._dependence.assets_of(f"section/{section}")
        return heads + tuple(one for one in behind if not one.startswith("area/"))

    def where(self, subject: str) -> Where:
        """Whether one goes onto the track for *subject*, or into a room; "": it has no such place."""
        return _WHERE.get(subject.partition("/")[0], "")

    def register(self, subject: str) -> str:
        """The number of *subject* in the owner's register, or ""."""
        kind, _, name = subject.partition("/")
        line = self.line
        tables = {
            "section": line.sections,
            "head": line.heads,
            "evaluator": line.evaluators,
            "unit": line.units,
            "cable": line.cables,
        }
        return getattr(tables.get(kind, {}).get(name), "ref", None) or ""

    def spot(self, subject: str) -> Spot:
        """Where one goes for *subject*."""
        kind, _, name = subject.partition("/")
        line, sections = self.line, self.sections(subject)
        if kind == "head" and name in line.heads:
            heads = [name]
        elif kind in {"unit", "cable"}:
            heads = self._heads.get(subject, [])
        else:
            heads = [one for section in sections for one in line.heads_of(section)]
        known = [km for one in heads if (km := line.heads[one].km) is not None]
        low, high = (min(known), max(known)) if known else (None, None)
        return Spot(self._site(subject, sections), low, high)

    def _site(self, subject: str, sections: tuple[str, ...]) -> str:
        kind, _, name = subject.partition("/")
        if kind == "site":
            return name
        if kind == "evaluator" and name in self.line.evaluators:
            return self.line.evaluators[name].site
        for section in sections:
            return self.line.evaluators[self.line.sections[section].evaluator].site
        return ""
