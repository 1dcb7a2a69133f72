"""What was found against what was so: recall, false alerts and delay, kind by kind.

A truth line says what was wrong in a recording, and from when on that could be known; an alert line says what was concluded.
A truth is found by an alert of its kind, about its subject, at its time (`matches` is that rule in full).
Then each alert is one of four: it found a truth, it tells one again that is found already, it is the other half of a find (`halves`), or it is false.

Nothing here looks at a recording or at a detection: who made the two files does not matter.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

from monitor.core.moments import DAY, SECOND, Duration, Moment, parse, stamp

TOLERANCE: Duration = 5 * SECOND
"""How far the times of an alert and of a truth may lie apart: evaluators' clocks and the skew that conclusions allow for, with room."""

RICHNESS = ("basic", "tallies", "full")
"""How much a feed carries, poorest first; a truth says in `needs` which it takes to show it."""

NAMED_BESIDE = frozenset(
    {"unseen-train", "vanished-train", "count-mismatch", "common-cause"}
)
"""Kinds for which the subject of the truth may stand among those affected or suspected."""

MOMENTARY = frozenset({"unseen-train", "vanished-train"})
"""Kinds that only a person ends: what they tell of is over once it could be known."""

WEEK: Duration = 7 * DAY
FOR_EVER: Moment = 1 << 62


@dataclass(frozen=True, slots=True, kw_only=True)
class TruthLine:
    """Something that was so.

    Args:
        kind: as the alert that should say it.
        subject: of what, `section/T107`.
        began: when it began.
        ended: when it ceased, or None where it had not.
        known: the earliest moment at which it could be concluded, or None where it never could.
        needs: how rich a feed must be to show it.
    """

    kind: str
    subject: str
    began: Moment
    ended: Moment | None
    known: Moment | None
    needs: str = "basic"

    @property
    def until(self) -> Moment:
        """Up to when an alert about it may begin."""
        if self.kind in MOMENTARY:
            return self.began if self.known is None else max(self.began, self.known)
        return FOR_EVER if self.ended is None else self.ended


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertLine:
    """An alert as its last line has it.

    Args:
        id: of the alert.
        kind: what was found.
        subject: about what.
        priority: what it asks of people.
        began: when the condition began.
        raised: when it was concluded, in event time.
        ended: when it ceased, or None.
        beside: the further subjects it names, as affected or suspected.
        named: every text in its parameters: how it names another alert.
    """

    id: str
    kind: str
    subject: str
    priority: str
    began: Moment
    raised: Moment
    ended: Moment | None
    beside: frozenset[str] = frozenset()
    named: frozenset[str] = frozenset()

    @property
    def until(self) -> Moment:
        """Up to when it tells of something."""
        if self.kind in MOMENTARY:
            return max(self.began, self.raised)
        return FOR_EVER if self.ended is None else self.ended

    def names(self, other: AlertLine) -> bool:
        """Whether it speaks of *other*, by its id or its subject."""
        said = self.beside | self.named
        return other.id in said or other.subject in said


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """How one kind did, or all of them together.

    Args:
        kind: which.
        truths: how many there were to find.
        found: how many of them were found.
        alerts: how many alerts were raised.
        false: how many of those no truth bears out.
        delays: of each truth found, how long after it could be known it was raised.
    """

    kind: str
    truths: int
    found: int
    alerts: int
    false: int
    delays: tuple[Duration, ...]

    @property
    def recall(self) -> float | None:
        """The part of the truths that was found; None where there was none."""
        return self.found / self.truths if self.truths else None

    @property
    def median_delay(self) -> float | None:
        """Seconds from when it could be known to when it was raised, in the middle."""
        return median(self.delays) / SECOND if self.delays else None

    @property
    def worst_delay(self) -> float | None:
        """The longest of those."""
        return max(self.delays) / SECOND if self.delays else None

    def rate(self, sections: int | None, length: Duration) -> float | None:
        """False alerts per 100 sections and week; None where *sections* or *length* says nothing."""
        if not sections or length <= 0:
            return None
        return self.false / (sections / 100) / (length / WEEK)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scores:
    """How a monitor did on a recording.

    Args:
        kinds: one for each kind that was so or was raised, by name.
        missed: the truths that nothing found.
        false: the alerts that no truth bears out.
        length: from the first to the last moment that the two files speak of.
        unknowable: how many truths could never be known, and are left out.
        too_rich: how many need a richer feed than this, and are left out.
    """

    kinds: tuple[Score, ...]
    missed: tuple[TruthLine, ...]
    false: tuple[AlertLine, ...]
    length: Duration
    unknowable: int = 0
    too_rich: int = 0

    @property
    def total(self) -> Score:
        """All kinds together."""
        return Score(
            kind="all",
            truths=sum(one.truths for one in self.kinds),
            found=sum(one.found for one in self.kinds),
            alerts=sum(one.alerts for one in self.kinds),
            false=len(self.false),
            delays=tuple(delay for one in self.kinds for delay in one.delays),
        )

    @property
    def urgent_false(self) -> int:
        """The false alerts for which somebody would have been called at once."""
        return sum(one.priority == "urgent" for one in self.false)


