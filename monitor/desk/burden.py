"""What was asked of people lately: calls, and alerts as far as load goes by them.

It remembers as long as the longest indicator looks back, and what is open; nothing of it is kept on disk, for a start folds the journal again.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from itertools import islice

from monitor import load
from monitor.core.alerts import Alert
from monitor.core.faults import Call
from monitor.core.moments import DAY, Duration, Moment, stamp
from monitor.desk.model import CallsOut, FloodOut, LoadOut, OftenOut
from monitor.desk.positions import Lately
from monitor.shifts import Shift

LOOKED_BACK: Duration = 31 * DAY
WEEK: Duration = 7 * DAY
MOST = 50_000
"""Calls, and alerts, remembered at most: a call a minute for a month."""


@dataclass(slots=True)
class Burden:
    """Calls and alerts of the last month.

    Args:
        calls: their moments, with the subjects of the alerts because of which.
        alerts: by id.
        since: the first moment it knows of, or None.
        forgot: the last moment of which something was forgotten, or None.
    """

    calls: list[tuple[Moment, str]] = field(default_factory=list)
    alerts: dict[str, load.Raised] = field(default_factory=dict)
    since: Moment | None = None
    forgot: Moment | None = None

    def told(self, alert: Alert) -> None:
        """An alert has opened, changed or ended; a note asks nothing of anybody."""
        if alert.priority == "note":
            return
        if self.since is None or alert.raised < self.since:
            self.since = alert.raised
        self.alerts[alert.id] = load.Raised(
            kind=alert.kind,
            subject=alert.subject,
            priority=alert.priority,
            raised=alert.raised,
            ended=alert.ended,
        )
        if len(self.alerts) > MOST:
            over = (k for k, one in self.alerts.items() if one.ended is not None)
            for key in list(islice(over, MOST // 10)):
                self._forget(self.alerts.pop(key).raised)

    def called(self, call: Call) -> None:
        """Somebody was called."""
        about = self.alerts.get(call.alert)
        self.calls.append((call.at, about.subject if about is not None else ""))
        if len(self.calls) > MOST:
            self._forget(max(at for at, _ in self.calls[: MOST // 10]))
            del self.calls[: MOST // 10]

    def _forget(self, at: Moment) -> None:
        self.forgot = at if self.forgot is None else max(at, self.forgot)

    def lately(self) -> Lately:
        """All of it, for a handover sheet."""
        return Lately(
            calls=tuple(self.calls),
            alerts=tuple(self.alerts.values()),
            known_since=None if self.forgot is None else self.forgot + 1,
        )

    def out(
        self,
        position: str,
        now: Moment,
        subjects: Collection[str] | None,
        seen_at: Callable[[str], Moment | None],
        *,
        shift: Shift | None = None,
    ) -> LoadOut:
        """The indicators at *now*.

        Args:
            position: whose.
            now: when.
            subjects: that it looks after; None: all.
            seen_at: when an alert was seen, by its id.
            shift: that goes on; None: none are set up.
        """
        calls = sorted(
            at for at, of in self.calls if subjects is None or of in subjects
        )
        mine = {
            key: one
            for key, one in self.alerts.items()
            if subjects is None or one.subject in subjects
        }
        week = [one for one in mine.values() if now - WEEK < one.raised <= now]
        day = {k: one for k, one in mine.items() if now - DAY < one.raised <= now}
        lately = [
            load.Raised(
                kind=one.kind,
                subject=one.subject,
                priority=one.priority,
                raised=one.raised,
                ended=one.ended,
                seen=seen_at(key),
            )
            for key, one in day.items()
        ]
        often = dict(load.top(lately, most=max(1, len(lately))))
        begin = max(self.since or now, now - LOOKED_BACK)
        return LoadOut(
            position=position,
            since=None if self.since is None else stamp(begin),
            counts=[
                CallsOut(
                    within=words,
                    calls=load.counted(calls, now, limit.length),
                    target=limit.target,
                    limit=limit.limit,
                )
                for words, limit in load.LIMITS.items()
            ]
            + ([] if shift is None else [_of_shift(calls, now, shift)]),
            floods=[
                FloodOut(
                    begin=stamp(one.begin),
                    end=None if one.end is None else stamp(one.end),
                    calls=one.calls,
                )
                for one in load.floods(calls, now)
                if one.begin > now - WEEK
            ],
            chattering=[
                OftenOut(kind=kind, subject=subject, times=often[kind, subject])
                for kind, subject in load.chattering(lately)
            ],
            fleeting=len(load.fleeting(lately)),
            stale=[key for key, one in mine.items() if load.stale([one], now)],
            most=[
                OftenOut(kind=kind, subject=subject, times=times)
                for (kind, subject), times in load.top(week)
            ],
            shares=load.shares(list(mine.values()), begin, now),
        )


def _of_shift(calls: Sequence[Moment], now: Moment, shift: Shift) -> CallsOut:
    """The calls of a shift so far, against what the whole of it can be asked."""
    limit = load.limit_of(shift.end - shift.begin)
    return CallsOut(
        within="shift",
        calls=sum(shift.begin <= at <= now for at in calls),
        target=limit.target,
        limit=limit.limit,
    )
