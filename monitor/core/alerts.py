"""An alert's life, as a table, and the record that the world reads.

| the alert is | found | over |
|---|---|---|
| not there | opens: a line | nothing: there was none |
| open | changes: a line, where anything but the moment differs | ends: a line |
| ended | a new one opens, with its own `began` and id | nothing |

One alert of a kind and subject is open at a time; of a kind that only a person ends, one for each `began`.
While it is open its `began`, `raised` and id stay; what is known of it may grow.
An id is made from kind, subject and `began` alone, so two monitors on one feed, or the same day live and replayed, give the same alerts.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from monitor.core.detector import Evidence, Found, Over, Priority, Suspect
from monitor.core.moments import SECOND, Moment, parse, stamp
from monitor.core.suppression import OF_A_CAUSE, Suppression
from monitor.core.words import span


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert:
    """One alert as it stands: the record of the contract.

    Args:
        id: first 16 hexadecimal digits of SHA-256 over kind, subject and `began`.
        kind: what was found, for machines.
        subject: about what, `section/T107`.
        priority: what it asks of people.
        began: when the condition began.
        raised: the latest event time the conclusion needed.
        ended: when it ceased, or None while it is open.
        summary: what happened, in a sentence.
        evidence: what it rests on.
        affected: the subjects concerned.
        suspects: which assets may be the cause.
        checks: what to look at first, what else it could be, the caution.
        parameters: every number behind it.
    """

    id: str
    kind: str
    subject: str
    priority: Priority
    began: Moment
    raised: Moment
    ended: Moment | None
    summary: str
    evidence: tuple[Evidence, ...]
    affected: tuple[str, ...]
    suspects: tuple[Suspect, ...]
    checks: tuple[str, ...]
    parameters: dict[str, Any]


def identify(kind: str, subject: str, began: Moment) -> str:
    """The id of an alert.

    Example:
        >>> from monitor.core.moments import parse
        >>> identify(
        ...     "occupied-no-train", "section/T107", parse("2026-05-04T06:12:03.412Z")
        ... )
        '7b9effd83caf5b4f'
    """
    text = f"{kind}\n{subject}\n{stamp(began)}"
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def line(alert: Alert) -> str:
    """The JSON line of *alert*, without its line feed; equal alerts give equal bytes."""
    return json.dumps(
        {
            "id": alert.id,
            "kind": alert.kind,
            "subject": alert.subject,
            "priority": alert.priority,
            "began": stamp(alert.began),
            "raised": stamp(alert.raised),
            "ended": None if alert.ended is None else stamp(alert.ended),
            "summary": alert.summary,
            "evidence": [
                {"time": stamp(one.time), "text": one.text, "event": one.event}
                for one in alert.evidence
            ],
            "affected": list(alert.affected),
            "suspects": [
                {"asset": one.asset, "weight": one.weight} for one in alert.suspects
            ],
            "checks": list(alert.checks),
            "parameters": alert.parameters,
        },
        ensure_ascii=False,
        separators=(", ", ": "),
    )


def read(record: Mapping[str, Any]) -> Alert:
    """The alert of a record, as `line` writes it."""
    ended = record["ended"]
    return Alert(
        id=record["id"],
        kind=record["kind"],
        subject=record["subject"],
        priority=record["priority"],
        began=parse(record["began"]),
        raised=parse(record["raised"]),
        ended=None if ended is None else parse(ended),
        summary=record["summary"],
        evidence=tuple(
            Evidence(time=parse(one["time"]), text=one["text"], event=one["event"])
            for one in record["evidence"]
        ),
        affected=tuple(record["affected"]),
        suspects=tuple(
            Suspect(asset=one["asset"], weight=one["weight"])
            for one in record["suspects"]
        ),
        checks=tuple(record["checks"]),
        parameters=record["parameters"],
    )


def digest(text: str) -> str:
    """The hash by which an alert line is known: storing it again does nothing."""
    return hashlib.sha256(text.encode()).hexdigest()


Key = tuple[str, str, Moment | None]


@dataclass(slots=True)
class Alerts:
    """The alerts that are open, by kind, subject and, where only a person ends them, `began`."""

    open: dict[Key, Alert] = field(default_factory=dict)
    suppression: Suppression = field(default_factory=Suppression)
    _last: dict[tuple[str, str], Alert] = field(default_factory=dict)

    def found(self, kind: str, subject: str, found: Found) -> Alert | None:
        """What *found* makes of the alert there; None where nothing new is said."""
        key = kind, subject, found.began if found.lasting else None
        before = self.open.get(key)
        alert = Alert(
            id=before.id if before else identify(kind, subject, found.began),
            kind=kind,
            subject=subject,
            priority=found.priority,
            began=before.began if before else found.began,
            raised=before.raised if before else found.raised,
            ended=found.ended,
            summary=found.summary,
            evidence=found.evidence,
            affected=found.affected or (subject,),
            suspects=found.suspects,
            checks=found.checks,
            parameters=found.parameters,
        )
        marks = self.suppression.marks(kind, subject)
        if before and "group" in before.parameters:
            marks = {"group": before.parameters["group"], **marks}
        if marks:
            alert = replace(alert, parameters={**alert.parameters, **marks})
        if alert == before:
            return None
        if found.ended is None:
            self.open[key] = alert
        else:
            self.open.pop(key, None)
            self._ended(alert)
        return alert

    def over(self, kind: str, subject: str, over: Over) -> Alert | None:
        """The alert there as it ends, or None where none is open."""
        before = self.open.pop((kind, subject, None), None)
        if before is None:
            return None
        lasted = over.at - before.began
        summary = f"Over after {span(lasted)}: {over.because}. Was: {before.summary}"
        parameters = {
            **before.parameters,
            "over_because": over.because,
            "lasted_s": lasted / SECOND,
        }
        alert = replace(before, ended=over.at, summary=summary, parameters=parameters)
        self._ended(alert)
        return alert

    def _ended(self, alert: Alert) -> None:
        if alert.kind in OF_A_CAUSE:
            self._last[alert.kind, alert.subject] = alert

    def remark(self, subject: str) -> list[Alert]:
        """The alerts about *subject* that have something else to say of what keeps them quiet, or of their group.

        One that is over already, and turns out to be of a group, is told once more too.
        """
        changed = self._rewrite(subject, self._marked)
        cause = self.suppression.causes.get(subject)
        if cause is None:
            return changed
        for kind in sorted(OF_A_CAUSE):
            last = self._last.get((kind, subject))
            if last is not None and last.began >= cause.since:
                after = self._marked(last)
                if after != last:
                    self._last[kind, subject] = after
                    changed.append(after)
        return changed

    def _marked(self, alert: Alert) -> Alert:
        marks = self.suppression.marks(alert.kind, alert.subject)
        kept = {k: v for k, v in alert.parameters.items() if k != "quiet"}
        return replace(alert, parameters={**kept, **marks})

    def about(self, kind: str, subject: str) -> list[Alert]:
        """The open alerts of a kind about *subject*, oldest first."""
        return [self.open[key] for key in self._about(subject) if key[0] == kind]

    def _about(self, subject: str) -> list[Key]:
        keys = [key for key in self.open if key[1] == subject]
        return sorted(keys, key=lambda key: (key[0], key[2] or 0))

    def _rewrite(self, subject: str, change: Any) -> list[Alert]:
        changed = []
        for key in self._about(subject):
            before = self.open[key]
            after = change(before)
            if after != before:
                self.open[key] = after
                changed.append(after)
        return changed
