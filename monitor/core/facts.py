"""What was so: occupations, disturbances, resets, spells not known, work.

A fact is keyed by kind, subject and `began`, so that writing it again changes nothing and a later line of the same key replaces an earlier one.
Pages and reports are made of facts; alerts are about them.

| kind | subject | values |
|---|---|---|
| `heard` | section | none: a moment, that of its first event |
| `occupation` | section | `entry`, `exit` (verdicts), `worked_through`, `by_reset`, `only_occupied`, `under_work`, `axles` (the most counted in it, 0 where tallies are not given); where a train is known `trains`, `first_seen`, `first_seen_at`, `out_of`, `into` |
| `disturbance` | section | `spurious`, `under_work`, `event` |
| `failed` | section | not available: from showing anything but clear and occupied until it was given back, to the interlocking too where the feed tells that; `under_work`, `began_seen`, `ended_seen` (not where that fell into a spell not known) |
| `no-train` | section | occupied with no train seen: `alert`, or `spurious` where it ended by itself |
| `held` | section | a train stood before it while it was not available, longer than any of the last trains there: `before`, `trains`, `usual_longest_s` |
| `reset` | section | `kind`, `step`, `by`, `proved_at`, `under_work`, `event` |
| `not-known` | section | `why` |
| `work` | section | `reference`, `planned_end`, `isolated` |
| `service` | evaluator | `state` |
| `passages` | head | those of an hour so far, from its beginning up to the last: `count`, `axles` |
"""

from __future__ import annotations

from dataclasses import field
from typing import Any, Literal

from monitor.core.moments import Moment
from monitor.core.values import value_class

FactKind = Literal[
    "heard",
    "occupation",
    "disturbance",
    "failed",
    "no-train",
    "held",
    "reset",
    "not-known",
    "work",
    "service",
    "passages",
]


@value_class(frozen=True, slots=True, kw_only=True)
class Fact:
    """One thing that was so.

    Args:
        kind: which of the table above.
        subject: as in alerts, `section/T107`.
        began: when it began, corrected time.
        ended: when it ceased, or None while it lasts.
        values: what else is known of it; plain JSON values.
    """

    kind: FactKind
    subject: str
    began: Moment
    ended: Moment | None = None
    values: dict[str, Any] = field(default_factory=dict)

    @property
    def key(self) -> tuple[str, str, Moment]:
        """What makes two lines the same fact."""
        return self.kind, self.subject, self.began
