from __future__ import annotations

import pytest

CLEAR = "\n".join(f"05:00:00 T{number} clear" for number in range(1, 6))


def said(day, section):
    """What is explained of the last entry into *section*."""
    return [one for one in day.engine.explain(section) if "The last entry" in one]


def test_the_last_entry_is_explained(run):
    """How an entry was judged is said: by a neighbour, by an open end, or by none; and nothing where there was none."""
    day = (
        run()
        .tell(
            f"""{CLEAR}
        06:00:00 T1 occupied
        06:01:00 T2 occupied
        06:05:00 T4 occupied
        06:06:00 T1 clear
        """
        )
        .until("06:10:00")
    )

    assert said(day, "T3") == []
    assert said(day, "T1")[0].endswith(
        "a train may have come in from where there is no detection."
    )
    assert "T1 was not clear or not known, which explains it" in said(day, "T2")[0]
    assert "no neighbour explains it: all were known clear" in said(day, "T4")[0]


def test_a_clear_that_lasts_ends_what_was_occupied_though_its_judgement_waits(run):
    """T3 has been clear for the skew: what was said of its being occupied is over, also while nobody can say yet whether T4 explains the exit."""
    day = run().tell(
        f"""{CLEAR}
        06:00:00 T3 occupied
        06:09:50 GW1 online
        06:09:50 GW2 online
        06:10:00 T3 clear
        06:10:20 GW1 online
        """
    )

    assert day.brief() == [
        "occupied-no-train section/T3 prompt 06:00:00 06:02:00 06:10:00"
    ]
    waits = "T3 cleared at 06:10:00, and whether a neighbour explains that"
    assert any(waits in one for one in day.engine.explain("T3"))


def test_another_state_ends_a_stretch_of_occupied(run):
    """What is said of T3 being occupied with no train is over when T3 shows disturbed, for it is occupied no longer."""
    day = run().tell(
        f"{CLEAR}\n06:00:00 T3 occupied\n06:10:00 T3 disturbed\n06:20:00 T3 clear"
    )

    assert day.until("06:30:00").brief("occupied-no-train") == [
        "occupied-no-train section/T3 prompt 06:00:00 06:02:00 06:10:00"
    ]


RESET = """
06:00:00 T3 disturbed
06:10:00 T3 reset accepted preparatory
"""

TRAIN = """
06:30:00 T1 occupied
06:31:00 T2 occupied
06:31:10 T1 clear
06:32:00 T3 {0}
06:32:10 T2 clear
06:33:00 T4 occupied
06:33:10 T3 {1}
06:34:00 T5 occupied
06:34:10 T4 clear
06:35:10 T5 clear
"""


@pytest.mark.parametrize(
    ("shown", "proved"),
    [
        # The sweep: from awaiting it through occupied to clear, or to awaiting what completes it.
        (f"06:10:01 T3 awaiting_sweep\n{TRAIN.format('occupied', 'clear')}", True),
        (
            "06:10:01 T3 awaiting_sweep\n"
            + TRAIN.format("occupied", "awaiting_acknowledgement"),
            True,
        ),
        # Fallen back to disturbed before it: no sweep, whatever comes then.
        (
            "06:10:01 T3 awaiting_sweep\n06:20:00 T3 disturbed\n"
            + TRAIN.format("occupied", "clear"),
            False,
        ),
        # It never awaited the sweep.
        (TRAIN.format("occupied", "awaiting_acknowledgement"), False),
    ],
)
def test_what_proves_a_section_after_a_reset(run, shown, proved):
    """A train that goes through while the section awaits its sweep proves it; after a fall back to disturbed, or where it awaited none, nothing does."""
    day = run().tell(CLEAR + RESET + shown).until("08:00:00")

    raised = ["reset-unproved section/T3 planned 06:10:00 07:10:00 -"]
    assert day.brief("reset-unproved") == ([] if proved else raised)


@pytest.mark.parametrize(("axles", "proved"), [(0, True), (1, False), (-1, False)])
def test_a_tally_that_is_not_nought_proves_nothing(run, axles, proved):
    """Where the tally is given with the clear, a section is worked through at nought alone."""
    shown = TRAIN.format("occupied", f"clear axles={axles}")
    day = run().tell(f"{CLEAR}\n06:00:00 T3 disturbed\n06:10:00 T3 reset accepted")
    day.tell(f"06:10:01 T3 clear\n{shown}").until("08:00:00")

    raised = ["reset-unproved section/T3 planned 06:10:00 07:10:00 -"]
    assert day.brief("reset-unproved") == ([] if proved else raised)