# Reading.


def read_truth(lines: Iterable[str]) -> list[TruthLine]:
    """The truth lines of a file.

    Raises:
        ValueError: a line is none; the message says which and why.
    """
    return [
        _made(number, raw, _truth_of)
        for number, raw in enumerate(lines, 1)
        if raw.strip()
    ]


def read_alerts(lines: Iterable[str]) -> list[AlertLine]:
    """The alerts of a file, each as the last line of its id has it, in the order of their first.

    Raises:
        ValueError: a line is none; the message says which and why.
    """
    last: dict[str, AlertLine] = {}
    for number, raw in enumerate(lines, 1):
        if raw.strip():
            one = _made(number, raw, _alert_of)
            last[one.id] = one
    return list(last.values())


def _made(number: int, raw: str, make: Any) -> Any:
    try:
        return make(json.loads(raw))
    except KeyError as error:
        raise ValueError(f"line {number}: has no {error.args[0]}") from None
    except (ValueError, TypeError, AttributeError) as error:
        raise ValueError(f"line {number}: {error}") from None


def _truth_of(raw: Mapping[str, Any]) -> TruthLine:
    needs = raw.get("needs", RICHNESS[0])
    if needs not in RICHNESS:
        raise ValueError(f"needs {needs!r}: expected one of {', '.join(RICHNESS)}")
    return TruthLine(
        kind=raw["kind"],
        subject=raw["subject"],
        began=parse(raw["began"]),
        ended=_moment(raw.get("ended")),
        known=_moment(raw.get("known")),
        needs=needs,
    )


def _alert_of(raw: Mapping[str, Any]) -> AlertLine:
    suspects = (one["asset"] for one in raw.get("suspects", ()))
    return AlertLine(
        id=raw["id"],
        kind=raw["kind"],
        subject=raw["subject"],
        priority=raw.get("priority", ""),
        began=parse(raw["began"]),
        raised=parse(raw["raised"]),
        ended=_moment(raw.get("ended")),
        beside=frozenset(raw.get("affected", ())) | frozenset(suspects),
        named=frozenset(_texts(raw.get("parameters", {}))),
    )


def _moment(text: str | None) -> Moment | None:
    return None if text is None else parse(text)


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for part in value.values():
            yield from _texts(part)
    elif isinstance(value, list):
        for part in value:
            yield from _texts(part)


# Matching.


