"""What was so, for whoever looks back on a period."""

from __future__ import annotations

import pytest

from monitor.core.moments import parse

CLEAR = "\n".join(f"05:00:00 T{n} clear" for n in range(1, 6))


def at(text):
    """A time of the day."""
    return parse(f"2026-05-04T{text}.000Z")


def facts(day, kind, section="T3"):
    """The last line of each fact of a kind about a section."""
    found = {
        one.key: one
        for one in day.facts
        if one.kind == kind and one.subject == f"section/{section}"
    }
    return list(found.values())


def train(minute, stands=10, axles=""):
    """A train through T1 to T5, a minute each; it stands in T2 for so many seconds more."""
    rows, now = [], minute * 60
    for n in range(1, 6):
        rows.append((now, f"T{n} occupied{axles}"))
        if n > 1:
            rows.append((now + 10, f"T{n - 1} clear"))
        now += 60 + (stands if n == 2 else 0)
    rows.append((now, "T5 clear"))
    return "\n".join(
        f"{6 + s // 3600:02d}:{s // 60 % 60:02d}:{s % 60:02d} {what}"
        for s, what in sorted(rows)
    )


def behind(stands):
    """A train that stands in T2 for so long, and then goes through T3, which shows `disturbed` throughout."""
    return "\n".join(
        line for line in train(70, stands).split("\n") if " T3 occupied" not in line
    )


def test_a_section_is_heard_first_once(run):
    """The first event of a section is a fact, and the second is none."""
    day = run().tell(f"{CLEAR}\n06:00:00 T3 clear").until("07:00:00")

    assert [one.began for one in facts(day, "heard")] == [at("05:00:00")]


def test_a_section_is_not_available_until_it_is_given_back(run):
    """From being disturbed, through the sweep, to the clear behind the train that swept."""
    day = (
        run()
        .tell(
            f"""{CLEAR}
        06:00:00 T3 disturbed
        06:10:00 T3 reset accepted preparatory
        06:10:01 T3 awaiting_sweep
        06:30:00 T1 occupied
        06:31:00 T2 occupied
        06:31:10 T1 clear
        06:32:00 T3 occupied
        06:32:10 T2 clear
        06:33:00 T4 occupied
        06:33:10 T3 clear
        06:40:00 T4 clear"""
        )
        .until("08:00:00")
    )

    [one] = facts(day, "failed")
    assert (one.began, one.ended) == (at("06:00:00"), at("06:33:10"))
    assert one.values == {"under_work": False, "began_seen": True, "ended_seen": True}


def test_what_the_interlocking_keeps_is_not_given_back(run):
    """Clear at the evaluator, but taken as occupied by the interlocking: not available until that takes it as clear."""
    day = (
        run()
        .tell(
            f"""{CLEAR}
        06:00:00 T3 disturbed interlocking=occupied
        06:10:00 T3 reset accepted unconditional
        06:10:01 T3 clear interlocking=occupied
        06:25:00 T3 clear interlocking=clear"""
        )
        .until("08:00:00")
    )

    [one] = facts(day, "failed")
    assert one.ended == at("06:25:00")


def test_a_clear_shorter_than_the_skew_gives_nothing_back(run):
    """A clear that lasts a second ends no occupation, so it gives nothing back."""
    day = (
        run()
        .tell(
            f"{CLEAR}\n06:00:00 T3 disturbed\n06:10:00 T3 clear\n06:10:01 T3 disturbed"
        )
        .until("08:00:00")
    )

    assert [one.ended for one in facts(day, "failed")] == [None]


def test_what_was_given_back_unseen_counts_as_long_as_it_was_seen(run):
    """The gateway fell silent while the section was disturbed, and it was clear when heard again."""
    day = (
        run()
        .tell(
            f"""{CLEAR}
        05:00:01 GW1 online
        06:00:01 GW1 online
        06:00:10 T3 disturbed
        06:00:30 GW1 online
        06:30:00 T5 clear
        07:00:00 GW1 online
        07:00:01 T3 clear"""
        )
        .until("08:00:00")
    )

    [one] = facts(day, "failed")
    assert one.ended == at("06:00:30")
    assert not one.values["ended_seen"]


@pytest.mark.parametrize(
    ("stands", "held"), [(10, False), (35, False), (36, True), (900, True)]
)
def test_a_train_is_held_that_stands_longer_than_any_before_it(run, stands, held):
    """Before a section that is disturbed, longer than the last trains stood there; one that goes on as usual is not held."""
    usual = "\n".join(train(10 * n, stands=30 + n) for n in range(6))
    day = (
        run()
        .tell(f"{CLEAR}\n{usual}\n07:05:00 T3 disturbed\n{behind(stands)}")
        .until("09:00:00")
    )

    found = facts(day, "held")
    assert [one.values["before"] for one in found] == (["T2"] if held else [])


def test_where_few_trains_went_nothing_is_known_of_what_is_usual(run):
    """With four trains before it nobody can say that a train stood longer than usual."""
    usual = "\n".join(train(10 * n) for n in range(4))
    day = (
        run()
        .tell(f"{CLEAR}\n{usual}\n07:05:00 T3 disturbed\n{behind(900)}")
        .until("09:00:00")
    )

    assert facts(day, "held") == []


def test_occupied_with_no_train_is_a_fact_as_long_as_it_is_one(run):
    """From the entry that nothing explains to the clear."""
    day = run().tell(f"{CLEAR}\n06:00:00 T3 occupied\n06:20:00 T3 clear")

    [one] = facts(day.until("07:00:00"), "no-train")
    assert (one.began, one.ended) == (at("06:00:00"), at("06:20:00"))


def test_a_spurious_occupation_too(run):
    """Too short to be raised as one with no train, and yet none was seen."""
    day = run().tell(f"{CLEAR}\n06:00:00 T3 occupied\n06:00:20 T3 clear")

    [one] = facts(day.until("07:00:00"), "no-train")
    assert (one.ended - one.began, one.values) == (20_000_000, {"spurious": True})


def test_axles_are_those_that_were_counted_in(run):
    """The most that the section showed while its train was in it; nought where tallies are not given."""
    day = run().tell(f"{CLEAR}\n{train(0, axles=' axles=40')}\n{train(20)}")

    found = facts(day.until("08:00:00"), "occupation")
    assert [one.values["axles"] for one in found] == [40, 0]


def test_passages_are_counted_by_the_hour(run):
    """Three of H3, of which the last is in the hour after; each is told with those before it in its hour."""
    day = (
        run()
        .tell(
            f"{CLEAR}\n06:10:00 H3 forward 8\n06:50:00 H3 reverse 4\n07:05:00 H3 forward 8"
        )
        .until("07:30:00")
    )
    told = [one for one in day.facts if one.kind == "passages"]

    assert [(one.subject, one.began, one.values) for one in told] == [
        ("head/H3", at("06:00:00"), {"count": 1, "axles": 8}),
        ("head/H3", at("06:00:00"), {"count": 2, "axles": 12}),
        ("head/H3", at("07:00:00"), {"count": 1, "axles": 8}),
    ]
