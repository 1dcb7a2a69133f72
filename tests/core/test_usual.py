from __future__ import annotations

import json
import sys
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from monitor.core.events import MonitorRecord, RecordKind
from monitor.core.moments import DAY, HOUR, MINUTE, SECOND, parse
from monitor.core.usual import Learning, read_learnt
from monitor.core.wire import read, write

START = parse("2026-05-04T00:00:00Z")
EVERY_HOUR = frozenset(range(24))


@pytest.fixture
def learning(plain):
    """What is learnt on a plain line: so many sections, in a zone, first known at a moment."""

    def on(count=1, zone="UTC", since=START):
        line = replace(plain(count), zone=ZoneInfo(zone))
        learning = Learning(line)
        if since is not None:
            for section in line.sections:
                learning.known(section, since)
        return learning

    return on


def learnt(learning, midnight, section="T1"):
    """What is known of *section* after *midnight*, as detectors come to know it."""
    return read_learnt(learning.learn(midnight))[1][section]


def daily(learning, days, time, section="T1", start=START):
    """A train is worked through *section* at *time* after midnight on each of *days*."""
    for day in days:
        learning.worked_through(section, start + day * DAY + time)


# Gaps and lengths.


def test_usual_gap_is_the_median_of_the_last_twenty(learning):
    """The usual gap is the median of the last 20 gaps, half the sum of the two in the middle, and there is none before."""
    memory = learning()
    left = START
    memory.worked_through("T1", left)
    for minutes in range(1, 20):
        left += minutes * MINUTE
        memory.worked_through("T1", left)
    assert learnt(memory, START + DAY).gap_median is None

    left += 20 * MINUTE
    memory.worked_through("T1", left)
    # 1, 2 .. 20 minutes: between 10 and 11.
    assert learnt(memory, START + DAY).gap_median == 630 * SECOND

    for _ in range(10):
        left += 100 * MINUTE
        memory.worked_through("T1", left)
    # 11 .. 20 and ten of 100: between 20 and 100.
    assert learnt(memory, START + DAY).gap_median == 60 * MINUTE


def test_a_train_told_late_makes_no_gap(learning):
    """A moment of working through that lies before the last one opens no gap and closes none."""
    memory = learning()
    for number in range(21):
        memory.worked_through("T1", START + number * HOUR)
        memory.worked_through("T1", START + number * HOUR - MINUTE)
    assert learnt(memory, START + DAY).gap_median == HOUR


@pytest.mark.parametrize(
    ("told", "longest"),
    [
        (199, None),
        (200, 198),  # rank 198 of 200
        (201, 199),  # 0.99 x 201 = 198.99, so rank 199
        (400, 396),  # rank 396 of 400
        (500, 496),  # of 101 .. 500, rank 396
    ],
)
def test_usual_longest_is_the_nearest_rank_of_the_last_400(learning, told, longest):
    """The usual longest is the 99th percentile by nearest rank, of 200 occupations at least and the last 400 at most."""
    memory = learning()
    for length in range(1, told + 1):
        memory.occupied("T1", length * SECOND)
    expected = None if longest is None else longest * SECOND
    assert learnt(memory, START + DAY).longest == expected


# Hours with trains.


def test_hours_are_not_given_before_a_day_was_seen(learning):
    """Hours with trains are given once 24 h were seen, not when 24 h have gone by."""
    memory = learning()
    memory.not_known("T1", START + 5 * HOUR)
    memory.known("T1", START + 6 * HOUR)
    # 23 hours seen, then 47.
    assert learnt(memory, START + DAY).hours is None
    assert learnt(memory, START + 2 * DAY).hours is not None


@pytest.mark.parametrize(("trains", "busy"), [(6, False), (7, True), (8, True)])
def test_an_hour_counts_with_trains_on_half_of_its_days(learning, trains, busy):
    """Of 14 days that saw an hour whole, 7 with a train in it are enough and 6 are not."""
    memory = learning()
    daily(memory, range(trains), 6 * HOUR + 30 * MINUTE)
    usual = learnt(memory, START + 14 * DAY)
    assert usual.hours == (frozenset({6}) if busy else frozenset())