def matches(
    alert: AlertLine, truth: TruthLine, tolerance: Duration = TOLERANCE
) -> bool:
    """Whether *alert* says what *truth* says.

    The kind is the same; the subject is the same, or for the kinds in `NAMED_BESIDE` one that the alert names as affected or suspected; and the times of the two, from beginning to end, overlap or lie within *tolerance*.
    What only a person ends lasts, for this, until it could be known, or was raised.
    """
    return (
        alert.kind == truth.kind
        and (
            alert.subject == truth.subject
            or (alert.kind in NAMED_BESIDE and truth.subject in alert.beside)
        )
        and alert.began - tolerance <= truth.until
        and truth.began - tolerance <= alert.until
    )


def halves(
    alerts: Sequence[AlertLine], beside: Mapping[str, Iterable[str]] | None = None
) -> list[tuple[AlertLine, AlertLine]]:
    """The pairs of `vanished-train` and `unseen-train` that are one find.

    A train let go of in one section comes out beyond a neighbour: the `unseen-train` is raised no earlier, names the neighbour or the section, and each names the other.

    Args:
        alerts: all that were raised.
        beside: for each section, those that share a head with it; without it, that they name each other is enough.
    """
    later = [one for one in alerts if one.kind == "unseen-train"]
    return [
        (first, second)
        for first in alerts
        if first.kind == "vanished-train"
        for second in later
        if second.raised >= first.raised
        and first.names(second)
        and second.names(first)
        and (beside is None or _near(first, second, beside))
    ]


def _near(
    first: AlertLine, second: AlertLine, beside: Mapping[str, Iterable[str]]
) -> bool:
    here = first.subject.removeprefix("section/")
    around = {f"section/{one}" for one in beside.get(here, ())}
    return bool(around & ({second.subject} | second.beside))


def score(
    alerts: Sequence[AlertLine],
    truths: Sequence[TruthLine],
    *,
    richness: str = "full",
    tolerance: Duration = TOLERANCE,
    beside: Mapping[str, Iterable[str]] | None = None,
) -> Scores:
    """How *alerts* tell what *truths* say.

    Each alert finds one truth at most, the one that began nearest to it; a truth that several tell is found once, by the first of them, and none of them is false.

    Args:
        alerts: one for each id.
        truths: what was so.
        richness: how much the feed carried; what it could not show, or what could never be known, need not be found, and is not false where it is.
        tolerance: how far apart times may lie.
        beside: for `halves`.

    Raises:
        ValueError: there is no such richness.
    """
    if richness not in RICHNESS:
        raise ValueError(
            f"richness {richness!r}: expected one of {', '.join(RICHNESS)}"
        )
    shown = RICHNESS[: RICHNESS.index(richness) + 1]
    knowable = [one for one in truths if one.known is not None]
    expected = [one for one in knowable if one.needs in shown]
    pairs = [
        (alert, truth)
        for truth in truths
        for alert in alerts
        if matches(alert, truth, tolerance)
    ]
    found = _found(pairs)
    borne_out = {alert.id for alert, _ in pairs}
    for pair in halves(alerts, beside):
        ids = {one.id for one in pair}
        if ids & borne_out:
            borne_out |= ids
    false = tuple(one for one in alerts if one.id not in borne_out)
    missed = tuple(one for one in expected if id(one) not in found)
    kinds = sorted({one.kind for one in alerts} | {one.kind for one in expected})
    return Scores(
        kinds=tuple(_of_kind(kind, alerts, expected, found, false) for kind in kinds),
        missed=missed,
        false=false,
        length=_length(alerts, truths),
        unknowable=len(truths) - len(knowable),
        too_rich=len(knowable) - len(expected),
    )


def _found(pairs: Iterable[tuple[AlertLine, TruthLine]]) -> dict[int, AlertLine]:
    """Which alert found which truth, nearest beginnings first."""
    found: dict[int, AlertLine] = {}
    used: set[str] = set()
    for alert, truth in sorted(
        pairs, key=lambda pair: (abs(pair[0].began - pair[1].began), pair[0].raised)
    ):
        if alert.id not in used and id(truth) not in found:
            used.add(alert.id)
            found[id(truth)] = alert
    return found


