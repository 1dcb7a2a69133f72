from __future__ import annotations

from typing import Any

import pytest

from monitor.core.changes import TrainPassed, TrainWentOn

CLEAR = "\n".join(f"05:00:00 T{number} clear seq={number}" for number in range(1, 4))
CLEAR += "\n05:00:00 T4 clear seq=1\n05:00:00 T5 clear seq=2"
"""gw/1 tells of T1 to T3, gw/2 of T4 and T5, and both number what they send."""


def test_it_is_explained_at_the_section_what_an_urgent_conclusion_waits_for(run):
    """A train that may have vanished in T3 is spoken of at T3 itself and at its neighbours, until both gateways are heard after it."""
    day = run().tell(
        f"""{CLEAR}
        06:00:00 T1 occupied seq=4
        06:01:00 T2 occupied seq=5
        06:01:10 T1 clear seq=6
        06:02:00 T3 occupied seq=7
        06:02:10 T2 clear seq=8
        06:05:00 T3 clear seq=9
        06:05:20 T1 occupied seq=10
        """
    )
    waits = "What may be urgent about T3 waits until gw/1 and gw/2"

    assert day.brief("vanished-train") == []
    for section in ("T2", "T3", "T4"):
        assert any(waits in said for said in day.engine.explain(section)), section
    assert not any(waits in said for said in day.engine.explain("T5"))

    day.tell("06:05:30 T5 occupied seq=3\n06:05:40 T1 clear seq=11")
    assert [one.split()[:2] for one in day.brief("vanished-train")] == [
        ["vanished-train", "section/T3"]
    ]


def test_a_train_that_left_while_nobody_saw_is_in_the_section_no_longer(run):
    """T2 shows clear at the end of a spell that is not known: the train that was in it is elsewhere, and the one that is occupied still has its own."""
    day = run().tell(
        f"""{CLEAR}
        06:00:00 T1 occupied seq=4
        06:01:00 T2 occupied seq=5
        06:01:10 T1 clear seq=6
        06:10:00 T1 clear seq=9
        06:10:01 T2 clear seq=10
        06:10:02 T3 clear seq=11
        06:10:10 T1 clear seq=12
        """
    )

    assert not any("A train (t" in said for said in day.engine.explain("T2"))


def test_what_stands_is_no_train_because_one_enters_beside_it(run):
    """T2 is occupied by nothing that was seen to enter; a train that comes into T1 from where there is no detection has not come out of it."""
    day = run().tell(
        f"""{CLEAR}
        06:00:00 T2 occupied seq=4
        06:01:00 T1 occupied seq=5
        06:01:05 T5 occupied seq=3
        """
    )

    assert day.until("06:30:00").brief("occupied-no-train") == [
        "occupied-no-train section/T2 prompt 06:00:00 06:02:00 -"
    ]


VANISHES = """
06:00:00 T1 occupied
06:01:00 T2 occupied
06:01:10 T1 clear
06:02:00 T3 occupied
06:02:10 T2 clear
06:05:00 T3 clear
06:30:00 T1 clear
"""
"""A train comes into T3, and T3 clears with no neighbour to take it."""

COMES_OUT = """
2026-05-05T{0}:00Z T4 occupied
2026-05-05T{0}:20Z T5 occupied
2026-05-05T{0}:30Z T4 clear
"""
"""On the next day a train comes into T4, with T3 and T5 clear, and goes on into T5."""


@pytest.mark.parametrize(("at", "named"), [("06:04", True), ("06:05", False)])
def test_a_train_that_vanished_is_looked_for_for_a_day(run, plain, at, named):
    """One that comes out within 24 h of the clear may be the one that vanished and is said to be; the day is over when T4 has cleared behind it."""
    clear = "\n".join(f"05:00:00 T{number} clear" for number in range(1, 8))
    day = run(plain(7)).tell(f"{clear}\n{VANISHES}\n{COMES_OUT.format(at)}")
    day.until("2026-05-05T07:00:00Z")

    assert len(day.brief("vanished-train")) == 1
    [unseen] = [one for one in day.alerts if one.kind == "unseen-train"]
    assert unseen.subject == "section/T3"
    assert ("unaccounted for when T3 cleared" in unseen.summary) == named


