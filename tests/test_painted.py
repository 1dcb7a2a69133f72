import json

import pytest

from monitor.core.layout import read_line
from monitor.core.moments import MINUTE, SECOND, parse, stamp
from monitor.painted import (
    Standing,
    alerts_painted,
    first_painted,
    in_words,
    known_at,
    named_at,
    of_areas,
    pages_at,
)
from monitor.shown import Painted, Shown
from tests.live import LINE

NIGHT = parse("2026-05-04T02:11:09Z")
GONE, REST = "7b9effd83caf5b4f", "1122334455667788"
LINE_OF_FOUR = read_line(LINE)


def shown(seconds, *faults, page="0123456789abcdef", position="north", **more):
    """A page says what it painted so many seconds after the moment asked for."""
    given = {"visible": True, "sound": "played", "by": "A. Moor", **more}
    return Shown(
        id=f"{page}{seconds}",
        position=position,
        page=page,
        at=NIGHT + seconds * SECOND,
        entered=NIGHT + seconds * SECOND + 40_000,
        faults=tuple(
            Painted(
                fault=one,
                headline=text,
                priority="urgent",
                alerts=tuple(alerts) or None,
            )
            for one, text, *alerts in faults
        ),
        **given,
    )


def told(seconds, fault, number, headline="T2 let go of a train", **more):
    """A line of a fault as the store has it, and when it came."""
    record = {
        "id": fault,
        "number": number,
        "headline": headline,
        "priority": "urgent",
        "raised": stamp(NIGHT + seconds * SECOND),
        "ended": None,
        "into": None,
        "lasting": [],
        "subjects": ["section/T2"],
        **more,
    }
    return NIGHT + seconds * SECOND, json.dumps(record)


def test_what_was_painted_by_then_and_what_was_not_yet():
    """The desk had painted the first of two, and paints the other three seconds later."""
    records = [
        shown(-2, (GONE, "T2 let go of a train")),
        shown(3, (REST, "T3 disturbed")),
    ]
    lines = [
        told(-3, GONE, "94MR"),
        told(-1, REST, "7KQ2", "T3 disturbed", priority="prompt"),
    ]

    pages = pages_at(records, NIGHT, "north")
    said = in_words(
        pages,
        known_at(lines, NIGHT),
        first_painted(records, "north"),
        LINE_OF_FOUR,
        NIGHT,
    )

    assert said == [
        "page 01234567 of A. Moor at north: in front, sound on, as it said last at 02:11:07",
        "  painted 02:11:07: 94MR T2 let go of a train (urgent)",
        "  not yet: 7KQ2 T3 disturbed (prompt), concluded 02:11:08; painted first 02:11:12",
    ]


def test_a_page_that_hears_nothing_has_not_painted_what_comes_meanwhile():
    """A stale spell is told with its beginning, and ends with what the page says next."""
    records = [
        shown(-60, (GONE, "T2 disturbed")),
        shown(-10, stale=NIGHT - 14 * SECOND, visible=False, sound="blocked"),
        shown(20),
    ]

    [then] = pages_at(records, NIGHT, "north")
    [later] = pages_at(records, NIGHT + MINUTE, "north")
    [said, _] = in_words(
        [then], known_at([told(-70, GONE, "94MR")], NIGHT), {}, LINE_OF_FOUR, NIGHT
    )

    assert then.stale == NIGHT - 14 * SECOND
    assert later.stale is None
    assert said == (
        "page 01234567 of A. Moor at north: not in front, sound blocked by the browser, "
        "as it said last at 02:10:59; had not heard the monitor since 02:10:55"
    )


def test_what_a_page_could_not_say_while_it_heard_nothing_counts_all_the_same():
    """It says it when it hears again: since when, and then that this is over."""
    since = NIGHT - 5 * SECOND
    records = [shown(-60), shown(30, stale=since), shown(31)]

    stale = [
        pages_at(records, NIGHT + seconds * SECOND)[0].stale
        for seconds in (-6, -5, 0, 30, 31, 60)
    ]
    assert stale == [None, since, since, since, None, None]


def test_a_headline_that_changed_says_since_when():
    """The first painting and the newest one are told."""
    records = [shown(-60, (GONE, "T2 disturbed")), shown(-5, (GONE, "T2 let go"))]
    said = in_words(
        pages_at(records, NIGHT),
        known_at([told(-70, GONE, "94MR", "T2 let go")], NIGHT),
        {},
        LINE_OF_FOUR,
        NIGHT,
    )

    assert said[1] == ("  painted 02:10:09, so since 02:11:04: 94MR T2 let go (urgent)")


