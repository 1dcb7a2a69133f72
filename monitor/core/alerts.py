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
from dataclasses import dataclass, field, replace
from typing import Any

from monitor.core.detector import Evidence, Found, Over, Priority, Suspect
from monitor.core.moments import Moment, stamp


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


def digest(text: str) -> str:
    """The hash by which an alert line is known: storing it again does nothing."""
    return hashlib.sha256(text.encode()).hexdigest()


Key = tuple[str, str, Moment | None]


@dataclass(slots=True)
class Alerts:
    """The alerts that are open, by kind, subject and, where only a person ends them, `began`."""

    open: dict[Key, Alert] = field(default_factory=dict)

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
        if before and "quiet" in before.parameters:
            alert = _quiet(alert, before.parameters["quiet"])
        if alert == before:
            return None
        if found.ended is None:
            self.open[key] = alert
        else:
            self.open.pop(key, None)
        return alert

    def over(self, kind: str, subject: str, over: Over) -> Alert | None:
        """The alert there as it ends, or None where none is open."""
        before = self.open.pop((kind, subject, None), None)
        if before is None:
            return None
        parameters = before.parameters
        if over.because:
            parameters = {**parameters, "over_because": over.because}
        return replace(before, ended=over.at, parameters=parameters)

    def hush(self, subject: str, why: str) -> list[Alert]:
        """The open alerts about *subject*, kept quiet because of *why* from now on."""
        return self._rewrite(subject, lambda alert: _quiet(alert, why))

    def speak(self, subject: str) -> list[Alert]:
        """The open alerts about *subject*, no longer kept quiet."""
        return self._rewrite(subject, _loud)

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


def _quiet(alert: Alert, why: str) -> Alert:
    return replace(alert, parameters={**alert.parameters, "quiet": why})


def _loud(alert: Alert) -> Alert:
    parameters = {k: v for k, v in alert.parameters.items() if k != "quiet"}
    return replace(alert, parameters=parameters)