def test_a_train_that_may_have_gone_out_again_only_may_be_further_on(run):
    """T2 is disturbed, so nobody sees whether the train in T1 went into it or back to where there is no detection."""
    day = run().tell(
        f"""{CLEAR}
        05:30:00 T2 disturbed seq=4
        06:00:00 T1 occupied seq=5
        06:01:00 T1 clear seq=6
        06:02:00 T5 occupied seq=3
        """
    )
    said = day.until("06:03:00").engine.explain("T2")

    assert any("first seen in T1 at 06:00:00) may be in T2." in one for one in said)


# Where trains are, by hand.


class Day:
    """An engine over a day, with what the tracker told and where it says that trains are."""

    def __init__(self, run, line):
        self.run = run(line)
        self.line = line
        self.told: list[Any] = []
        dispatch = self.run.engine._dispatch

        def listen(change):
            self.told.append(change)
            dispatch(change)

        self.run.engine._dispatch = listen
        clear = "\n".join(f"05:00:00 {name} clear" for name in line.sections)
        self.run.tell(clear)

    def tell(self, table):
        """Feed a table, and say nothing of what comes after it."""
        self.run.tell(table)
        return self

    def at(self, time):
        """Where trains may be at *time*, to which everything is settled: `T2 1, T3 1 2`."""
        self.run.take(self.run.engine.pass_time(self.run.story.moment(time)))
        trains = self.run.engine.trains
        return ", ".join(
            f"{name} {' '.join(str(train.number) for train in trains.in_section(name))}"
            for name in self.line.sections
            if trains.in_section(name)
        )

    def until(self, time):
        """The day is looked at as far as *time*; what was raised."""
        return self.run.until(time).brief()

    def passed(self):
        """Which trains left which section, out of and into which: `1 A>B>C`."""
        return [
            f"{' '.join(map(str, one.trains))} {one.out_of}>{one.place}>{one.into}"
            for one in self.told
            if isinstance(one, TrainPassed)
        ]

    def of(self, kind):
        """What was told of one kind."""
        return [one for one in self.told if isinstance(one, kind)]


@pytest.fixture
def day(run, net):
    """Begin a day on a line joined as a text says; all sections are clear at 05:00."""

    def begin(joined):
        return Day(run, net(joined))

    return begin


ROW = "open-A A-B B-C C-D D-E E-open"
"""Five sections, open at both ends."""

POINTS = "open-A A-B B-P P-C C-open P-E E-open"
"""Points at P, out of B either to C or to E."""

LOOP = "open-A A-B B-C B-D C-E D-E E-F F-open"
"""Single line, with a loop of two tracks, C and D, between B and E."""

TERMINAL = "open-A A-B B-C C-D C-E"
"""Points at C, and two platforms, D and E."""


def test_a_train_through_a_plain_line(day):
    """One number all the way; each section says out of which and into which."""
    line = day(ROW).tell(
        """
        06:00:00 A occupied
        06:01:00 B occupied
        06:01:10 A clear
        06:02:00 C occupied
        06:02:10 B clear
        06:03:00 D occupied
        06:03:10 C clear
        06:04:00 E occupied
        06:04:10 D clear
        06:05:00 E clear
        """
    )

    assert line.until("06:30") == []
    assert line.passed() == ["1 >A>B", "1 A>B>C", "1 B>C>D", "1 C>D>E", "1 D>E>"]


def test_every_train_has_its_own_number(day):
    """Numbers count up, whichever end trains come in at."""
    line = day(ROW).tell(
        """
        06:00:00 A occupied
        06:00:30 E occupied
        06:01:00 B occupied
        06:01:10 A clear
        06:02:00 A occupied
        06:02:30 D occupied
        06:02:40 E clear
        """
    )

    # A is entered while t1 is in B: t1 may have come back, else it is a third.
    assert line.at("06:04") == "A 1 3, B 1, D 2"


def test_a_train_longer_than_three_sections(day):
    """One number in all that it covers, and nothing is left behind while it draws out."""
    line = day(ROW).tell(
        """
        06:00:00 A occupied
        06:01:00 B occupied
        06:02:00 C occupied
        06:03:00 D occupied
        """
    )

    assert line.at("06:03:30") == "A 1, B 1, C 1, D 1"
    line.tell("06:04:00 A clear\n06:05:00 B clear\n06:06:00 C clear")
    assert line.at("06:07") == "D 1"
    assert line.until("06:30") == []


