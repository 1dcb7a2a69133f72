"""What people did, folded beside the engine: alerts handled, desks taken, plans begun.

The engine is never told of it; a start folds both out of one journal, in the order in which they were written.
What stood in the journal and no longer fits (its alert is not raised any more under other settings, its position is no longer set up) is left out and counted.
"""

from __future__ import annotations

from collections.abc import Iterable

from monitor.acts import read_act
from monitor.core.engine import Output
from monitor.core.moments import DAY, Duration
from monitor.handling import Act, Handling, Refused
from monitor.keeps import Keep, read_keep
from monitor.planned import Plans, read_record
from monitor.shifts import Desks, Position
from monitor.visits import Visits, read_visit


class Doings:
    """What people did.

    Args:
        positions: that are set up.
        longest_shelf: for so long something is shelved at most.

    Attributes:
        handling: of alerts and faults.
        desks: who has each.
        plans: of work.
        keeps: windows of the journal that are to be kept, by id.
        visits: to parts, and what was found there.
        left_out: acts of the journal that no longer fit.

    Example:
        >>> from monitor.acts import write_act
        >>> from monitor.core.moments import parse
        >>> from monitor.shifts import DeskAct
        >>> doings = Doings([Position(name="north")])
        >>> at = parse("2026-05-04T06:00:00Z")
        >>> taken = DeskAct(
        ...     id="1", at=at, entered=at, by="Ada", position="north", what="take_desk"
        ... )
        >>> doings.read(write_act(taken))
        >>> doings.desks.desk("north").who
        'Ada'
    """

    def __init__(
        self, positions: Iterable[Position], longest_shelf: Duration = DAY
    ) -> None:
        self.handling = Handling(longest=longest_shelf)
        self.desks = Desks(tuple(positions))
        self.plans = Plans()
        self.keeps: dict[str, Keep] = {}
        self.visits = Visits()
        self.left_out = 0

    def told(self, output: Output) -> None:
        """The engine gave *output*: there is something to be handled."""
        for alert in output.alerts:
            self.handling.told(alert)
        for fault in output.faults:
            self.handling.told_fault(fault)

    def read(self, payload: bytes) -> None:
        """Take what the journal kept, where a person did it; else it is something else.

        Raises:
            ValueError: a person did it, and it is not as it was written.
        """
        record = read_record(payload)
        if record is not None:
            self.plans.take(record)
            return
        keep = read_keep(payload)
        if keep is not None:
            self.keeps[keep.id] = keep
            return
        visit = read_visit(payload)
        if visit is not None:
            self.visits.take(visit)
            return
        act = read_act(payload)
        if act is None:
            return
        try:
            if isinstance(act, Act):
                if self.handling.take(act):
                    self.visits.told(act, self.handling.fault_of(act))
            else:
                self.desks.take(act)
        except Refused:
            self.left_out += 1