@pytest.mark.parametrize(("later", "busy"), [(7, True), (8, False)])
def test_hours_go_by_the_last_14_days(learning, later, busy):
    """An hour that had trains every day keeps its place for 7 days without and loses it on the eighth."""
    memory = learning()
    daily(memory, range(20), 6 * HOUR)
    usual = learnt(memory, START + (20 + later) * DAY)
    assert (6 in usual.hours) is busy


def test_a_train_just_before_the_hour_is_in_the_hour_before(learning):
    """A train is counted in the hour in which it left, to the microsecond."""
    memory = learning()
    daily(memory, range(14), 7 * HOUR - 1)
    assert learnt(memory, START + 14 * DAY).hours == {6}


def test_an_hour_not_seen_whole_does_not_count_for_its_day(learning):
    """A spell not known within an hour takes that hour of that day out, with train or without."""
    memory = learning()
    # One train, on the first day; on the others the hour was not seen whole, but for one day.
    daily(memory, [0], 6 * HOUR)
    for day in range(1, 13):
        at = START + day * DAY + 6 * HOUR
        memory.not_known("T1", at + 20 * MINUTE)
        memory.known("T1", at + 20 * MINUTE + SECOND)
    # 1 of 2 days: half.
    assert learnt(memory, START + 14 * DAY).hours == {6}
    # 1 of 3 days.
    assert learnt(memory, START + 15 * DAY).hours == frozenset()


def test_a_spell_up_to_the_hour_leaves_the_next_one_whole(learning):
    """A spell that ends on the hour spoils the hour before and not the one it ends at."""
    memory = learning()
    for day in range(7):
        memory.not_known("T1", START + day * DAY + 5 * HOUR + 59 * MINUTE)
        memory.known("T1", START + day * DAY + 6 * HOUR)
    usual = learnt(memory, START + 7 * DAY)
    # Hour 5 was seen whole on no day, so nothing speaks against it; hour 6 on seven, without a train.
    assert usual.hours == {5}


def test_14_days_are_found_beyond_a_spell_not_known(learning):
    """The last 14 days that saw an hour may lie on both sides of a long spell in which it was not known."""
    memory = learning()
    daily(memory, range(10), 6 * HOUR)
    memory.not_known("T1", START + 10 * DAY)
    assert learnt(memory, START + 20 * DAY).hours == {6}
    memory.known("T1", START + 30 * DAY)
    # 7 with and 7 without; a day later 6 with and 8 without.
    assert learnt(memory, START + 37 * DAY).hours == {6}
    assert learnt(memory, START + 38 * DAY).hours == frozenset()


def test_hours_before_the_first_event_were_not_seen(learning):
    """The day on which a section is first heard of counts only for the hours after."""
    memory = learning(since=START + 10 * HOUR + 30 * MINUTE)
    usual = learnt(memory, START + 2 * DAY)
    assert usual.hours == frozenset()

    memory = learning(since=START + 10 * HOUR + 30 * MINUTE)
    daily(memory, [0], 9 * HOUR)
    daily(memory, [0], 12 * HOUR)
    # 12 o'clock: 1 of 2 days; 9 o'clock: none of the one day that saw it whole.
    assert learnt(memory, START + 2 * DAY).hours == {12}


def test_a_silence_noticed_after_midnight_spoils_hours_before_it(learning):
    """A spell not known that began before a midnight takes back what was counted at that midnight."""
    memory = learning()
    daily(memory, [0], 23 * HOUR)
    first = learnt(memory, START + DAY)
    assert first.hours == {23}
    assert first.exposure_days == 1

    memory.not_known("T1", START + 22 * HOUR + 30 * MINUTE)
    memory.known("T1", START + DAY + HOUR)
    usual = learnt(memory, START + 2 * DAY)
    # Hours 22, 23 and 0 are left with one day each, without a train.
    assert usual.hours == frozenset()
    assert usual.days_seen == pytest.approx(2 - 2.5 / 24, abs=0.0005)


def test_hours_are_those_of_the_line(learning):
    """Hours are local ones, also where they do not begin with an hour of UTC."""
    memory = learning(zone="Asia/Kolkata")
    # 04:45Z is 10:15 there, 05:15Z is 10:45, 05:30Z is 11:00.
    daily(memory, range(7), 4 * HOUR + 45 * MINUTE)
    daily(memory, range(7, 14), 5 * HOUR + 15 * MINUTE)
    daily(memory, range(7), 5 * HOUR + 30 * MINUTE)
    usual = learnt(memory, START + 14 * DAY)
    # The hour from 05:00 is over at 00:30Z only: so it was seen on 14 days less the first and last.
    assert usual.hours == {10, 11}