def test_close_following_one_section_apart(day):
    """The second enters a section as the first is one ahead; both keep their numbers."""
    line = day("open-A A-B B-C C-D D-E E-F F-open").tell(
        """
        06:00:00 A occupied
        06:01:00 B occupied
        06:01:10 A clear
        06:02:00 C occupied
        06:02:10 B clear
        06:02:30 A occupied
        06:03:00 D occupied
        06:03:10 C clear
        06:03:30 B occupied
        06:03:40 A clear
        06:04:00 E occupied
        06:04:10 D clear
        06:04:30 C occupied
        06:04:40 B clear
        """
    )

    assert line.at("06:05") == "C 2, E 1"
    assert line.until("06:30") == []


def test_which_of_two_entered_shows_when_the_other_stays(day):
    """Trains stand in C and E when P between them is entered: it may be either, until C clears."""
    line = day(POINTS).tell("06:00:00 C occupied\n06:00:00 E occupied")
    line.tell("06:10:00 P occupied")

    assert line.at("06:10:10") == "C 1, E 2, P 1 2"
    line.tell("06:10:20 C clear")
    assert line.at("06:10:30") == "E 2, P 1"
    line.tell("06:11:00 B occupied\n06:11:10 P clear\n06:12:00 E clear")
    assert line.until("06:30") == []
    assert line.passed() == ["1 >C>P", "1 C>P>B", "2 >E>"]


def test_a_train_reverses_in_a_terminal(day):
    """It goes into a platform and comes out again, with one number."""
    line = day(TERMINAL).tell(
        """
        06:00:00 A occupied
        06:01:00 B occupied
        06:01:10 A clear
        06:02:00 C occupied
        06:02:10 B clear
        06:03:00 E occupied
        06:03:20 C clear
        06:30:00 C occupied
        06:30:20 E clear
        06:31:00 B occupied
        06:31:10 C clear
        06:32:00 A occupied
        06:32:10 B clear
        06:33:00 A clear
        """
    )

    assert line.until("07:00") == []
    assert line.passed()[-4:] == ["1 C>E>C", "1 E>C>B", "1 C>B>A", "1 B>A>"]


def test_a_train_reverses_in_mid_line(day):
    """Its front draws back out of D, and what was its rear leads."""
    line = day(ROW).tell(
        """
        06:00:00 A occupied
        06:01:00 B occupied
        06:01:10 A clear
        06:02:00 C occupied
        06:02:10 B clear
        06:03:00 D occupied
        06:05:00 D clear
        06:06:00 B occupied
        06:06:10 C clear
        """
    )

    assert line.at("06:07") == "B 1"
    assert line.until("06:30") == []


def test_two_trains_cross_in_a_loop(day):
    """Each waits in its own track and goes on when the other is in; both keep their numbers."""
    line = day(LOOP).tell(
        """
        06:00:00 A occupied
        06:01:00 B occupied
        06:01:10 A clear
        06:02:00 C occupied
        06:02:10 B clear
        06:03:00 F occupied
        06:04:00 E occupied
        06:04:10 F clear
        06:05:00 D occupied
        06:05:10 E clear
        """
    )

    assert line.at("06:06") == "C 1, D 2"
    line.tell(
        """
        06:07:00 E occupied
        06:07:10 C clear
        06:08:00 B occupied
        06:08:10 D clear
        06:09:00 F occupied
        06:09:10 E clear
        06:10:00 A occupied
        06:10:10 B clear
        """
    )
    assert line.at("06:11") == "A 2, F 1"
    assert line.until("06:30") == []


def test_two_trains_that_join_are_one(day):
    """The second comes up to the first, and they leave as one."""
    line = day(ROW).tell(
        """
        06:00:00 A occupied
        06:01:00 B occupied
        06:01:10 A clear
        06:02:00 C occupied
        06:02:10 B clear
        06:10:00 A occupied
        06:11:00 B occupied
        06:11:10 A clear
        06:12:00 B clear
        """
    )

    assert line.at("06:12:30") == "C 1 2"
    line.tell("06:20:00 D occupied\n06:20:20 C clear")
    assert line.at("06:21") == "D 1"
    assert line.until("06:40") == []


def test_a_part_left_behind_is_seen_when_the_front_is_two_sections_on(day):
    """While the front is within one section of the rear nothing is said; then the rear is what its train left behind."""
    line = day(ROW).tell(
        """
        06:00:00 A occupied
        06:01:00 B occupied
        06:01:10 A clear
        06:05:00 C occupied
        """
    )

    assert line.at("06:06") == "B 1, C 1"
    line.tell("06:07:00 D occupied\n06:07:10 C clear")
    assert line.at("06:07:30") == "B 2, D 1"
    assert [
        (one.place, one.between, one.front, one.left) for one in line.of(TrainWentOn)
    ] == [("B", "C", "D", None)]
    assert line.until("06:30") == [
        "occupied-no-train section/B prompt 06:07:10 06:08:10 -"
    ]


