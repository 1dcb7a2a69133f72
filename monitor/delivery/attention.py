"""What people did that delivery must know: who has seen it, what is shelved or switched off, what is closed."""

from __future__ import annotations

from typing import Protocol

from monitor.core.alerts import Alert
from monitor.core.faults import Fault
from monitor.core.moments import Moment
from monitor.handling import Handling, Life


class Attention(Protocol):
    """What people did about alerts and faults."""

    def quiet(self, alert: str, at: Moment) -> str:
        """Why nobody is called for an alert, in words, or ""."""
        ...

    def seen(self, fault: str, alert: str, since: Moment) -> bool:
        """Whether somebody has seen the alert because of which was called, or has said since then that they go to its fault."""
        ...

    def closed(self, alert: str, at: Moment) -> bool:
        """Whether a person has closed an alert that only a person ends."""
        ...

    def fault(self, name: str) -> Fault | None:
        """A fault as it stands, or the one that took it in; None where it is not known."""
        ...

    def unanswered(self, fault: str, at: Moment) -> tuple[Alert, ...]:
        """The alerts of a fault for which somebody is needed now, that nobody has seen and that are not quiet, in the order in which they came."""
        ...

    def number(self, alert: str) -> str:
        """The number of the fault in which an alert was at first, the same over its whole life; "" where it is of none."""
        ...

    def over(self, fault: str) -> bool | None:
        """Whether nobody has to do with a fault any more, or with the one that took it in; None where it is not known."""
        ...


class Nobody:
    """Nobody has done anything."""

    def quiet(self, alert: str, at: Moment) -> str:
        """Nothing is shelved."""
        del self, alert, at
        return ""

    def seen(self, fault: str, alert: str, since: Moment) -> bool:
        """Nobody has."""
        del self, fault, alert, since
        return False

    def closed(self, alert: str, at: Moment) -> bool:
        """Nobody has."""
        del self, alert, at
        return False

    def fault(self, name: str) -> Fault | None:
        """Nobody knows."""
        del self, name
        return None

    def unanswered(self, fault: str, at: Moment) -> tuple[Alert, ...]:
        """Nobody knows."""
        del self, fault, at
        return ()

    def number(self, alert: str) -> str:
        """Nobody knows."""
        del self, alert
        return ""

    def over(self, fault: str) -> bool | None:
        """Nobody knows."""
        del self, fault
        return None


class Desk:
    """What the records of handling say.

    Args:
        handling: as it is folded.
    """

    def __init__(self, handling: Handling) -> None:
        self._handling = handling

    def quiet(self, alert: str, at: Moment) -> str:
        """Why nobody is called: it is switched off or shelved. What is quiet by design was not called for in the first place."""
        try:
            handled = self._handling.of(alert, at)
        except KeyError:
            return ""
        return "" if handled.quiet == handled.suppressed else handled.quiet

    def seen(self, fault: str, alert: str, since: Moment) -> bool:
        """Whether the alert is seen, or somebody goes to its fault who said so since then: whoever went before went for something else."""
        try:
            if self._handling.of(alert, since).acked:
                return True
        except KeyError:
            pass
        try:
            fault = self._handling.fault(fault).id
        except KeyError:
            return False
        return self._handling.attending(fault, since)

    def closed(self, alert: str, at: Moment) -> bool:
        """Whether a person has closed it."""
        try:
            return self._handling.of(alert, at).life is Life.CLOSED
        except KeyError:
            return False

    def fault(self, name: str) -> Fault | None:
        """As the core told it last."""
        try:
            return self._handling.fault(name)
        except KeyError:
            return None

    def unanswered(self, fault: str, at: Moment) -> tuple[Alert, ...]:
        """What somebody would be called for, were it raised now."""
        try:
            return self._handling.unanswered(fault, at)
        except KeyError:
            return ()

    def number(self, alert: str) -> str:
        """As it was said at first."""
        fault = self._handling.first_fault_of(alert)
        return "" if fault is None else fault.number

    def over(self, fault: str) -> bool | None:
        """Whether all in it is over, and what only a person ends is closed."""
        try:
            return not self._handling.is_open(self._handling.fault(fault).id)
        except KeyError:
            return None
