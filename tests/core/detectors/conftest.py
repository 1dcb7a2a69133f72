"""One detection at one place, told changes from a small table and woken as the engine wakes it."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.core import changes
from monitor.core.changes import Change, Verdict
from monitor.core.detector import Detector, Finding, Found, Over, Place
from monitor.core.events import Direction, ResetKind, Service, State, Step
from monitor.core.layout import MEASURED
from monitor.core.moments import SECOND, Moment, parse, stamp
from monitor.core.usual import Usual

PLACES = {
    "asset": "supply/PS1",
    "section": "T107",
    "evaluator": "EV1",
    "gateway": "GW1",
    "source": "gw/1",
    "head": "H107",
}
"""Where a detection stands in these tests; T107 lies between T106 and T108, and H107 between T106 and T107."""


def moment(text: str) -> Moment:
    """`12:00`, `12:00:05` or `12:00:05.250` of 2026-05-04; `2d 12:00` two days later."""
    days, _, clock = text.rpartition("d ")
    clock = f"{clock}:00" if clock.count(":") == 1 else clock
    whole = parse(f"2026-05-04T{clock}Z")
    return whole + int(days or 0) * 86_400 * SECOND


def brief(finding: Finding) -> str:
    """`began raised priority`, with `ended` where it ends at once; `over at`."""

    def short(at: Moment) -> str:
        return stamp(at)[11:23].removesuffix(".000")

    if isinstance(finding, Over):
        return f"over {short(finding.at)}"
    said = f"{short(finding.began)} {short(finding.raised)} {finding.priority}"
    return said if finding.ended is None else f"{said} over {short(finding.ended)}"


def usual(**more: Any) -> Usual:
    """What was learnt of T107: nothing out of the ordinary, but *more*."""
    known: dict[str, Any] = {
        "gap_median": None,
        "longest": None,
        "hours": None,
        "days_seen": 90.0,
        "disturbances": 0,
        "exposure_days": 90.0,
        "counted_until": moment("00:00"),
        "prior_shape": 1.0,
        "prior_days": 100.0,
        "sections": 900,
        "line_chance_day": 5.6,
        "line_chance_hour": 2.0,
    }
    return Usual(**{**known, **more})


class Watch:
    """A detection at one place, and what it found.

    Lines of a table are `time what`; times as `moment` reads them.

    | what | is told as |
    |---|---|
    | `disturbed`, `clear`, ... | a change of state; `unseen`, `so=12:00` |
    | `entry occupied explained` | a judgement; `not explained`, `cannot tell`; `entered=`, `began=`, `judged=` |
    | `entered`, `stretch ended=12:00`, `occupation began= ended=` | what the train stage tells |
    | `moved T108`, `joined T106`, `worked left=12:00` | likewise |
    | `went on T108 T109 cleared=12:00`, `vanished cleared=12:00`, `unseen entered=12:00` | what the tracker tells |
    | `disturbance`, `disturbance spurious`, `disturbance work`; `happened=` | one more disturbance |
    | `reset accepted`; `so=` | a step of a reset |
    | `contacts up/up`, `interlocking occupied`, `in_service`, `locked_out` | as they say |
    | `level a_volts=3.4` | values measured at a head |
    | `passage forward a=16 b=15`, `passage none` | a train past a head, of 16 axles |
    | `counted 39/40`, `agreed` | a train counted as 39 axles at H107, as 40 at H106 and H108; one counted alike |
    | `left T106:+1 T107:-1`, `left gone`; `cleared=`, `since=` | axles left over after a train went on |
    | `spurious began=12:00 ended=12:01` | an occupation that nothing explains |
    | `afar T109 15/20` | 15 of the last 20 trains came as T109 gave one up |
    | `work begun`, `work ended`, `not known`, `known again` | what stops and restarts timers |
    """

    def __init__(self, detector: Detector, place: Place) -> None:
        self.detector = detector
        self.place = place
        self.memory = detector.start(place)
        self.findings: list[Finding] = []
        self.state: State | None = None
        self.worked: Moment | None = None
        self.now: Moment = 0
        self._count = 0

    # Telling and waking.

    def tell(self, table: str) -> Watch:
        """Tell the changes of *table*, waking in between."""
        for line in table.splitlines():
            if line.strip():
                self.hear(self.change(line))
        return self

    def hear(self, change: Change) -> None:
        """Tell one change, if the detection hears such; what is due before it comes first."""
        self.pass_time(change.at - 1)
        self.now = change.at
        if isinstance(change, self.detector.hears):
            self.memory, found = self.detector.step(self.memory, change, self.place)
            self.findings += found

    def pass_time(self, until: Moment) -> None:
        """Wake for whatever falls due up to *until*, each at its own moment; what fell due in the past by new knowledge is due now."""
        while True:
            due = self.detector.wake_at(self.memory)
            if due is None or max(due, self.now) > until:
                return
            before = self.memory
            self.memory, found = self.detector.wake(
                self.memory, max(due, self.now), self.place
            )
            self.findings += found
            assert self.memory != before, "woken for nothing would be woken for ever"

    def until(self, time: str) -> list[str]:
        """Silence up to and including *time*; everything that was found, in brief."""
        self.pass_time(moment(time))
        return self.brief()

    def brief(self) -> list[str]:
        """Everything that was found so far, in brief."""
        return [brief(finding) for finding in self.findings]

    @property
    def found(self) -> list[Found]:
        """What was raised or changed."""
        return [one for one in self.findings if isinstance(one, Found)]

    def learn(self, time: str, **more: Any) -> Watch:
        """Tell what was learnt at *time*."""
        at = moment(time)
        self.hear(changes.LearntAnew(place=self.place.id, at=at, usual=usual(**more)))
        return self

    def explain(self, time: str) -> str:
        """What is explained at *time*, in one text."""
        return " ".join(self.detector.explain(self.memory, moment(time), self.place))

    # From a line to a change.

    def change(self, line: str) -> Change:
        """The change that *line* stands for."""
        words = line.split()
        days = f"{words.pop(0)} " if words[0].endswith("d") else ""
        at = moment(days + words.pop(0))
        plainly = ("by", "a", "b", *MEASURED)
        given = {
            name: value if name in plainly else moment(days + value)
            for name, _, value in (word.partition("=") for word in words if "=" in word)
        }
        plain = [word for word in words if "=" not in word]
        self._count += 1
        common = {"place": self.place.id, "at": at}
        event = f"gw/1#{self._count}"
        return self._made(plain, at, event, common, given)

    def _made(  # noqa: C901, PLR0912 - one case a kind of line
        self,
        words: list[str],
        at: Moment,
        event: str,
        common: dict[str, Any],
        given: dict[str, Any],
    ) -> Change:
        match words:
            case ["work", "begun"]:
                return changes.WorkBegan(**common, why="under work: W7")
            case ["work", "ended"]:
                return changes.WorkEnded(**common, event=event, state=self.state)
            case ["not", "known"]:
                return changes.NotKnown(**common, since=at, why="a gap")
            case ["known", "again"]:
                state = self.state or State.CLEAR
                return changes.KnownAgain(**common, state=state, event=event)
            case ["entry", state, *verdict]:
                entered = given.get("entered", at)
                return changes.EntryJudged(
                    **common,
                    entered=entered,
                    state=State(state),
                    verdict=Verdict(" ".join(verdict)),
                    raised=given.get("judged", at),
                    beside="T106 and T108 clear since 11:58:00",
                    event=event,
                    occupation=given.get("began", entered),
                )
            case ["entered"]:
                began = given.get("began", at)
                return changes.Entered(**common, event=event, occupation=began)
            case ["stretch"]:
                entered = given.get("entered", at)
                return changes.StretchEnded(
                    **common, entered=entered, ended=given["ended"]
                )
            case ["occupation"]:
                return self._occupation(common, event, given)
            case ["moved", into]:
                return changes.MovedOn(**common, into=into)
            case ["joined", out_of]:
                return changes.TrainJoined(**common, joined=at, out_of=out_of)
            case ["cause"]:
                return changes.CauseSeen(
                    **common,
                    began=at,
                    raised=at,
                    members=(
                        changes.CauseMember(
                            subject="section/T107", began=at, event=event
                        ),
                    )
                    * 3,
                    dependants=3,
                    lead=0,
                    too_close=True,
                    chance_per_year=None,
                )
            case ["cause", "over"]:
                return changes.CauseOver(**common)
            case ["went", "on", between, front]:
                return changes.TrainWentOn(
                    **common,
                    between=between,
                    front=front,
                    cleared=given.get("cleared", at),
                    event=event,
                    left=None,
                    beside=None,
                )
            case ["vanished"]:
                return changes.TrainVanished(
                    **common,
                    cleared=given["cleared"],
                    raised=at,
                    entered=given["cleared"] - 60 * SECOND,
                    out_of="T106",
                    came="gw/1#5",
                    first="T106",
                    since=given["cleared"] - 120 * SECOND,
                    by_reset=False,
                    doubted=False,
                    event=event,
                )
            case ["unseen"]:
                return changes.TrainUnseen(
                    **common,
                    appeared="T108",
                    entered=given["entered"],
                    into="T109",
                    cleared=at,
                    raised=at,
                    suspects=("T107",),
                    vanished="",
                    vanished_at=None,
                    doubted=False,
                    event="gw/1#7",
                    shown=event,
                )
            case ["worked"]:
                self.worked = max(self.worked or given["left"], given["left"])
                return changes.WorkedThrough(
                    **common, left=given["left"], raised=at, event=event
                )
            case ["disturbance", *how]:
                return changes.Disturbance(
                    **common,
                    happened=given.get("happened", at),
                    spurious="spurious" in how,
                    under_work="work" in how,
                    event=event,
                )
            case ["reset", step]:
                return changes.ResetTaken(
                    **common,
                    kind=ResetKind.UNCONDITIONAL,
                    step=Step(step),
                    by="technician",
                    so_at=given.get("so", at),
                    event=event,
                    worked=self.worked,
                )
            case ["level"]:
                values = {name: float(value) for name, value in given.items()}
                return changes.LevelMeasured(**common, values=values, event=event)
            case ["passage", direction]:
                seen = {one: int(given[one]) if one in given else None for one in "ab"}
                return changes.HeadPassed(
                    **common,
                    direction=Direction(direction),
                    axles=16,
                    a=seen["a"],
                    b=seen["b"],
                    seconds=9.0,
                    event=event,
                )
            case ["counted", axles]:
                return self._miscounted(axles, common)
            case ["agreed"]:
                return changes.CountAgreed(**common)
            case ["left", "gone"]:
                return changes.LeftOverGone(**common)
            case ["left", *sections]:
                return self._left_over(sections, event, common, given)
            case ["spurious"]:
                return self._spurious(common, event, given)
            case ["afar", other, share]:
                count, _, trains = share.partition("/")
                return changes.TrainsFromAfar(
                    **common,
                    other=other,
                    count=int(count),
                    trains=int(trains),
                    cleared=at - 2 * SECOND,
                    event=event,
                )
            case ["contacts", both]:
                agree = both not in ("up/up", "down/down")
                up = both == "up/up"
                return changes.ContactsChanged(
                    **common, agree=agree, up=up, event=event
                )
            case ["interlocking", state]:
                return changes.InterlockingChanged(
                    **common,
                    occupied=state == "occupied",
                    clear=self.state is State.CLEAR,
                    event=event,
                )
            case ["in_service" | "locked_out" | "isolated" as service]:
                return changes.ServiceChanged(
                    **common,
                    was=None,
                    now=Service(service),
                    event=event,
                    so_since=given.get("so", at),
                )
            case [state, *more]:
                was, self.state = self.state, State(state)
                return changes.StateChanged(
                    **common,
                    was=was,
                    now=self.state,
                    event=event,
                    so_since=given.get("so", at),
                    unseen="unseen" in more,
                )
        raise ValueError(words)

    def _miscounted(self, axles: str, common: dict[str, Any]) -> Change:
        """The train passed H106 two minutes before, H107 one minute before, and H108 just now."""
        here, usual = (int(one) for one in axles.split("/"))
        passages = tuple(
            changes.Counted(
                head=head,
                at=common["at"] - before * 60 * SECOND,
                axles=count,
                event=f"gw/1#{head}-{self._count}",
            )
            for head, before, count in (
                ("H106", 2, usual),
                ("H107", 1, here),
                ("H108", 0, usual),
            )
        )
        return changes.Miscounted(**common, axles=here, usual=usual, passages=passages)

    def _left_over(
        self,
        sections: list[str],
        event: str,
        common: dict[str, Any],
        given: dict[str, Any],
    ) -> Change:
        """The tallies were told ten seconds before the section between cleared."""
        cleared = given.get("cleared", common["at"] - 2 * SECOND)
        left = tuple(
            changes.AxlesLeft(
                section=name,
                axles=int(axles),
                at=given.get("told", cleared - 10 * SECOND),
                event=f"{event}-{name}",
            )
            for name, axles in (one.split(":") for one in sections)
        )
        return changes.LeftOver(
            **common,
            left=left,
            between="T108",
            cleared=cleared,
            event=event,
            since=given.get("since", cleared),
        )

    def _spurious(
        self, common: dict[str, Any], event: str, given: dict[str, Any]
    ) -> Change:
        return changes.OccupationEnded(
            **common,
            began=given["began"],
            ended=given["ended"],
            entry=Verdict.NOT_EXPLAINED,
            exit=Verdict.NOT_EXPLAINED,
            by_reset=False,
            only_occupied=True,
            raised=common["at"],
            event=event,
            worked=False,
            spurious=True,
        )

    def _occupation(
        self, common: dict[str, Any], event: str, given: dict[str, Any]
    ) -> Change:
        return changes.OccupationEnded(
            **common,
            began=given["began"],
            ended=given["ended"],
            entry=Verdict.EXPLAINED,
            exit=Verdict.EXPLAINED,
            by_reset=False,
            only_occupied=True,
            raised=common["at"],
            event=event,
            worked=True,
            spurious=False,
        )


@pytest.fixture(scope="session")
def watch():
    """Put a detection at its place on the example line; further keys are those of T107 in the line file."""

    def over(detector: Detector, **more: Any) -> Watch:
        place = Place.example(PLACES[detector.places], **more)
        return Watch(detector, place)

    return over


@pytest.fixture(scope="session")
def at():
    """Read a time as the tables have it."""
    return moment