def test_a_train_that_may_have_gone_either_way_joined_nobody(run):
    """T3 clears between T2, occupied by nobody knows what, and T4, out of which its train came: it may have gone back, so what is said of T2 stands."""
    day = run().tell(
        f"""{CLEAR}
        06:00:00 T2 occupied
        06:10:00 T5 occupied
        06:11:00 T4 occupied
        06:11:10 T5 clear
        06:12:00 T3 occupied
        06:13:00 T3 clear
        """
    )

    assert day.until("06:20:00").brief("occupied-no-train") == [
        "occupied-no-train section/T2 prompt 06:00:00 06:02:00 -"
    ]


def test_a_sweep_that_a_reset_cut_short_proves_nothing(run):
    """T3 becomes clear by a second reset with the train still in it: that reset waits for its own proof, and falls due with the first."""
    shown = TRAIN.format("occupied", "reset accepted\n06:33:11 T3 clear")
    day = run().tell(f"{CLEAR}{RESET}06:10:01 T3 awaiting_sweep\n{shown}")

    assert day.until("08:00:00").brief("reset-unproved") == [
        "reset-unproved section/T3 planned 06:33:10 07:10:00 -"
    ]


NUMBERED = "\n".join(f"05:00:00 T{number} clear seq={number}" for number in range(1, 4))
NUMBERED += "\n05:00:00 T4 clear seq=1\n05:00:00 T5 clear seq=2\n"
"""gw/1 tells of T1 to T3, gw/2 of T4 and T5, and both number what they send."""


@pytest.mark.parametrize(
    ("number", "found"),
    [
        (3, ["occupied-no-train section/T3 prompt 06:00:00 06:02:00 -"]),
        # What has the number between was lost: T4 may have been occupied.
        (4, []),
    ],
)
def test_a_neighbour_that_turns_out_not_to_have_been_known(run, number, found):
    """An entry that was judged while T4 seemed clear is one of which nobody can tell once a gap shows that T4 was not known."""
    day = run().tell(
        f"{NUMBERED}06:00:00 T3 occupied seq=4\n06:01:00 T5 clear seq={number}"
    )

    assert day.until("06:30:00").brief("occupied-no-train") == found


def test_a_section_that_is_found_awaiting_its_sweep_can_be_swept(run):
    """After a gap T3 is found awaiting the sweep: a train that goes through proves it."""
    lines = TRAIN.format("occupied", "awaiting_acknowledgement").strip().splitlines()
    day = run().tell(
        f"""{CLEAR}
        06:00:00 T3 disturbed seq=4
        06:10:00 T3 reset accepted preparatory seq=5
        06:20:00 T3 awaiting_sweep seq=7
        06:20:01 T1 clear seq=8
        06:20:02 T2 clear seq=9
        """
    )
    day.tell("\n".join(lines)).until("08:00:00")

    assert day.brief("reset-unproved") == []


def test_what_is_found_disturbed_was_not_occupied_alone(run):
    """T3 was occupied, then not known, then disturbed, and cleared by itself: that is no occupation that came and went."""
    day = run().tell(
        f"""{NUMBERED}
        06:00:00 T3 occupied seq=4
        06:05:00 T1 clear seq=5
        06:10:00 T1 clear seq=7
        06:10:01 T2 clear seq=8
        06:11:00 T3 disturbed seq=9
        06:20:00 T3 clear seq=10
        """
    )

    assert day.until("06:30:00").brief("spurious-occupation") == []


# A clear shorter than the skew.


@pytest.mark.parametrize(
    ("shown", "found"),
    [
        # What was occupied goes on: its time counts from where it began.
        (
            "06:00:00 T3 occupied\n06:01:00 T3 clear\n06:01:01 T3 occupied",
            ["occupied-no-train section/T3 prompt 06:00:00 06:02:00 -"],
        ),
        # It is occupied no longer, so what was said of that is over.
        (
            "06:00:00 T3 occupied\n06:10:00 T3 clear\n06:10:01 T3 disturbed",
            ["occupied-no-train section/T3 prompt 06:00:00 06:02:00 06:10:01"],
        ),
        # It is occupied only from here on, and has an entry of its own.
        (
            "06:00:00 T3 disturbed\n06:10:00 T3 clear\n06:10:01 T3 occupied",
            ["occupied-no-train section/T3 prompt 06:10:01 06:12:01 -"],
        ),
    ],
)
def test_what_a_clear_of_a_moment_ends(run, shown, found):
    """A clear shorter than two seconds ends no occupation; whether what is occupied goes on or begins shows in the states before and after it."""
    day = run().tell(f"{CLEAR}\n{shown}").until("06:30:00")

    assert day.brief("occupied-no-train") == found


# Which neighbour had a train.

HELD = """
05:30:00 T3 disturbed
05:40:00 T3 reset accepted
05:40:01 T3 clear
"""
"""T3 was given back; no train has worked through it."""