@pytest.mark.parametrize(
    ("beside", "pair"), [("-2", ("A", -2)), ("-1", None), ("2", None), ("0", None)]
)
def test_as_many_axles_of_the_other_sign_beside_are_named(run, net, beside, pair):
    """+2 left in B and -2 in A, out of which the train came, are a pair; other numbers are none."""
    line = Day(run, net(ROW)).tell(
        f"""
        06:00:00 A occupied axles=40
        06:01:00 B occupied axles=42
        06:01:10 A {"clear" if beside == "0" else "occupied"} axles={beside}
        06:05:00 C occupied axles=40
        06:05:10 B occupied axles=2
        06:06:00 D occupied axles=40
        06:06:10 C clear axles=0
        """
    )
    line.until("06:30")

    told = {one.place: one for one in line.of(TrainWentOn)}
    assert told["B"].left == 2
    assert told["B"].beside == pair


def test_out_and_in_at_an_open_end(day):
    """What comes in where one went out is another."""
    line = day(ROW).tell(
        """
        06:00:00 E occupied
        06:01:00 E clear
        06:02:00 E occupied
        """
    )

    assert line.at("06:03") == "E 2"


def test_one_comes_in_beside_a_train_that_waits(day):
    """B holds a train when A is entered: it may be that train, or one from outside; the first that clears says which."""
    waits = "06:00:00 A occupied\n06:01:00 B occupied\n06:01:10 A clear"
    stays, goes = (day(ROW).tell(f"{waits}\n06:05:00 A occupied") for _ in range(2))

    assert stays.at("06:06") == goes.at("06:06") == "A 1 2, B 1"
    stays.tell("06:07:00 A clear")
    assert stays.at("06:08") == "B 1"
    goes.tell("06:07:00 B clear")
    assert goes.at("06:08") == "A 1"


def test_a_clear_that_comes_before_the_entry_by_the_clocks(day):
    """The clock of B is 0.4 s ahead of the one of C: B clears before C is entered, and it is one train all the same."""
    line = day(ROW).tell(
        """
        06:00:00 A occupied
        06:01:00 B occupied
        06:01:10 A clear
        06:01:59.800 B clear
        06:02:00.200 C occupied
        06:02:59.800 C clear
        06:03:00.200 D occupied
        """
    )

    assert line.at("06:04") == "D 1"
    assert line.until("06:30") == []


def test_a_train_through_a_disturbed_section(day):
    """C shows disturbed all the while, and what comes out into D may be the train that was in B; another that C hid it may be too."""
    line = day(ROW).tell(
        """
        05:30:00 C disturbed
        06:00:00 A occupied
        06:01:00 B occupied
        06:01:10 A clear
        06:02:00 D occupied
        06:02:10 B clear
        """
    )

    assert " 1 " in line.at("06:02:30").partition("D")[2]
    line.tell("06:03:00 E occupied\n06:03:10 D clear")
    raised = [one.partition(" ")[0] for one in line.until("06:30")]
    assert raised == ["section-disturbed"]


def test_what_is_not_known_stops_conclusions_and_not_trains(day):
    """C is not known when the train goes through: nothing is raised, and there is a train in D."""
    line = day(ROW).tell(
        """
        06:00:00 A occupied
        06:01:00 B occupied
        06:01:10 A clear
        06:01:30 C work begun W1
        06:02:10 B clear
        06:03:00 D occupied
        06:04:00 E occupied
        06:04:10 D clear
        06:05:00 E clear
        """
    )

    assert "E " in line.at("06:04:30")
    assert line.until("07:00") == []


def test_trains_that_change_in_a_moment(day):
    """B is clear for one second between two trains: nothing is said to be left behind in it."""
    line = day("open-A A-B B-C C-D D-E E-F F-open").tell(
        """
        06:00:00 A occupied
        06:01:00 B occupied
        06:01:10 A clear
        06:02:00 A occupied
        06:03:00 C occupied
        06:03:10 B clear
        06:03:11 B occupied
        06:03:20 A clear
        06:04:00 D occupied
        06:04:10 C clear
        06:05:00 E occupied
        06:05:10 D clear
        """
    )

    # The second has left A and can be nowhere but in B; the first is two sections on.
    assert line.at("06:05:20") == "B 2, E 1"
    assert line.until("06:30") == []