def test_an_hour_that_is_not_over_is_no_day_without_a_train(learning):
    """An hour around midnight UTC counts for its day once it is over."""
    memory = learning(zone="Asia/Kolkata")
    # 05:15 there on the second day; the first saw that hour from 05:30 only.
    memory.worked_through("T1", START + DAY - 15 * MINUTE)
    # Whole on the second and third day; on the fourth it is 05:30.
    assert 5 in learnt(memory, START + 3 * DAY).hours
    assert 5 not in learnt(memory, START + 4 * DAY).hours


# The nights on which clocks change, in Helsinki: 03:00 to 04:00 local.


def test_an_hour_that_comes_twice_is_one_hour_of_its_day(learning):
    """On the night on which clocks go back, the hour that comes twice counts once, with a train in either."""
    night = parse(
        "2026-10-25T00:00:00Z"
    )  # 03:00 +03:00, and an hour later 03:00 +02:00
    for half in (30 * MINUTE, 90 * MINUTE):
        memory = learning(zone="Europe/Helsinki", since=night - DAY)
        memory.worked_through("T1", night - DAY + half % HOUR)  # 03:30 the day before
        memory.worked_through("T1", night + half)  # 03:30, first or second
        usual = learnt(memory, night + DAY)
        # The 26th saw no more than its first two hours; days 24 and 25 had their train.
        assert usual.hours == {3}
        # Three more days without: 2 of 5.
        assert learnt(memory, night + 4 * DAY).hours == frozenset()


@pytest.mark.parametrize("half", [30 * MINUTE, 90 * MINUTE])
def test_an_hour_that_comes_twice_is_spoilt_by_either(learning, half):
    """On the night on which clocks go back, a spell in one of the two takes the hour out for that day."""
    night = parse("2026-10-25T00:00:00Z")
    memory = learning(zone="Europe/Helsinki", since=night)
    memory.worked_through("T1", night + DAY + HOUR)  # 03:00 on the 26th
    memory.not_known("T1", night + half)
    memory.known("T1", night + half + SECOND)
    # The 26th with a train, the 27th without: 1 of 2. With the 25th it would be 1 of 3.
    assert learnt(memory, night + 3 * DAY).hours == {3}


def test_an_hour_that_does_not_come_is_no_day_without_a_train(learning):
    """On the night on which clocks go forward, the day has no such hour, seen or not seen."""
    night = parse("2026-03-29T00:00:00Z")  # 02:00 +02:00; at 01:00Z it is 04:00 +03:00
    memory = learning(zone="Europe/Helsinki", since=night - DAY - 12 * HOUR)
    memory.worked_through("T1", night - DAY + 90 * MINUTE)  # 03:30 on the 28th
    memory.worked_through("T1", night + 30 * MINUTE)  # 02:30 on the 29th
    memory.worked_through("T1", night + 90 * MINUTE)  # 04:30 on the 29th
    # By midnight on the 31st: hour 3 came on the 28th and 30th, 02 on the 28th to
    # 31st (00:00Z on the 31st is 03:00), 04 on the 28th to 30th.
    assert learnt(memory, night + DAY).hours == {3, 4}
    assert learnt(memory, night + 2 * DAY).hours == {3}


def test_days_of_23_and_25_hours_are_exposure_as_they_are(learning):
    """Exposure is time gone by, whatever clocks say."""
    for day in ("2026-03-28", "2026-10-24"):
        start = parse(f"{day}T00:00:00Z")
        memory = learning(zone="Europe/Helsinki", since=start)
        assert learnt(memory, start + 3 * DAY).days_seen == 3


# Exposure and disturbances.


