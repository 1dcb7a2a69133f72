"""Several sections failed at once, and they share what has failed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from monitor.core.changes import CauseOver, CauseSeen, Change
from monitor.core.detector import (
    Evidence,
    Finding,
    Found,
    Over,
    Place,
    PlaceKind,
    Priority,
    Suspect,
    Untimed,
    look,
)
from monitor.core.moments import SECOND, Moment, seconds
from monitor.core.values import value_class
from monitor.core.words import clock, names, often, span

NAMED = 6
"""So many members are named in the sentence; all of them are in the evidence."""

LOOKS: dict[str, tuple[str, ...]] = {
    "unit": ("the unit: water, fuse, earth", "voltages at its test points"),
    "cable": (
        "the joints of the cable, and the last works along its route",
        "insulation and continuity between its ends",
    ),
    "evaluator": (
        "the evaluator: its indications, fuse, seating of cards, temperature",
        "the supply of its rack",
    ),
    "supply": ("the supply: changeover, battery, its log",),
    "site": ("the room: power, temperature, who was there",),
    "area": (
        "the weather at that time, then surge protection, earth and fuses at both ends",
        "heads that stay dead or whose levels stepped",
    ),
}
"""Where to look first, by what they share (common practice)."""

OTHERS: dict[str, tuple[str, str]] = {
    "unit": ("the cable or the supply of the unit", "voltages at the unit"),
    "cable": (
        "the trackside unit that feeds its heads",
        "whether heads of other units on it went too",
    ),
    "evaluator": (
        "the supply of its rack, or a surge",
        "whether other evaluators there went too",
    ),
    "supply": ("a surge", "the protection devices, and the weather"),
    "site": ("a supply that the line file does not name", "the supply log"),
    "area": (
        "a supply or a cable that the line file does not name",
        "what the first of them share in the drawings",
    ),
}
"""What else it could be, and what would settle that (common practice)."""


@value_class(frozen=True, slots=True, kw_only=True)
class Sharing:
    """What is remembered of an asset: the cause that is open there, or None."""

    seen: CauseSeen | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CommonCause(Untimed):
    """Several sections failed at once, and all of them need one asset: look at that, not at each of them.

    What the desk does first: send one person to the asset, and tell the signaller how far it reaches.
    Within: 5 min.
    If not: several people look for several faults, and the one that matters is found last.

    Args:
        members: how many must fail together (common practice: two coincide now and then, three hardly).
        window_s: within what time (common practice: an asset takes its sections with it at once, evaluators differ in what they reject first).
        storm_s: likewise where they share no more than their area (common practice: a storm takes minutes to pass).
        rest_s: it is raised when none has joined for this long (common practice: as long as evaluators differ).
        longest_s: or this long after it became one (common practice: the desk should not wait longer).

    Example:
        >>> from monitor.core.changes import CauseMember
        >>> from monitor.core.moments import parse
        >>> detector, place = CommonCause(), Place.example("supply/PS1")
        >>> noon = parse("2026-05-04T12:00:00Z")
        >>> seen = CauseSeen(
        ...     place="supply/PS1",
        ...     at=noon + 14 * SECOND,
        ...     began=noon,
        ...     raised=noon + 14 * SECOND,
        ...     members=(
        ...         CauseMember(subject="section/T107", began=noon, event="gw/1#7"),
        ...         CauseMember(
        ...             subject="section/T106", began=noon + 3 * SECOND, event="gw/1#8"
        ...         ),
        ...         CauseMember(
        ...             subject="section/T108", began=noon + 4 * SECOND, event="gw/1#9"
        ...         ),
        ...     ),
        ...     dependants=3,
        ...     lead=3 * SECOND,
        ...     too_close=False,
        ...     chance_per_year=None,
        ... )
        >>> _, findings = detector.step(detector.start(place), seen, place)
        >>> findings[0].summary
        '3 of 3 sections on supply PS1 failed within 4 s: T107, T106 and T108; T107 was first, by 3 s; how often that comes by chance is not learnt yet'

    When it is wrong: where the line file does not say what shares what, or says it wrongly; and where one person's work goes on at several sections that the feed does not tell of.
    Two causes at once in one place may be told as one.

    References:
        Naus, J. I. (1982), Approximations for distributions of scan statistics, Journal of the American Statistical Association 77, 177-183, for how often so many would fail together by chance.
    """

    kind: ClassVar[str] = "common-cause"
    title: ClassVar[str] = "several failed at once, by one cause"
    places: ClassVar[PlaceKind] = "asset"
    hears: ClassVar[tuple[type[Change], ...]] = (CauseSeen, CauseOver)
    priorities: ClassVar[tuple[Priority, ...]] = ("prompt",)
    first: ClassVar[str] = "send one person to the asset"
    within: ClassVar[str] = "5 min"
    otherwise: ClassVar[str] = (
        "several look for several faults, the cause is found last"
    )

    members: int = 3  # common practice: two coincide now and then
    window_s: float = 60.0  # common practice: what one asset takes goes at once
    storm_s: float = 600.0  # common practice: a storm takes minutes to pass
    rest_s: float = 10.0  # common practice: evaluators differ by no more
    longest_s: float = 15.0  # common practice: the desk should not wait longer

    def start(self, place: Place) -> Sharing:  # noqa: ARG002 - the same everywhere
        """Nothing has failed together."""
        return Sharing()

    def step(
        self, memory: Sharing, change: Change, place: Place
    ) -> tuple[Sharing, tuple[Finding, ...]]:
        """Say what is seen, and when it is over."""
        if isinstance(change, CauseSeen):
            return Sharing(seen=change), (self._found(change, place),)
        if memory.seen is None:
            return memory, ()
        return Sharing(), (Over(at=change.at, because="all of its members are"),)

    def _found(self, seen: CauseSeen, place: Place) -> Found:
        kind, _, name = place.id.partition("/")
        what = name if kind == "site" else f"{kind} {name}"
        plain = [one.subject.partition("/")[2] for one in seen.members]
        sections = sum(one.subject.startswith("section/") for one in seen.members)
        spread = seen.members[-1].began - seen.members[0].began
        shown = plain[:NAMED]
        if len(plain) > NAMED:
            shown = [*plain[: NAMED - 1], f"{len(plain) - NAMED + 1} more"]
        where = "in" if kind in ("site", "area") else "on"
        return Found(
            began=seen.began,
            raised=seen.raised,
            priority="prompt",
            summary=(
                f"{sections} of {seen.dependants} sections {where} {what} failed "
                f"within {span(spread)}: {names(shown)}; "
                f"{self._leader(seen, plain)}; {self._by_chance(seen)}"
            ),
            evidence=tuple(
                Evidence(
                    time=one.began,
                    text=f"{one.subject.partition('/')[2]} failed",
                    event=one.event,
                )
                for one in seen.members
            ),
            suspects=(Suspect(asset=place.id, weight=1.0),),
            checks=look(*LOOKS[kind], also=(OTHERS[kind],)),
            parameters=self._numbers(seen, area=kind == "area"),
            affected=(place.id, *(one.subject for one in seen.members)),
        )

    def _leader(self, seen: CauseSeen, plain: list[str]) -> str:
        if seen.too_close:
            return "which was first is too close to tell"
        return f"{plain[0]} was first, by {span(seen.lead)}"

    def _by_chance(self, seen: CauseSeen) -> str:
        if seen.chance_per_year is None:
            return "how often that comes by chance is not learnt yet"
        return (
            "if sections failed singly, so many would fail together by chance "
            f"{often(seen.chance_per_year)}"
        )

    def _numbers(self, seen: CauseSeen, *, area: bool) -> dict[str, Any]:
        """Every number behind it; the window is the one that applied, which for an area is that of a storm."""
        return {
            "members": self.members,
            "window_s": self.storm_s if area else self.window_s,
            "storm_s": self.storm_s,
            "rest_s": self.rest_s,
            "longest_s": self.longest_s,
            "failed": len(seen.members),
            "spread_s": (seen.members[-1].began - seen.members[0].began) / SECOND,
            "dependants": seen.dependants,
            "first": seen.members[0].subject,
            "first_by_s": seen.lead / SECOND,
            "chance_per_year": (
                None if seen.chance_per_year is None else round(seen.chance_per_year, 6)
            ),
        }

    def rule(self) -> str:
        """When it is raised, with the numbers it goes by."""
        return f"Raised when {self.members} or more fail within {span(seconds(self.window_s))} (over an area, within {span(seconds(self.storm_s))}) that depend on one asset."

    def explain(self, memory: Sharing, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        if memory.seen is None:
            return (f"No failures share {place.id}.",)
        since = clock(memory.seen.began, place.zone, at)
        count = len(memory.seen.members)
        return (f"{count} failures share {place.id} since {since}.",)