def test_pages_of_other_desks_are_theirs():
    """What north had does not stand for south."""
    records = [
        shown(-2, (GONE, "x"), position="south", page="ffffffffffffffff"),
        shown(-1, (REST, "y")),
    ]

    assert [one.page for one in pages_at(records, NIGHT, "north")] == [
        "0123456789abcdef"
    ]
    assert len(pages_at(records, NIGHT)) == 2
    assert set(first_painted(records, "south")) == {GONE}
    assert first_painted(records)[REST].at == NIGHT - SECOND


@pytest.mark.parametrize(
    ("more", "closed", "stands"),
    [
        pytest.param({}, (), True, id="open"),
        pytest.param({"ended": stamp(NIGHT)}, (), False, id="over"),
        pytest.param({"into": REST}, (), False, id="taken in by another"),
        pytest.param(
            {"ended": stamp(NIGHT), "lasting": ["a1"]}, (), True, id="only closed"
        ),
        pytest.param(
            {"ended": stamp(NIGHT), "lasting": ["a1"]}, ("a1",), False, id="closed"
        ),
        pytest.param({}, (GONE,), False, id="closed as a fault"),
    ],
)
def test_a_fault_stands_until_it_is_over_and_closed(more, closed, stands):
    """As its newest line by then says; what came later counts for nothing."""
    lines = [
        told(-9, GONE, "94MR"),
        told(-1, GONE, "94MR", **more),
        told(1, GONE, "94MR", into=REST),
    ]

    [one] = known_at(lines, NIGHT, dict.fromkeys(closed, NIGHT - SECOND))

    assert one.open is stands
    assert one.concluded == NIGHT - 9 * SECOND


def test_a_desk_has_what_lies_in_its_areas():
    """A desk without areas of its own has all."""
    one = Standing(
        fault=GONE,
        number="94MR",
        headline="",
        priority="prompt",
        raised=NIGHT,
        concluded=NIGHT,
        subjects=("head/H1",),
    )

    assert of_areas([one], LINE_OF_FOUR, ["a"]) == (one,)
    assert of_areas([one], LINE_OF_FOUR, ["elsewhere"]) == ()
    assert of_areas([one], LINE_OF_FOUR, []) == (one,)


def test_what_is_over_is_named_and_what_cannot_be_placed_is_not_counted_as_over():
    """Number and headline of what a page had painted and is gone; nothing is said to be over of which the store has nothing by then."""
    records = [shown(-60, (GONE, "T2 disturbed"), (REST, "T3 disturbed"))]
    known = known_at([told(-70, GONE, "94MR", ended=stamp(NIGHT))], NIGHT)

    assert in_words(pages_at(records, NIGHT), known, {}, LINE_OF_FOUR, NIGHT)[1:] == [
        f"  painted 02:10:09: {REST} T3 disturbed (urgent); whether it was open then is not known",
        "  painted 02:10:09, and no more in the list by then: 94MR T2 disturbed (urgent)",
    ]


def test_a_page_that_has_said_nothing_for_long_is_not_said_to_be_open():
    """It says so when something changes; whether it stood there hours later, nobody knows."""
    records = [shown(-9 * 3600)]

    [said] = in_words(pages_at(records, NIGHT), (), {}, LINE_OF_FOUR, NIGHT)

    assert said == (
        "page 01234567 of A. Moor at north: not heard from since 2026-05-03 17:11:09, "
        "then in front, sound on; whether it was open is not known"
    )


def test_a_desk_has_not_yet_what_lies_in_its_areas():
    """What other desks look after it need not paint; what it painted all the same is told with its number."""
    records = [shown(-60, (GONE, "T2 disturbed"))]
    known = known_at([told(-70, GONE, "94MR"), told(-70, REST, "7KQ2")], NIGHT)
    said = in_words(
        pages_at(records, NIGHT), known, {}, LINE_OF_FOUR, NIGHT, areas=["elsewhere"]
    )

    assert said[1:] == ["  painted 02:10:09: 94MR T2 disturbed (urgent)"]


def test_an_alert_is_painted_when_its_row_is_that_has_it():
    """One that joins a fault which stands there already has a painting of its own; a page behind another, and the beginning of a sound, are none."""
    records = [
        shown(-60, (GONE, "T2 disturbed", "a1"), sound="blocked"),
        shown(-9, (GONE, "T2 disturbed", "b2"), visible=False, page="00000001"),
        shown(-8, (GONE, "T2 disturbed", "b2"), sound="sounded"),
        shown(-5, (GONE, "T2 disturbed", "b2"), position="south", page="00000002"),
        shown(-2, (GONE, "T2 disturbed", "b2")),
    ]

    everywhere, north = alerts_painted(records), alerts_painted(records, "north")

    assert {one: told.at - NIGHT for one, told in everywhere.items()} == {
        "a1": -MINUTE,
        "b2": -5 * SECOND,
    }
    assert north["b2"].at == NIGHT - 2 * SECOND
    assert first_painted(records)[GONE].at == NIGHT - MINUTE