def test_exposure_is_the_time_in_which_the_section_was_known(learning):
    """Neither the time before the first event nor a spell not known is exposure, and a spell that lasts is none either."""
    memory = learning(since=START + 6 * HOUR)
    memory.not_known("T1", START + DAY + 12 * HOUR)
    memory.known("T1", START + DAY + 18 * HOUR)
    memory.not_known("T1", START + 2 * DAY + 12 * HOUR)
    # 18 h, 18 h, 12 h, 0 h.
    assert learnt(memory, START + 4 * DAY).exposure_days == 2
    memory.known("T1", START + 4 * DAY + 12 * HOUR)
    usual = learnt(memory, START + 5 * DAY)
    assert usual.exposure_days == usual.days_seen == 2.5


def test_known_and_not_known_may_be_told_twice(learning):
    """What is known already stays so; a spell not known that is told again may prove to have begun earlier."""
    memory = learning()
    memory.known("T1", START + HOUR)
    memory.not_known("T1", START + 12 * HOUR)
    memory.not_known("T1", START + 14 * HOUR)
    memory.not_known("T1", START + 6 * HOUR)
    memory.known("T1", START + 18 * HOUR)
    memory.known("T1", START + 20 * HOUR)
    assert learnt(memory, START + DAY).exposure_days == 0.5


def test_no_spell_is_counted_twice(learning):
    """A spell not known that is told to reach back into another one adds only what lies after it."""
    memory = learning()
    memory.not_known("T1", START + 6 * HOUR)
    memory.known("T1", START + 12 * HOUR)
    memory.not_known("T1", START + 9 * HOUR)
    memory.known("T1", START + 15 * HOUR)
    # Not known from 06:00 to 15:00.
    assert learnt(memory, START + DAY).days_seen == 0.625

    # Known again before midnight, but told after it: what was counted stays, once.
    memory.not_known("T1", START + 18 * HOUR)
    assert learnt(memory, START + DAY).days_seen == 0.375
    memory.known("T1", START + 21 * HOUR)
    memory.not_known("T1", START + 21 * HOUR)
    memory.known("T1", START + DAY + 3 * HOUR)
    assert learnt(memory, START + 2 * DAY).days_seen == 0.375 + 0.875


def test_disturbances_and_exposure_go_back_90_days(learning):
    """A disturbance is counted for 90 days, and exposure as far back."""
    memory = learning()
    memory.disturbed("T1", START + HOUR)
    memory.disturbed("T1", START + 30 * DAY)
    memory.not_known("T1", START)
    memory.known("T1", START + 12 * HOUR)

    usual = learnt(memory, START + 90 * DAY)
    assert (usual.disturbances, usual.exposure_days) == (2, 89.5)
    usual = learnt(memory, START + 91 * DAY)
    assert (usual.disturbances, usual.exposure_days) == (1, 90)
    assert usual.days_seen == 90.5
    assert learnt(memory, START + 121 * DAY).disturbances == 0


def test_a_disturbance_after_the_midnight_waits_for_the_next(learning):
    """What lies after a midnight is not counted up to it."""
    memory = learning()
    memory.disturbed("T1", START + DAY)
    usual = learnt(memory, START + DAY)
    assert (usual.disturbances, usual.counted_until) == (0, START + DAY)
    assert learnt(memory, START + 2 * DAY).disturbances == 1

    # Neither in place of one 90 days before, nor taken for one, however far ahead.
    memory = learning()
    memory.disturbed("T1", START)
    memory.disturbed("T1", START + 90 * DAY)
    assert learnt(memory, START + 90 * DAY).disturbances == 1
    memory.disturbed("T1", START + 190 * DAY)
    assert learnt(memory, START + 180 * DAY).disturbances == 0


def test_a_section_never_heard_is_not_in_the_record(learning):
    """Nothing is said of a section that was never known, nor of one first known after the midnight."""
    memory = learning(2, since=None)
    memory.known("T2", START + DAY)
    memory.not_known("T1", START)
    values = memory.learn(START + DAY)
    assert values["sections"] == {}
    assert values["line"]["prior_days"] == values["line"]["sections"] == 0
    assert list(memory.learn(START + 2 * DAY)["sections"]) == ["T2"]


# The line.


def counted(learning, counts, days):
    """What is learnt of T1 after *days*, on a line whose sections were disturbed *counts* times."""
    memory = learning(len(counts))
    for number, count in enumerate(counts, start=1):
        for time in range(count):
            memory.disturbed(f"T{number}", START + time * HOUR)
    return learnt(memory, START + days * DAY)