def _of_kind(
    kind: str,
    alerts: Iterable[AlertLine],
    expected: Iterable[TruthLine],
    found: Mapping[int, AlertLine],
    false: Iterable[AlertLine],
) -> Score:
    truths = [one for one in expected if one.kind == kind]
    told = [(one, found[id(one)]) for one in truths if id(one) in found]
    return Score(
        kind=kind,
        truths=len(truths),
        found=len(told),
        alerts=sum(one.kind == kind for one in alerts),
        false=sum(one.kind == kind for one in false),
        delays=tuple(
            alert.raised - truth.known
            for truth, alert in told
            if truth.known is not None
        ),
    )


def _length(alerts: Iterable[AlertLine], truths: Iterable[TruthLine]) -> Duration:
    times = [(one.began, one.ended) for one in alerts]
    times += [(one.began, one.ended) for one in truths]
    moments = [moment for pair in times for moment in pair if moment is not None]
    return max(moments) - min(moments) if moments else 0


# Telling.


def as_json(scores: Scores, sections: int | None, length: Duration) -> dict[str, Any]:
    """*scores* for machines: times as RFC 3339, durations in seconds, None where nothing can be said."""

    def of(one: Score) -> dict[str, Any]:
        return {
            "kind": one.kind,
            "truths": one.truths,
            "found": one.found,
            "recall": one.recall,
            "alerts": one.alerts,
            "false": one.false,
            "false_per_100_sections_week": one.rate(sections, length),
            "delay_median_s": one.median_delay,
            "delay_worst_s": one.worst_delay,
        }

    return {
        "sections": sections,
        "weeks": length / WEEK,
        "kinds": [of(one) for one in scores.kinds],
        "total": of(scores.total),
        "urgent_false": scores.urgent_false,
        "unknowable": scores.unknowable,
        "need_a_richer_feed": scores.too_rich,
        "missed": [
            {"kind": one.kind, "subject": one.subject, "began": stamp(one.began)}
            for one in scores.missed
        ],
        "false_alerts": [
            {
                "id": one.id,
                "kind": one.kind,
                "subject": one.subject,
                "began": stamp(one.began),
                "priority": one.priority,
            }
            for one in scores.false
        ],
    }


def left_out(scores: Scores) -> str:
    """Which truths were not looked for, in a sentence; nothing where all were.

    Example:
        >>> left_out(
        ...     Scores(
        ...         kinds=(), missed=(), false=(), length=0, unknowable=3, too_rich=1
        ...     )
        ... )
        'not looked for: 3 that could never be known, 1 that needs a richer feed'
    """
    said = []
    if scores.unknowable:
        said.append(f"{scores.unknowable} that could never be known")
    if scores.too_rich:
        needs = "needs" if scores.too_rich == 1 else "need"
        said.append(f"{scores.too_rich} that {needs} a richer feed")
    return f"not looked for: {', '.join(said)}" if said else ""


COLUMNS = (
    "kind",
    "so",
    "found",
    "recall",
    "alerts",
    "false",
    "rate",
    "median",
    "worst",
)
"""Over the columns of `rows`: rate is false alerts per 100 sections and week, median and worst are seconds of delay."""


def rows(
    scores: Scores, sections: int | None, length: Duration
) -> Iterator[tuple[str, ...]]:
    """*scores* as a table for people, all kinds together last."""
    for one in (*scores.kinds, scores.total):
        yield (
            one.kind,
            str(one.truths),
            str(one.found),
            _number(one.recall, "{:.3f}"),
            str(one.alerts),
            str(one.false),
            _number(one.rate(sections, length), "{:.3f}"),
            _number(one.median_delay, "{:.1f}"),
            _number(one.worst_delay, "{:.1f}"),
        )


def _number(value: float | None, form: str) -> str:
    return "-" if value is None else form.format(value)