@pytest.mark.parametrize(
    ("beside", "by_train"),
    [
        ("06:59:00 T2 occupied", True),
        # It left T2 up to two seconds before: evaluators stamp independently.
        ("06:59:00 T2 occupied\n06:59:58 T2 clear", True),
        ("06:59:00 T2 occupied\n06:59:57.999 T2 clear", False),
        ("06:30:00 T2 disturbed", False),
        # Under work is as good as not known: what occupies it may be a machine.
        ("06:30:00 T2 work begun W1\n06:59:00 T2 occupied", False),
        # Found clear as its work ends, and nobody knows what it held before.
        ("06:30:00 T2 work begun W1\n06:59:59 T2 work ended W1", False),
    ],
)
def test_it_is_a_train_that_disturbs_where_one_was_beside(run, beside, by_train):
    """Long after its reset T3 turns disturbed: that is by the first train only where a neighbour was occupied within two seconds."""
    day = run().tell(f"{CLEAR}{HELD}06:00:00 T1 clear\n{beside}\n07:00:00 T3 disturbed")

    found = ["reset-not-held section/T3 prompt 07:00:00 07:00:00 -"]
    assert day.until("07:10:00").brief("reset-not-held") == (found if by_train else [])


# A train that joins what stands.

STANDS = """
06:00:00 T2 occupied
06:10:00 T5 occupied
06:11:00 T4 occupied
06:11:10 T5 clear
06:12:00 T3 occupied
06:12:10 T4 clear
"""
"""T2 is occupied by nobody knows what, and a train has come into T3 out of T4."""


def test_a_train_that_leaves_into_what_stands_has_joined_it(run):
    """T3 clears, and only T2 can have taken its train: a train has entered T2, so what was said of it is over."""
    day = run().tell(f"{CLEAR}{STANDS}06:20:00 T3 clear")

    assert day.until("06:30:00").brief("occupied-no-train") == [
        "occupied-no-train section/T2 prompt 06:00:00 06:02:00 06:20:00"
    ]


def test_nobody_joined_a_section_under_work(run):
    """T2 is under work when T3 clears: nothing is concluded from it, and what was said of it stays."""
    day = run().tell(f"{CLEAR}{STANDS}06:15:00 T2 work begun W1\n06:20:00 T3 clear")

    assert day.until("06:30:00").brief("occupied-no-train") == [
        "occupied-no-train section/T2 prompt 06:00:00 06:02:00 -"
    ]


def test_what_drew_forward_and_back_was_joined_by_nobody(run):
    """T3 is entered out of T2 alone and clears again: what occupies T2 went out and came back, and no train was seen to enter it."""
    day = run().tell(
        f"{CLEAR}\n06:00:00 T2 occupied\n06:10:00 T3 occupied\n06:11:00 T3 clear"
    )

    assert day.until("06:30:00").brief("occupied-no-train") == [
        "occupied-no-train section/T2 prompt 06:00:00 06:02:00 -"
    ]


def test_a_train_at_an_open_end_may_have_gone_out(run):
    """T1 clears beside T2, occupied by nobody knows what: its train may have gone where there is no detection, so what is said of T2 stands."""
    day = run().tell(
        f"{CLEAR}\n06:00:00 T2 occupied\n06:10:00 T1 occupied\n06:11:00 T1 clear"
    )

    assert day.until("06:30:00").brief("occupied-no-train") == [
        "occupied-no-train section/T2 prompt 06:00:00 06:02:00 -"
    ]


def test_what_a_section_lets_in_while_it_flickers_was_not_in_it(run):
    """T3 turns disturbed for a second as a train has left T4, and T2 is occupied just then: a disturbance explains no entry, so none was seen to enter T2, and none has joined it."""
    day = run().tell(
        f"""{CLEAR}
        06:00:00 T5 occupied
        06:01:00 T4 occupied
        06:01:10 T5 clear
        06:09:57.500 T4 clear
        06:09:59 T3 disturbed
        06:10:00 T2 occupied
        06:10:00 T3 clear
        """
    )

    assert day.until("06:30:00").brief("occupied-no-train") == [
        "occupied-no-train section/T2 prompt 06:10:00 06:12:00 -"
    ]


def found_after_a_gap(shown):
    """Events of gw/2, of which what has the number three was lost, so that T4 and T5 are not known until they are heard."""
    return f"{NUMBERED}{HELD}06:50:00 T5 clear seq=4\n06:51:00 T4 {shown} seq=5"


@pytest.mark.parametrize(("shown", "by_train"), [("occupied", True), ("clear", False)])
def test_what_a_neighbour_is_found_to_show_counts(run, shown, by_train):
    """T4 is found occupied after a gap, long before T3 turns disturbed: a train is beside it; where it is found clear, none is."""
    day = run().tell(f"{found_after_a_gap(shown)}\n07:00:00 T3 disturbed")

    found = ["reset-not-held section/T3 prompt 07:00:00 07:00:00 -"]
    assert day.until("07:10:00").brief("reset-not-held") == (found if by_train else [])