def test_two_enter_sections_side_by_side_at_once(day):
    """One train comes out of E into C, another out of A into B at the same moment; the longer one reaches D out of E, and is not said to have left the other behind."""
    line = day(LOOP).tell(
        """
        06:00:00 F occupied
        06:00:06 E occupied
        06:00:06 A occupied
        06:00:12 C occupied
        06:00:12 B occupied
        06:00:13 F clear
        06:00:25 D occupied
        06:00:31 B clear
        """
    )

    assert line.until("06:30") == []
    assert line.of(TrainWentOn) == []


def test_the_rear_of_a_train_that_clears_late_by_its_clock(day):
    """B is shown clear a tenth before A, though A was left first: A was not left behind."""
    line = day(ROW).tell(
        """
        06:00:00 A occupied
        06:00:05 B occupied
        06:00:15 C occupied
        06:00:15.900 B clear
        06:00:16 A clear
        """
    )

    line.until("06:30")
    assert line.of(TrainWentOn) == []


def test_a_train_whose_next_section_is_shown_late(day):
    """E clears as one comes in at F, and C, into which its train went, is shown entered 0.3 s later: which of them is in F is not said to be known."""
    line = day(LOOP).tell(
        """
        06:00:00 F occupied
        06:00:06 E occupied
        06:00:12 F clear
        06:00:18 A occupied
        06:00:24 B occupied
        06:00:30 F occupied
        06:00:30.500 E clear
        06:00:30.800 C occupied
        """
    )

    assert line.at("06:01") == "A 2, B 2, C 1 2, F 1 3"


# What they show, by hand.

IN_C = """
06:00:00 A occupied
06:01:00 B occupied
06:01:10 A clear
06:02:00 C occupied
06:02:10 B clear
"""
"""A train has come into C, and A and B have cleared."""


def test_a_train_vanishes_by_itself(day):
    """C clears with B and D clear from two seconds before to two seconds after: begun with the clear, known two seconds later."""
    line = day(ROW).tell(f"{IN_C}\n06:05:00 C clear")

    assert line.until("06:30") == [
        "vanished-train section/C urgent 06:05:00 06:05:02 -"
    ]
    [alert] = line.run.alerts
    assert "by itself" in alert.summary
    assert alert.parameters["by_reset"] is False


@pytest.mark.parametrize(
    ("accepted", "by"),
    [
        ("06:04:49.999", "by itself"),
        ("06:04:50", "by a reset"),
        ("06:05:02", "by a reset"),
        ("06:05:02.001", "by itself"),
    ],
)
def test_a_train_vanishes_by_a_reset(day, accepted, by):
    """A clear up to 10 s after an accepted reset, or 2 s before it, is by it, and the train is unaccounted for all the same."""
    table = f"{IN_C}\n06:05:00 C clear\n{accepted} C reset accepted"
    line = day(ROW).tell("\n".join(sorted(table.split("\n"))))
    line.until("06:05:30")

    [alert] = [one for one in line.run.alerts if one.kind == "vanished-train"]
    assert f"C cleared {by} with its train unaccounted for" in alert.summary


@pytest.mark.parametrize(
    "beside",
    [
        "06:05:01.900 D occupied",
        "06:04:59 D occupied",
        "06:05:01.900 B occupied",
        "06:03:00 D disturbed",
        "06:03:00 D work begun W1",
    ],
)
def test_no_train_vanishes_beside_a_section_that_may_have_taken_it(day, beside):
    """A neighbour that is not clear within two seconds, or is under work, may have it."""
    table = f"{IN_C}\n06:05:00 C clear\n{beside}"
    line = day(ROW).tell("\n".join(sorted(table.split("\n"))))
    line.until("06:30")

    assert [one for one in line.run.alerts if one.kind == "vanished-train"] == []


def test_no_train_vanishes_once_a_neighbour_was_entered(day):
    """D was entered after C and has cleared again: the train may have gone on by it."""
    line = day(ROW).tell(
        f"{IN_C}\n06:03:00 D occupied\n06:03:10 D clear\n06:05:00 C clear"
    )
    line.until("06:30")

    assert [one for one in line.run.alerts if one.kind == "vanished-train"] == []


