from __future__ import annotations

import pytest

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
