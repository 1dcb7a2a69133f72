"""A section disturbed more and more often."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, ClassVar

from monitor.core.changes import (
    AssetDisturbed,
    Change,
    Disturbance,
    KnownAgain,
    NotKnown,
    StateChanged,
    WorkBegan,
    WorkEnded,
)
from monitor.core.detector import (
    INTERRUPTIONS,
    Evidence,
    Finding,
    Found,
    Over,
    Place,
    PlaceKind,
    Priority,
    Resting,
    Suspect,
    look,
)
from monitor.core.moments import DAY, HOUR, Duration, Moment
from monitor.core.statistics.trend import bursts, laplace, unevenness
from monitor.core.values import value_class
from monitor.core.words import clock, times

WEEK: Duration = 7 * DAY

MONDAY: Moment = 4 * DAY
"""1970-01-05T00:00:00Z, a Monday."""

MOST = 400
"""Disturbances remembered at most; of a section disturbed more often only the newest are looked at, from the first of them on."""

QUOTED = 10
"""Disturbances given as evidence, the newest."""

MOST_SPELLS = 60
"""Spells in which nothing counted remembered at most, the newest."""

SHORT: Duration = HOUR
"""A spell shorter than this is not taken out: it moves no trend of weeks."""

FEW = 2
"""Gaps need two bursts to be compared at all."""


@value_class(frozen=True, slots=True, kw_only=True)
class Record:
    """The disturbances of a section within the window.

    Args:
        first: when the section was first heard, or None.
        found: when each disturbance happened, oldest first.
        quoted: the newest of them, with the event that shows it.
        fresh: one has come since the last Monday that was judged.
        spells: in which nothing counted, as beginning and end.
        stopped: why nothing counts now; nothing where it does.
        stopped_since: since when.
        due: the next Monday on which it is judged, or None.
        suspected: it trended at the last Monday judged.
        raised: when the open alert was raised, or None where none is open.
    """

    first: Moment | None = None
    found: tuple[Moment, ...] = ()
    quoted: tuple[tuple[Moment, str], ...] = ()
    fresh: bool = False
    spells: tuple[tuple[Moment, Moment], ...] = ()
    stopped: tuple[str, ...] = ()
    stopped_since: Moment = 0
    due: Moment | None = None
    suspected: bool = False
    raised: Moment | None = None

    def stop(self, reason: str, since: Moment) -> Record:
        """The same where from *since* on nothing counts."""
        if reason in self.stopped:
            return self
        begun = self.stopped_since if self.stopped else since
        return replace(self, stopped=(*self.stopped, reason), stopped_since=begun)

    def go_on(self, reason: str, at: Moment) -> Record:
        """The same where what stopped it for *reason* is over."""
        if reason not in self.stopped:
            return self
        left = tuple(one for one in self.stopped if one != reason)
        spells = self.spells
        if not left and at - self.stopped_since >= SHORT:
            spells = (*spells, (self.stopped_since, at))[-MOST_SPELLS:]
        return replace(self, stopped=left, spells=spells)

    def without(self, since: Moment) -> Record:
        """The same without what lies before *since*."""
        return replace(
            self,
            found=tuple(one for one in self.found if one > since),
            spells=tuple(one for one in self.spells if one[1] > since),
        )

    def watched(self, since: Moment, until: Moment) -> Duration:
        """For how long things counted between *since* and *until*."""
        lost = sum(
            max(0, min(end, until) - max(begun, since)) for begun, end in self.spells
        )
        return until - since - lost


@value_class(frozen=True, slots=True, kw_only=True)
class Trend:
    """What the disturbances of a window say; days are days in which things counted.

    Args:
        counted: disturbances.
        singly: the same with each burst counted once.
        days: how long the window is.
        thirds: how many of them in each third of it.
        laplace: Laplace's statistic of the bursts, positive where they come faster and faster.
        unevenness: of the gaps between them.
        statistic: the former over the latter, where that is above one.
    """

    counted: int
    singly: int
    days: float
    thirds: tuple[int, int, int]
    laplace: float
    unevenness: float
    statistic: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Worsening(Resting):
    """A section, or what hangs on one asset, is disturbed more and more often, beyond what chance and bursts make of a steady one.

    What the desk does first: hand it to the maintenance planner.
    Within: a week.
    If not: it goes on getting worse, and fails for good.

    Args:
        window_d: disturbances of the last so many days are looked at, or since the first event if that is later (common practice: a season).
        least: so few disturbances, bursts counted once, make no trend (common practice: below that no test can tell).
        burst_h: disturbances no farther apart than this are one burst, in hours (common practice: one visit, one storm, one train).
        threshold: the statistic must be at least this, two Mondays running (chosen by simulation, see below; a common practice of 1.64, one look at one in twenty, would call every second section in a year).

    Judged on Mondays at 00:00 UTC, where a disturbance is new.
    Laplace's statistic says whether the disturbances lie late in the time watched.
    It takes for granted that they come singly; where they come in bursts, of hours or of weeks, it calls what is chance.
    So what comes within two hours is counted once, and the statistic is divided by how uneven the gaps still are (Lewis and Robinson), but never by less than one: gaps that happen to be even are no evidence.
    A trend makes gaps uneven too, so this costs finds; to take a fitted trend out of the gaps first was tried, and then long spells pass for trends.
    Time under work, and time in which the section was not known, is taken out, for nothing counts then.
    A look each Monday is fifty looks a year, so the threshold is higher than for one.
    It was chosen by simulated years of steady sections, at 10 to 200 disturbances a year: singly, in bursts of one to eight within hours or a day, with gaps of two and three times the unevenness of chance, and mixed; the worst of these is called in less than one year of a hundred.
    `python -m tests.bench.trends` prints that table again, and beside it what growth is found.

    Example:
        >>> from monitor.core.moments import parse
        >>> detector, place = Worsening(), Place.example("T107")
        >>> start = parse("2026-05-04T00:00:00Z")
        >>> memory = detector.step(
        ...     detector.start(place),
        ...     Disturbance(
        ...         place="T107",
        ...         at=start,
        ...         happened=start,
        ...         spurious=False,
        ...         under_work=False,
        ...         event="gw/1#1",
        ...     ),
        ...     place,
        ... )[0]
        >>> for number in range(1, 61):
        ...     due = detector.wake_at(memory)
        ...     at = start + round(70 * DAY * (number / 60) ** 0.4)
        ...     if due is not None and due < at:
        ...         memory, findings = detector.wake(memory, due, place)
        ...         if findings:
        ...             break
        ...     change = Disturbance(
        ...         place="T107",
        ...         at=at,
        ...         happened=at,
        ...         spurious=False,
        ...         under_work=False,
        ...         event="gw/1#7",
        ...     )
        ...     memory, _ = detector.step(memory, change, place)
        >>> findings[0].summary
        'T107 disturbed more and more often: 34 times in 56 days, by thirds 2, 10 and 22'

    When it is wrong: where work that the feed does not tell of, a new timetable or the weather of a season makes more disturbances without anything getting worse.
    A section with a few disturbances a year that has three times as many is not told from chance, and nothing is said.

    References:
        Cox, D. R., and Lewis, P. A. W. (1966), The statistical analysis of series of events.
        Lewis, P. A. W., and Robinson, D. W. (1974), Testing for a monotone trend in a modulated renewal process, in: Reliability and biometry, 163-182.
    """

    kind: ClassVar[str] = "worsening"
    title: ClassVar[str] = "disturbed more and more often"
    places: ClassVar[PlaceKind] = "section"
    hears: ClassVar[tuple[type[Change], ...]] = (
        Disturbance,
        AssetDisturbed,
        StateChanged,
        *INTERRUPTIONS,
    )
    stirred_by: ClassVar[frozenset[type[Change]]] = frozenset(
        {Disturbance, AssetDisturbed, *INTERRUPTIONS}
    )
    priorities: ClassVar[tuple[Priority, ...]] = ("planned",)
    first: ClassVar[str] = "hand it to the maintenance planner"
    within: ClassVar[str] = "a week"
    otherwise: ClassVar[str] = "it goes on getting worse, and fails for good"

    window_d: float = 90.0  # common practice: a season
    least: int = 8  # below that no test can tell
    burst_h: float = 2.0  # one visit, one storm, one train
    threshold: float = 2.85  # by simulation: at most one section-year in a hundred

    @property
    def _window(self) -> Duration:
        return round(self.window_d * DAY)

    def start(self, place: Place) -> Record:  # noqa: ARG002 - the same everywhere
        """Nothing has been heard."""
        return Record()

    def rests(self, memory: Record) -> bool:
        """Whether the first event was heard, so that further states say nothing new."""
        return memory.first is not None

    def step(
        self,
        memory: Record,
        change: Change,
        place: Place,  # noqa: ARG002
    ) -> tuple[Record, tuple[Finding, ...]]:
        """Keep one more disturbance; what falls under work does not count."""
        match change:
            case StateChanged():
                if memory.first is not None:
                    return memory, ()
                return replace(memory, first=change.at), ()
            case Disturbance():
                return self._disturbed(memory, change), ()
            case WorkBegan():
                return memory.stop("under work", change.at), ()
            case NotKnown():
                return memory.stop("not known", change.since), ()
            case WorkEnded():
                return memory.go_on("under work", change.at), ()
            case KnownAgain():
                return memory.go_on("not known", change.at), ()
            case _:
                return memory, ()

    def _disturbed(self, memory: Record, change: Disturbance) -> Record:
        first = change.happened if memory.first is None else memory.first
        if change.under_work:
            return memory if memory.first is not None else replace(memory, first=first)
        memory = memory.without(change.at - self._window)
        found = (*memory.found, change.happened)
        if len(found) > 1 and found[-2] > found[-1]:
            found = tuple(sorted(found))
        if len(found) > MOST:
            # The oldest that does not fit is where watching begins.
            first, found = found[-MOST - 1], found[-MOST:]
        quoted = (*memory.quoted, (change.happened, change.event))[-QUOTED:]
        return replace(
            memory,
            first=first,
            found=found,
            quoted=quoted,
            fresh=True,
            due=_next_monday(change.at) if memory.due is None else memory.due,
        )

    # Judging.

    def wake_at(self, memory: Record) -> Moment | None:
        """The Monday after something new, and each one while a trend is suspected or raised."""
        return memory.due

    def wake(
        self, memory: Record, at: Moment, place: Place
    ) -> tuple[Record, tuple[Finding, ...]]:
        """It is Monday; whether there is a trend is judged anew, except while nothing counts."""
        if memory.due is None or at < memory.due:
            return memory, ()
        following = _next_monday(at)
        if memory.stopped:
            return replace(memory, due=following), ()
        trend = self._trend(memory, at)
        trends = trend is not None and trend.statistic >= self.threshold
        fresh = memory.fresh
        after = replace(memory, fresh=False, due=following, suspected=trends and fresh)
        if memory.raised is not None:
            if trend is not None and trends:
                return after, (self._found(after, trend, place),)
            return replace(after, raised=None, due=None), (
                Over(at=at, because="it is no longer seen to grow"),
            )
        if trend is None or not after.suspected:
            return replace(after, due=None), ()
        if not memory.suspected:
            return after, ()
        after = replace(after, raised=at)
        return after, (self._found(after, trend, place),)

    def _trend(self, memory: Record, at: Moment) -> Trend | None:
        """What the disturbances of the window before *at* say, or None where they are too few."""
        since = at - self._window
        if memory.first is not None:
            since = max(since, memory.first)
        inside = [one for one in memory.found if one > since]
        if len(inside) < max(self.least, FEW):
            return None
        days = [memory.watched(since, one) / DAY for one in inside]
        length = memory.watched(since, at) / DAY
        singly = bursts(days, self.burst_h * HOUR / DAY)
        if len(singly) < max(self.least, FEW) or not 0 < singly[-1] <= length:
            return None
        lies, uneven = laplace(singly, length), unevenness(singly)
        first, second = (
            sum(day <= part * length / 3 for day in days) for part in (1, 2)
        )
        return Trend(
            counted=len(inside),
            singly=len(singly),
            days=length,
            thirds=(first, second - first, len(days) - second),
            laplace=lies,
            unevenness=uneven,
            statistic=lies / max(1.0, uneven),
        )

    def _found(self, memory: Record, trend: Trend, place: Place) -> Found:
        raised = 0 if memory.raised is None else memory.raised
        one, two, three = trend.thirds
        return Found(
            began=raised,
            raised=raised,
            priority="planned",
            summary=(
                f"{_name(place)} disturbed more and more often: {times(trend.counted)} "
                f"in {trend.days:.0f} days, by thirds {one}, {two} and {three}"
            ),
            evidence=tuple(
                Evidence(time=happened, text=f"{_name(place)} disturbed", event=event)
                for happened, event in sorted(memory.quoted)
            ),
            suspects=_suspects(place),
            checks=look(
                "the heads whose levels moved over these weeks, their fixings and cable joints",
                "what was done on the track or the cables there since it began",
                also=(
                    (
                        "rain, frost or heat of these weeks",
                        "whether sections on other cables worsened over the same days",
                    ),
                    (
                        "more trains, or faster ones, over a head near its limit",
                        "the timetable, and disturbances by train",
                    ),
                    (
                        "work that nobody told of",
                        "who was on the track, and whether it falls into working hours",
                    ),
                ),
            ),
            parameters={
                "window_d": self.window_d,
                "least": self.least,
                "burst_h": self.burst_h,
                "threshold": self.threshold,
                **_numbers(trend),
            },
        )

    def rule(self) -> str:
        """When it is raised, with the numbers it goes by."""
        return f"Raised on a Monday when the statistic of {self.least} disturbances or more in {self.window_d:g} days is above {self.threshold:g}, and still so a week later."

    def explain(self, memory: Record, at: Moment, place: Place) -> tuple[str, ...]:
        """What is known at *at*."""
        since = at - self._window
        counted = sum(one > since for one in memory.found)
        how_often = times(counted) if counted else "not once"
        said = [
            f"{_name(place)} was disturbed {how_often} in the last {self.window_d:g} days."
        ]
        trend = self._trend(memory, at)
        if trend is None:
            said.append(
                f"Fewer than {self.least}, bursts counted once, make no trend; "
                "how many that leaves is too few."
            )
        else:
            said.append(
                f"The statistic of their trend is {trend.statistic:.2f} "
                f"(raised at {self.threshold:g}, two Mondays running)."
            )
        if memory.raised is not None:
            said.append("That has been raised.")
        if memory.stopped:
            said.append("Nothing counts now, and nothing is raised.")
        elif memory.due is not None:
            due = clock(memory.due, place.zone, at)
            said.append(f"It is judged again at {due}.")
        return tuple(said)


def _next_monday(at: Moment) -> Moment:
    """The first Monday 00:00 UTC after *at*."""
    return at + WEEK - (at - MONDAY) % WEEK


def _name(place: Place) -> str:
    """The section, or the asset on which sections hang, in words."""
    kind, _, name = place.id.rpartition("/")
    return f"{kind} {name}" if kind not in ("", "site") else name


def _numbers(trend: Trend) -> dict[str, Any]:
    return {
        "counted": trend.counted,
        "counted_singly": trend.singly,
        "days": round(trend.days, 2),
        "thirds": list(trend.thirds),
        "laplace": round(trend.laplace, 3),
        "unevenness": round(trend.unevenness, 3),
        "statistic": round(trend.statistic, 3),
    }


def _suspects(place: Place) -> tuple[Suspect, ...]:
    """The heads of a section; an asset is its own suspect."""
    if place.id in place.line.sections:
        return place.heads()
    return (Suspect(asset=place.id, weight=1.0),)
