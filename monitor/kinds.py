"""The kinds of alert as the list that a control room's local alarm panel signs: what each asks of the desk.

For every kind: its priority, whether somebody is called for it, what the desk does first, within what time, and what happens if not.
All of it is said by the detections themselves; this only sets it out.
"""

from __future__ import annotations

from dataclasses import dataclass
from textwrap import wrap

from monitor.core.detector import Detector
from monitor.core.faults import CALLING, RANKS

WIDTHS = (22, 10, 9, 22, 11, 21)
"""Of the columns of the plain table, which make a hundred with the spaces between."""

HEADS = ("kind", "priority", "calls", "the desk does first", "within", "if not")


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a kind of alert asks of the desk.

    Args:
        kind: for machines.
        title: as people read it.
        priority: in words; the usual one first where there are several.
        calls: in words, whether somebody is called.
        first: what the desk does first.
        within: within what time.
        otherwise: what happens if not.
    """

    kind: str
    title: str
    priority: str
    calls: str
    first: str
    within: str
    otherwise: str

    @property
    def row(self) -> tuple[str, ...]:
        """Its cells, in the order of `HEADS`."""
        return (
            self.kind,
            self.priority,
            self.calls,
            self.first,
            self.within,
            self.otherwise,
        )


def asked(detectors: tuple[Detector, ...]) -> tuple[Asked, ...]:
    """What each kind asks, the most pressing first, then by name.

    Example:
        >>> from monitor.core.detectors import CATALOGUE
        >>> first, *_, last = asked(CATALOGUE)
        >>> first.kind, first.calls, first.within
        ('unseen-train', 'yes', 'at once')
        >>> last.kind, last.calls
        ('long-occupation', 'no')
    """
    gravest = sorted(detectors, key=lambda one: (-_highest(one), one.kind))
    return tuple(
        Asked(
            kind=one.kind,
            title=one.title,
            priority=_priority(one),
            calls=_calls(one),
            first=one.first,
            within=one.within,
            otherwise=one.otherwise,
        )
        for one in gravest
    )


def _usual(detector: Detector) -> int:
    return RANKS[detector.priorities[0]]


def _highest(detector: Detector) -> int:
    return max(RANKS[one] for one in detector.priorities)


def _priority(detector: Detector) -> str:
    usual, *others = detector.priorities
    return f"{usual}, or {' or '.join(others)}" if others else usual


def _calls(detector: Detector) -> str:
    if _usual(detector) >= CALLING:
        return "yes"
    return "if prompt" if _highest(detector) >= CALLING else "no"


def names(rows: tuple[Asked, ...]) -> str:
    """Each kind and what it is called, a line each."""
    width = max(len(one.kind) for one in rows)
    return "\n".join(f"{one.kind:{width}}  {one.title}" for one in rows)


def as_text(rows: tuple[Asked, ...]) -> str:
    """The table as plain text, a hundred characters wide."""
    return "\n".join(
        [*_set(HEADS), "-" * 100, *(line for one in rows for line in _set(one.row))]
    )


def _set(cells: tuple[str, ...]) -> list[str]:
    broken = [
        wrap(cell, width, break_on_hyphens=False) or [""]
        for cell, width in zip(cells, WIDTHS, strict=True)
    ]
    high = max(len(one) for one in broken)
    filled = [one + [""] * (high - len(one)) for one in broken]
    return [
        " ".join(
            f"{cell:{width}}" for cell, width in zip(line, WIDTHS, strict=True)
        ).rstrip()
        for line in zip(*filled, strict=True)
    ]


def as_markdown(rows: tuple[Asked, ...]) -> str:
    """The table as Markdown, with what each kind is called."""
    lines = [HEADS, ("---",) * len(HEADS)]
    for one in rows:
        kind, *others = one.row
        lines.append((f"`{kind}`: {one.title}", *others))
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)