def test_no_train_vanishes_at_an_open_end(day):
    """E has an open head: what clears there has gone out, however long it stood."""
    line = day(ROW).tell(
        f"""{IN_C}
        06:03:00 D occupied
        06:03:10 C clear
        06:04:00 E occupied
        06:04:10 D clear
        06:20:00 E clear
        """
    )

    assert line.until("07:00") == []


def test_a_train_comes_out_of_a_clear_section(day):
    """C is entered with B and D clear, moves on into D and clears: B held it; known two seconds after the clear."""
    line = day(ROW).tell("06:00:00 C occupied\n06:01:00 D occupied\n06:01:10 C clear")

    assert line.until("06:01:30") == [
        "unseen-train section/B urgent 06:00:00 06:01:12 -"
    ]


def test_where_several_may_have_held_it_all_are_suspects(day):
    """P is entered with B, C and E clear, and moves on into B: C or E held it, so the alert is about P."""
    line = day(POINTS).tell(
        "06:00:00 P occupied\n06:01:00 B occupied\n06:01:10 P clear"
    )
    line.until("06:01:30")

    [alert] = line.run.alerts
    assert (alert.kind, alert.subject) == ("unseen-train", "section/P")
    assert [one.asset for one in alert.suspects] == ["section/C", "section/E"]
    assert "out of C and E, all shown clear" in alert.summary


@pytest.mark.parametrize(
    "then",
    [
        "06:01:10 C clear",  # nothing was entered
        "06:01:00 D occupied\n06:01:10 D clear",  # it has not cleared
        "06:01:00 C disturbed\n06:01:05 D occupied\n06:01:10 C clear",
        "06:01:00 D occupied\n06:01:05 C reset accepted\n06:01:10 C clear",
    ],
)
def test_what_does_not_move_on_as_a_train_does_is_none(day, then):
    """It must go on into a section that nothing else explains, and clear by itself behind, of `occupied` alone."""
    line = day(ROW).tell(f"06:00:00 C occupied\n{then}")
    line.until("06:01:59")

    assert [one for one in line.run.alerts if one.kind == "unseen-train"] == []


def test_one_that_vanished_and_one_that_comes_out_name_each_other(day):
    """A train vanishes in C, which lets go of it, and comes out into D: both are raised, and each names the other."""
    line = day("open-A A-B B-C C-D D-E E-F F-open").tell(
        f"""{IN_C}
        06:05:00 C clear
        06:10:00 D occupied
        06:11:00 E occupied
        06:11:10 D clear
        """
    )
    line.until("06:12")

    vanished, unseen = line.run.alerts[-2:]
    if vanished.kind != "vanished-train":
        vanished, unseen = unseen, vanished
    assert "it may be the one that came out into D at 06:10:00" in vanished.summary
    assert "section/C" in unseen.affected
    assert "unaccounted for when C cleared at 06:05:00" in unseen.summary
    assert len({one.id for one in line.run.alerts}) == 2


def test_heads_that_trains_pass_as_the_line_file_says_are_confirmed(day):
    """One train from end to end confirms each head between two sections once, and none at an open end."""
    line = day(ROW).tell(
        f"""{IN_C}
        06:03:00 D occupied
        06:03:10 C clear
        06:04:00 E occupied
        06:04:10 D clear
        06:05:00 E clear
        """
    )
    line.until("06:30")

    assert line.run.engine.trains.confirmed == {"H1": 1, "H2": 1, "H3": 1, "H4": 1}


# Where a train is looked for.


def test_no_train_is_looked_for_beyond_a_clear_section(day):
    """C is disturbed and hides who goes through, but B is clear: the train in A has not come by it, so what enters D is another."""
    line = day(ROW).tell(
        """
        05:30:00 C disturbed
        06:00:00 A occupied
        06:10:00 D occupied
        """
    )

    assert line.at("06:11") == "A 1, D 2"


def test_a_train_that_drew_back_is_not_looked_for_where_another_stands(day):
    """t1 waits in D; t2 has come from F into E, draws back into F and clears E: it is in F, and neither in D nor is there a third."""
    line = day(LOOP).tell(
        """
        06:00:00 A occupied
        06:01:00 B occupied
        06:01:10 A clear
        06:02:00 D occupied
        06:02:10 B clear
        06:10:00 F occupied
        06:11:00 E occupied
        06:11:10 F clear
        06:20:00 F occupied
        06:20:10 E clear
        """
    )

    assert line.at("06:21") == "D 1, F 2"