def test_prior_is_drawn_from_the_spread_of_the_sections(learning):
    """The prior's mean is the line's and its spread what chance leaves over, by the method of moments."""
    usual = counted(learning, [12] + [0] * 11, 10)
    # Mean 12/120 = 0.1 a day.  Spread 11 x 10 x 0.1^2 + 10 x 1.1^2 = 13.2, by
    # counting alone 11 x 0.1 = 1.1; over 120 - 12 x 10^2 / 120 = 110 days: 0.11.
    # Shape 0.1^2 / 0.11 = 1/11, days 0.1 / 0.11 = 10/11.
    assert usual.prior_shape == pytest.approx(1 / 11, rel=1e-5)
    assert usual.prior_days == pytest.approx(10 / 11, rel=1e-5)
    assert usual.sections == 12


@pytest.mark.parametrize(
    ("counts", "shape", "days"),
    [
        # All alike: at the mean, 12 in 120 days, with the weight of one.
        ([1] * 12, 1, 10),
        # Three sections cannot tell a spread, though moments would make a shape of 1.8
        # of theirs: 15 in 30 days.
        ([2, 10, 3], 1, 2),
        # Not one disturbance: half of one in 120 days.
        ([0] * 12, 0.5, 120),
        # A single one weighs no more than it is.
        ([1] + [0] * 11, 1, 120),
    ],
)
def test_prior_is_weak_where_sections_do_not_tell_how_they_differ(
    learning, counts, shape, days
):
    """Few sections, no spread or no disturbances: the prior stands at the line's mean and weighs one disturbance at most."""
    usual = counted(learning, counts, 10)
    assert (usual.prior_shape, usual.prior_days) == pytest.approx((shape, days))


def test_chance_on_the_line_is_the_sum_over_its_sections(learning):
    """The line's numbers are those of all its sections, each at its own rate, by the year."""
    usual = counted(learning, [1] * 12, 90)
    # Each drawn to (1 + 1) / (90 + 90) = 1/90 a day.  Where clusters are rare, a
    # cluster is an event followed by 2 more within a day, 1 more within an hour:
    # (1/90) x 6.127e-5 x 365 x 12 and (1/90) x 4.6285e-4 x 365 x 12.
    assert usual.line_chance_day == pytest.approx(2.982e-3, rel=0.03)
    assert usual.line_chance_hour == pytest.approx(2.2525e-2, rel=0.01)


def test_chance_of_merging_clusters_is_bounded(learning):
    """A section disturbed thousands of times a day makes no number that JSON cannot write."""
    usual = counted(learning, [0] * 11 + [1], 1)
    memory = learning(1)
    for time in range(5000):
        memory.disturbed("T1", START + time * SECOND)
    wild = learnt(memory, START + DAY)
    assert usual.line_chance_day < wild.line_chance_day == 365
    assert wild.line_chance_hour == 365 * 24


# The memory.


def size(learning):
    """Bytes of what is remembered of T1, but for what all sections share."""
    memory = learning._memories["T1"]
    parts = [getattr(memory, name) for name in memory.__slots__]
    return sum(sys.getsizeof(getattr(part, "rows", part)) for part in parts)


def test_memory_does_not_grow_with_the_length_of_a_recording(learning):
    """After a year a section takes no more room than after some months."""
    memory = learning(zone="Europe/Helsinki")
    sizes = []
    for day in range(400):
        midnight = START + day * DAY
        for hour in range(4, 24, 2):
            memory.worked_through("T1", midnight + hour * HOUR)
            memory.occupied("T1", hour * MINUTE)
        memory.not_known("T1", midnight + HOUR)
        memory.known("T1", midnight + HOUR + day * SECOND)
        memory.disturbed("T1", midnight + HOUR)
        memory.learn(midnight + DAY)
        sizes.append(size(memory))
    assert sizes[399] <= max(sizes[:100]) < 10_000
    assert len(memory._slots) <= 16_384
    assert len(memory._spells) <= 256


def test_learning_again_at_the_same_midnight_changes_nothing(learning):
    """A midnight learnt twice gives the same record, also while the section is not known."""
    memory = learning()
    memory.not_known("T1", START + 12 * HOUR)
    assert memory.learn(START + DAY) == memory.learn(START + DAY)
    assert learnt(memory, START + 2 * DAY).exposure_days == 0.5