def test_the_alerts_of_a_fault_are_told_each_where_the_page_says():
    """One was painted with it, the other concluded and not painted yet; of a page that does not say, nothing is claimed."""
    first, second = "a" * 16, "b" * 16
    records = [
        shown(-60, (GONE, "T2 let go", first)),
        shown(-50, (GONE, "T2 let go"), page="f" * 16),
        shown(20, (GONE, "T2 let go", second)),
    ]
    lines = [
        (NIGHT + at * SECOND, json.dumps({"id": name, "summary": text}))
        for at, name, text in (
            (-70, first, "T2 let go of a train"),
            (-5, second, "T3 shows disturbed"),
            (30, "c" * 16, "later"),
        )
    ]
    fault = told(-5, GONE, "94MR", alerts=[first, second, "c" * 16])

    said = in_words(
        pages_at(records, NIGHT),
        known_at([fault], NIGHT),
        {},
        LINE_OF_FOUR,
        NIGHT,
        named=named_at(lines, NIGHT),
        first=alerts_painted(records),
    )

    told_each = [one.strip() for one in said if one.startswith("    ")]
    assert told_each == [
        "with it 02:10:09: T2 let go of a train",
        "not yet with it: T3 shows disturbed, concluded 02:11:04; painted first 02:11:29",
    ]


def test_an_alert_that_is_alone_in_its_fault_is_named_too():
    """Whoever asks what a page had painted asks for alerts; that a fault has one alone takes nothing from that."""
    [name] = ["a" * 16]
    alert = json.dumps({"id": name, "summary": "T2 let go of a train"})
    said = in_words(
        pages_at([shown(-60, (GONE, "T2 let go", name))], NIGHT),
        known_at([told(-70, GONE, "94MR", alerts=[name])], NIGHT),
        {},
        LINE_OF_FOUR,
        NIGHT,
        named=named_at([(NIGHT - 70 * SECOND, alert)], NIGHT),
    )

    assert said[1:] == [
        "  painted 02:10:09: 94MR T2 let go (urgent)",
        "    with it 02:10:09: T2 let go of a train",
    ]


def test_pages_of_long_ago_are_counted_and_those_that_were_left_are_gone():
    """Two hundred days of two pages a day say four lines, and the page that stands there comes first."""
    days = [
        shown(
            -day * 86400 - 3600 * half, (GONE, "T2 disturbed"), page=f"{day:08d}{half}"
        )
        for day in range(1, 201)
        for half in (0, 1)
    ]
    over = shown(-20 * 86400, (REST, "T3 disturbed"))
    here = [over, shown(-30, (GONE, "T2 disturbed")), shown(-20, page="f" * 8)]
    gone = [
        shown(-10, page="f" * 8, left=True),
        shown(-10, page="f" * 8, visible=False),
    ]
    known = known_at(
        [
            told(-40, GONE, "94MR"),
            told(-20 * 86400, REST, "7KQ2"),
            told(-19 * 86400, REST, "7KQ2", ended=stamp(NIGHT - 19 * 86400 * SECOND)),
        ],
        NIGHT,
    )

    said = in_words(
        pages_at([*days, *here, *gone], NIGHT), known, {}, LINE_OF_FOUR, NIGHT
    )

    assert said == [
        "page 01234567 of A. Moor at north: in front, sound on, as it said last at 02:10:39",
        "  painted 02:10:39: 94MR T2 disturbed (urgent)",
        "  painted, and over for more than 1 h by then: 1 fault",
        "400 pages were not heard from for 12 h by then: what stood on them is not told",
    ]
    # Before it was left it stood there.
    assert len(pages_at([*here, *gone], NIGHT - 15 * SECOND)) == 2


def test_what_is_over_since_somebody_closed_it_is_over_since_then():
    """A line of long ago says that it ended; that it was closed a minute before is what took it out of the list."""
    ended = told(-9 * 86400, GONE, "94MR", ended=stamp(NIGHT), lasting=["a1"])

    [one] = known_at([ended], NIGHT, {"a1": NIGHT - MINUTE})
    [before] = known_at([ended], NIGHT, {"a1": NIGHT + MINUTE})

    assert (one.open, one.over) == (False, NIGHT - MINUTE)
    assert (before.open, before.over) == (True, None)