@pytest.mark.parametrize("shown", ["clear", "disturbed"])
def test_what_is_found_not_occupied_after_a_gap_is_occupied_no_longer(run, shown):
    """T3 was occupied before the gap and is found otherwise after it: what was said of it is over when that is shown."""
    day = run().tell(
        f"{NUMBERED}06:00:00 T3 occupied seq=4\n06:10:00 T1 clear seq=6\n06:10:01 T3 {shown} seq=7"
    )

    assert day.until("06:30:00").brief("occupied-no-train") == [
        "occupied-no-train section/T3 prompt 06:00:00 06:02:00 06:10:01"
    ]


@pytest.mark.parametrize(
    ("before", "entry"),
    [("", "explained"), ("06:05:00 T3 awaiting_sweep\n", "cannot tell")],
)
def test_how_an_occupation_was_entered_is_kept(run, before, entry):
    """A train goes through T3: what the fact says of its entry is how that was judged; of one that began by a preparatory reset nobody can tell, for none entered then."""
    day = run().tell(f"{CLEAR}\n{before}{TRAIN.format('occupied', 'clear')}")

    [fact] = [
        one
        for one in day.until("06:50:00").facts
        if (one.kind, one.subject) == ("occupation", "section/T3")
    ]
    assert fact.values["entry"] == entry


def test_what_is_found_occupied_explains_who_enters_beside_it(run):
    """T4 is found occupied after a gap, so a train that enters T3 may have come out of it."""
    day = run().tell(f"{found_after_a_gap('occupied')}\n07:00:00 T3 occupied")

    assert day.until("07:30:00").brief("occupied-no-train") == []


def test_what_is_found_occupied_counts_as_entered_by_a_train(run):
    """T4 was reset, is found occupied after a gap and turns disturbed: its entry counts as explained, so that is by the first train."""
    day = run().tell(
        f"""{NUMBERED}
        05:30:00 T4 disturbed seq=3
        05:40:00 T4 reset accepted seq=4
        05:40:01 T4 clear seq=5
        06:50:00 T5 clear seq=7
        06:51:00 T4 occupied seq=8
        07:00:00 T4 disturbed seq=9
        """
    )

    assert day.until("07:10:00").brief("reset-not-held") == [
        "reset-not-held section/T4 prompt 07:00:00 07:00:00 -"
    ]


def test_what_is_found_disturbed_is_no_train(run):
    """T4 is found disturbed after a gap: that is no occupation by a train, however long it lasts."""
    day = run().tell(found_after_a_gap("disturbed"))

    assert day.until("08:00:00").brief("long-occupation") == []


def test_a_train_enters_what_is_occupied_and_not_what_is_found_disturbed(run):
    """T4, reset long ago, is found disturbed after a gap, then occupied with nothing that explains it, then disturbed: no train was in it, so it is not by the first one."""
    day = run().tell(
        f"""{NUMBERED}
        05:30:00 T4 disturbed seq=3
        05:40:00 T4 reset accepted seq=4
        05:40:01 T4 clear seq=5
        06:50:00 T5 clear seq=7
        06:51:00 T4 disturbed seq=8
        07:00:00 T4 occupied seq=9
        07:01:00 T4 disturbed seq=10
        """
    )

    assert day.until("07:10:00").brief("reset-not-held") == []


def test_a_change_to_disturbed_in_a_gap_is_one_more(run):
    """T4 was clear before the gap and is found disturbed after it: with two that were seen that is the third within 24 h."""
    day = run().tell(
        f"""{NUMBERED}
        05:10:00 T4 disturbed seq=3
        05:11:00 T4 clear seq=4
        06:30:00 T4 disturbed seq=5
        06:31:00 T4 clear seq=6
        08:00:00 T5 clear seq=8
        08:00:01 T4 disturbed seq=9
        """
    )

    assert day.until("08:10:00").brief("repeat-disturbance") == [
        "repeat-disturbance section/T4 planned 05:10:00 08:00:01 -"
    ]


def test_what_is_disturbed_at_its_first_event_has_not_changed(run):
    """T4 is disturbed when it is first heard of, which is no change to it: two more, far apart, are two."""
    day = run().tell(
        f"""{CLEAR.replace("T4 clear", "T4 disturbed")}
        05:01:00 T4 clear
        06:30:00 T4 disturbed
        06:31:00 T4 clear
        08:00:00 T4 disturbed
        """
    )

    assert day.until("08:10:00").brief("repeat-disturbance") == []
