"""The desk as the daemon holds it: made before the start, told everything, listening once the daemon is ready, and four tasks of the daemon's.

A replay goes without it.
"""

from __future__ import annotations

from collections.abc import Callable, Coroutine, Iterable
from typing import Any

from monitor.core.engine import Output
from monitor.core.events import AnyEvent
from monitor.core.faults import Call, Fault
from monitor.core.layout import Line
from monitor.core.moments import Moment
from monitor.desk.app import create
from monitor.desk.monitor import Daemonic, MonitorDesk, Pulse
from monitor.desk.outlooks import Outlooks
from monitor.desk.pages.ticks import Ticks
from monitor.desk.people import People
from monitor.desk.planning import Planning
from monitor.desk.records import Records
from monitor.desk.serve import DeskServer
from monitor.desk.stream import Stream
from monitor.settings.desk import DeskSettings

__all__ = ["Daemonic", "Front", "Pulse", "Records"]


class Front:
    """All of the desk.

    Args:
        line: the line file.
        settings: of the desk.
        lent: by the daemon.
        clock: by which sessions end, whatever time it is on a feed that is played.
        caption: what a show says about what one sees, or "".
        planning: makes the planner's reports.
        outlooks: makes the planner's work lists.

    Attributes:
        at: where people are answered, once it listens.
    """

    def __init__(
        self,
        line: Line,
        settings: DeskSettings,
        lent: Daemonic,
        clock: Callable[[], Moment],
        caption: Callable[[], str] = str,
        *,
        planning: Planning | None = None,
        outlooks: Outlooks | None = None,
    ) -> None:
        self._settings = settings
        self._clock = clock
        self._stream = Stream(readers=settings.readers)
        self._desk = MonitorDesk(line, lent, self._stream)
        self._ticks = Ticks(self._desk, line, self._stream, caption)
        self._planning = planning
        self._outlooks = outlooks
        self._server: DeskServer | None = None
        self.at: str | None = None

    def told(self, outputs: Iterable[Output], *, live: bool = True) -> None:
        """What the engine gave, after `handling` was told; not *live* while the journal is folded."""
        self._desk.told(outputs, live=live)

    def called(self, call: Call, why: str) -> None:
        """Somebody is called, or nobody is, and why."""
        self._desk.called(call, why)

    def was_called(self, call: Call) -> None:
        """Somebody was called before the monitor started."""
        self._desk.was_called(call)

    def was_told(self, former: Iterable[Fault]) -> None:
        """Faults that were told before the monitor started, and are told otherwise now."""
        self._desk.was_told(former)

    def heard(self, events: Iterable[AnyEvent]) -> None:
        """What came, once the engine has taken it."""
        self._desk.heard(events)

    def looked(self) -> None:
        """Time has passed; to be told now and then."""
        self._desk.looked()

    def listen(self) -> str:
        """Take the port; gives back where.

        Raises:
            OSError: it is taken, or the certificate cannot be used.
            PeopleFault: the file of people cannot be used.
        """
        people = People(self._settings.people_file)
        people.refresh()
        app = create(
            self._desk,
            self._settings,
            self._stream,
            self._clock,
            people=people,
            ticks=self._ticks,
            planning=self._planning,
            outlooks=self._outlooks,
        )
        self._server = DeskServer(app, self._settings, self._stream)
        self.at = self._server.at
        return self.at

    def tasks(self) -> tuple[tuple[str, Coroutine[Any, Any, None]], ...]:
        """What the daemon is to run, each with a name; `listen` goes before."""
        if self._server is None:
            raise RuntimeError("it does not listen yet")
        return (
            ("desk", self._server.run()),
            ("acts", self._desk.run()),
            ("pages heard", self._ticks.follow()),
            ("pages told", self._ticks.tell()),
        )

    def stop(self) -> None:
        """Take nothing more, and let go whoever follows; the tasks are cancelled after that."""
        if self._server is not None:
            self._ticks.ticks.close()
            self._server.stop()

    def close(self) -> None:
        """Let go of the port, where nothing was answered there yet."""
        if self._server is not None:
            self._server.close()
