"""What is told of a fault beyond its headline: what happened in order, where to look, what else it could be, which parts, and the numbers behind it.

Pages and sheets say it in the same words; how much of it has room is theirs to say.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from monitor.core.alerts import Alert
from monitor.core.detector import COULD, LOOK, SETTLED, Suspect
from monitor.core.faults import RANKS
from monitor.core.messages import plain, shorten
from monitor.core.moments import SECOND, Moment
from monitor.core.words import names

WAS = " Was: "
"""Before what an alert said while it was open stands this, once it is over."""

UNITS = {"s": "s", "h": "h", "d": "days", "m": "m"}
"""What the last word of a setting's name means."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Other:
    """What else it could be, and what would settle that, or ""."""

    what: str
    settled: str


def leading(
    alerts: Iterable[Alert], still: Collection[str], subject: str
) -> Alert | None:
    """The alert that a headline is about.

    Args:
        alerts: of a fault.
        still: ids of those that are open: they come first, then the gravest.
        subject: what the headline is about.
    """
    return max(
        alerts,
        key=lambda one: (one.id in still, RANKS[one.priority], one.subject == subject),
        default=None,
    )


def looks(checks: Iterable[str]) -> list[str]:
    """Where to look first, in order."""
    return [one.removeprefix(LOOK) for one in checks if one.startswith(LOOK)]


def others(checks: Iterable[str]) -> list[Other]:
    """What else it could be.

    Example:
        >>> others(["Could also be: the link; settled by the log of the link"])
        [Other(what='the link', settled='the log of the link')]
    """
    found = []
    for one in checks:
        if one.startswith(COULD):
            what, _, settled = one.removeprefix(COULD).partition(SETTLED)
            found.append(Other(what=what, settled=settled))
    return found


def parts(suspects: Iterable[Suspect], room: int = 200) -> list[str]:
    """The parts that may be the cause, the likeliest first; only one that stands out is called likeliest.

    Args:
        suspects: assets, each with how likely it is.
        room: characters of a name at most.

    Example:
        >>> one = Suspect(asset="head/H1", weight=0.8)
        >>> other = Suspect(asset="unit/U1", weight=0.2)
        >>> parts([other, one]), parts([one, one])[0]
        (['head H1: likeliest', 'unit U1: possible'], 'head H1: possible')
    """
    ordered = sorted(suspects, key=lambda one: -one.weight)
    weights = [one.weight for one in ordered]
    said = []
    for one in ordered:
        kind, _, name = one.asset.partition("/")
        alone = one.weight == weights[0] and weights.count(one.weight) == 1
        likely = "likeliest" if alone else "possible"
        said.append(f"{kind} {shorten(plain(name), room)}: {likely}")
    return said


def numbers(values: Mapping[str, object]) -> list[tuple[str, str]]:
    """The numbers behind an alert, each with its name, as people read them.

    Example:
        >>> numbers(
        ...     {
        ...         "held_for_s": 113.761,
        ...         "by_reset": True,
        ...         "train_first_seen": "section/T06",
        ...     }
        ... )
        [('held for', '113.761 s'), ('by reset', 'yes'), ('train first seen', 'section T06')]
    """
    said = []
    for name, value in values.items():
        *words, last = name.split("_")
        unit = f" {UNITS[last]}" if words and last in UNITS else ""
        title = " ".join(words if unit else [*words, last])
        said.append((title, _value(value, unit)))
    return said


def _value(value: object, unit: str) -> str:
    match value:
        case None:
            return "not learnt yet"
        case bool():
            return "yes" if value else "no"
        case float():
            return f"{value:.6g}{unit}"
        case list() | tuple():
            return names([_value(one, "") for one in value])
        case _:
            kind, slash, name = str(value).partition("/")
            is_subject = bool(slash) and kind.isalpha() and kind.islower()
            return f"{kind} {name}" if is_subject else f"{value}{unit}"


def happened(alerts: Iterable[Alert]) -> list[tuple[Moment, str]]:
    """Everything that *alerts* rest on and say, in order of time, each once.

    A sentence is left out where another of the same second begins alike and goes on, where it only says since when what another one says is so, or where it says of a section that it failed which another one says is disturbed.
    """
    told: dict[tuple[Moment, str], None] = {}
    for one in alerts:
        for event in one.evidence:
            told[event.time, event.text] = None
        over, _, was = one.summary.rpartition(WAS)
        told[one.raised, was] = None
        if one.ended is not None:
            name = one.subject.partition("/")[2] or one.subject
            kind = one.kind.replace("-", " ")
            told[one.ended, f"{name}, {kind}: {over or 'over'}"] = None
    ordered = sorted(told)
    at_once: dict[int, set[str]] = {}
    for at, text in ordered:
        at_once.setdefault(at // SECOND, set()).add(text)
    return [
        (at, text)
        for at, text in ordered
        if not _is_said_better(text, at_once[at // SECOND])
        and not any(text.startswith(f"{other} since ") for _, other in ordered)
    ]


def _is_said_better(text: str, beside: Collection[str]) -> bool:
    # A cause says of each member that it failed; that it is disturbed says more.
    if " failed" in text and text.replace(" failed", " disturbed") in beside:
        return True
    return any(other != text and other.startswith(text) for other in beside)


def shortened(told: Sequence[T], most: int) -> tuple[list[T], int, list[T]]:
    """How it began, how much is left out, and how it is.

    Example:
        >>> shortened([1, 2, 3, 4, 5, 6], 4)
        ([1, 2], 2, [5, 6])
        >>> shortened([1, 2, 3], 4)
        ([1, 2, 3], 0, [])
    """
    left = len(told) - most
    if left <= 0:
        return list(told), 0, []
    half = most // 2
    return list(told[:half]), left, list(told[half + left :])
