"""What becomes of faults that are told otherwise since a start: their numbers have been said, and must lead on.

A monitor that starts anew folds its whole journal with what is in force from then on, and may come to other alerts, gathered into other faults.
A fault that was told, is not over, and is none of those now gets a last line: it went into the fault that has its alerts, or it is over where none has.
It is made of what was told and what is told alone, so a replay comes to the same lines.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from monitor.core.faults import Fault
from monitor.core.moments import Moment

WHY = "concluded otherwise since the monitor started anew with something else in force"

LEFT = "no more concluded since the monitor started anew with something else in force"


def stands(fault: Fault) -> bool:
    """Whether *fault*, by its last line, is still to be followed: it is not over, or a person may still close something in it."""
    return fault.into is None and (fault.ended is None or bool(fault.lasting))


@dataclass(slots=True)
class Succession:
    """What became of those that were told before.

    Args:
        former: the last line of each fault that was told before the start; those that no longer stand are left alone.
    """

    former: Iterable[Fault]
    _before: dict[str, Fault] = field(default_factory=dict)
    _of: dict[str, str] = field(default_factory=dict)
    _alerts: set[str] = field(default_factory=set)
    _now: dict[str, Fault] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._before = {one.id: one for one in self.former if stands(one)}
        self._alerts = {name for one in self._before.values() for name in one.alerts}

    def told(self, faults: Iterable[Fault]) -> None:
        """What is in force now comes to *faults*, in their order."""
        if not self._before:
            return
        for one in faults:
            self._before.pop(one.id, None)
            here = self._alerts.intersection(one.alerts)
            if here:
                self._now[one.id] = one
                if one.into is None:
                    self._of.update(dict.fromkeys(here, one.id))

    def lines(self, at: Moment) -> tuple[Fault, ...]:
        """The last lines of those that are told otherwise now.

        Args:
            at: when the last event before the start came: with that it is over.
        """
        return tuple(
            one
            for fault in self._before.values()
            if (one := self._last(fault, at)) is not None
        )

    def _last(self, fault: Fault, at: Moment) -> Fault | None:
        into = next(
            (
                self._of[name]
                for name in (*fault.open, *fault.lasting, *fault.alerts)
                if name in self._of
            ),
            None,
        )
        if into is None and fault.ended is not None:
            return None  # it was over, and nothing else has what is left to be closed
        now = self._now[into].raised if into is not None else at
        return replace(
            fault,
            ended=max(fault.raised, now) if fault.ended is None else fault.ended,
            open=(),
            lasting=(),
            waiting=(),
            into=into,
            why=LEFT if into is None else WHY,
        )