# The record.


def eventful(line, order):
    """Learning over two weeks in which sections are told of in the order given."""
    memory = Learning(line)
    for section in order:
        number = int(section[1:])
        memory.known(section, START + number * HOUR)
        for step in range(300):
            memory.worked_through(section, START + step * HOUR + number * SECOND)
            memory.occupied(section, (step + number) * SECOND + 345_000)
        for time in range(number):
            memory.disturbed(section, START + time * DAY)
        memory.not_known(section, START + 13 * DAY + number * MINUTE)
    return memory


def test_record_is_the_same_in_whatever_order_sections_come(plain):
    """Neither the order of sections in the line file nor that of their events shows in the record."""
    line = plain(12)
    names = list(line.sections)
    turned = replace(line, sections={name: line.sections[name] for name in names[::-1]})
    one = eventful(line, names).learn(START + 14 * DAY)
    other = eventful(turned, names[::-1]).learn(START + 14 * DAY)
    assert json.dumps(one) == json.dumps(other)
    assert json.dumps(one) == json.dumps(one, sort_keys=True)


def test_record_comes_back_from_the_wire_as_it_was(plain):
    """What a detector is told is the same whether a record was just learnt or read from a recording."""
    values = eventful(plain(12), plain(12).sections).learn(START + 14 * DAY)
    event = MonitorRecord(
        id="1",
        source="monitor-1",
        subject="monitor-1",
        time=START + 14 * DAY,
        kind=RecordKind.LEARNT,
        values=values,
    )
    (back,) = read(write(event), recorded=True).events
    assert isinstance(back, MonitorRecord)
    assert read_learnt(back.values) == read_learnt(values)

    until, usual = read_learnt(back.values)
    assert until == START + 14 * DAY
    assert len(usual) == 12
    t3 = usual["T3"]
    assert t3.gap_median == HOUR
    # 300 occupations of 3.345 s and up by seconds: rank 297.
    assert t3.longest == 299_345_000
    # Trains in every hour of the first 12 days.
    assert t3.hours == EVERY_HOUR
    assert t3.disturbances == 3
    # From 03:00 on the first day to 00:03 on the fourteenth.
    assert t3.exposure_days == pytest.approx(13 - 3 / 24 + 3 / 1440, abs=0.0005)


@pytest.mark.parametrize(
    ("place", "value", "what"),
    [
        (("until",), None, "until"),
        (("until",), "yesterday", "until"),
        (("until",), "2026-05-05T00:00:01.000Z", "00:00 UTC"),
        (("line",), [], "tables"),
        (("sections",), None, "tables"),
        (("columns",), ["gap_s"], "columns"),
        (("line", "prior_days"), "many", "prior_days"),
        (("line", "sections"), 1.5, "whole"),
        (("sections", "T1"), {}, "numbers"),
        (("sections", "T1"), [None, None], "numbers"),
        (("sections", "T1", 0), -1, "gap_s"),
        (("sections", "T1", 1), float("nan"), "longest_s"),
        (("sections", "T1", 2), 1 << 24, "hours"),
        (("sections", "T1", 2), True, "hours"),
        (("sections", "T1", 4), 10**400, "disturbances"),
        (("sections", "T1", 5), None, "exposure_days"),
    ],
)
def test_what_is_no_record_is_refused_in_one_line(learning, place, value, what):
    """Values that are none of a `learnt` record raise ValueError, whose one line says what is wrong."""
    values = json.loads(json.dumps(learning().learn(START + DAY)))
    within = values
    for key in place[:-1]:
        within = within[key]
    within[place[-1]] = value
    with pytest.raises(ValueError, match=what) as caught:
        read_learnt(values)
    message = str(caught.value)
    assert message.startswith("learnt: ")
    assert "\n" not in message
    assert len(message) < 200


def test_a_hostile_name_stays_on_its_line(learning):
    """A section's name in a refusal cannot break the line, however long."""
    values = learning().learn(START + DAY)
    values["sections"]["T\n" * 500] = None
    with pytest.raises(ValueError, match="numbers") as caught:
        read_learnt(values)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 200
