from __future__ import annotations

import sqlite3
from dataclasses import replace

import pytest
from hypothesis import given, strategies as st

from monitor.core.facts import Fact
from monitor.core.moments import DAY, HOUR, SECOND, parse
from monitor.history import History, HistoryFault

MIDNIGHT = parse("2026-05-04T00:00:00Z")


@pytest.fixture(name="history")
def _history():
    with History.open(":memory:") as history:
        yield history


def occupation(began, ended=None, subject="section/T107", **values):
    """An occupation, hours after midnight."""
    return Fact(
        kind="occupation",
        subject=subject,
        began=MIDNIGHT + began * HOUR,
        ended=None if ended is None else MIDNIGHT + ended * HOUR,
        values=values,
    )


def disturbance(began, subject="section/T107"):
    """A disturbance, hours after midnight."""
    return Fact(kind="disturbance", subject=subject, began=MIDNIGHT + began * HOUR)


def test_gives_back_what_was_written(history):
    """A fact comes back as it went in, every value and every microsecond."""
    fact = Fact(
        kind="reset",
        subject="section/Tæller 7",
        began=MIDNIGHT + 1,
        values={"kind": "preparatory", "proved_at": None, "n": [1, 2.5, True]},
    )

    history.write([fact])

    assert list(history.read("reset")) == [fact]


def test_a_later_line_of_a_key_replaces_the_earlier(history):
    """Kind, subject and beginning name a fact: its end is told by writing it again."""
    history.write([occupation(6)])
    history.write([occupation(6, 7, worked_through=True)])

    assert list(history.read("occupation")) == [occupation(6, 7, worked_through=True)]


def test_writing_again_changes_nothing(history):
    """Folding the journal a second time leaves one of each fact."""
    facts = [occupation(6, 7), disturbance(8), disturbance(9)]
    history.write(facts)
    history.write(facts)

    assert list(history.read("occupation")) == facts[:1]
    assert list(history.read("disturbance")) == facts[1:]


def test_one_transaction_holds_all_or_none(history):
    """When one fact cannot be written, those beside it are not either."""
    broken = replace(disturbance(9), subject=None)

    with pytest.raises(sqlite3.IntegrityError):
        history.write([disturbance(8), broken])

    assert list(history.read("disturbance")) == []


@pytest.mark.parametrize(
    ("begin", "end", "seen"),
    [
        pytest.param(None, None, 3, id="everything"),
        pytest.param(7, 8, 2, id="ends after the beginning, or lasts"),
        pytest.param(8, 9, 1, id="what ended before is left out"),
        pytest.param(0, 5, 0, id="what begins at the end is left out"),
        pytest.param(0, 6, 1, id="what begins before the end is in"),
    ],
)
def test_reads_what_was_so_in_a_period(history, begin, end, seen):
    """A period shows the occupations that overlap it, not only those that began in it."""
    history.write([occupation(5, 7), occupation(6, 8), occupation(6.5, None, "x/1")])
    # 5-7 ends just as the period 7-8 begins, so it is not in it.
    asked = [None if t is None else MIDNIGHT + t * HOUR for t in (begin, end)]

    assert len(list(history.read("occupation", None, *asked))) == seen


def test_a_disturbance_and_a_reset_are_moments(history):
    """They belong to the period in which they came, though a reset may be proved later."""
    proved = MIDNIGHT + DAY + HOUR
    reset = Fact(
        kind="reset", subject="section/T107", began=MIDNIGHT + HOUR, ended=proved
    )
    history.write([disturbance(8), reset, replace(reset, began=MIDNIGHT, ended=None)])
    day = MIDNIGHT + DAY

    for kind in ("disturbance", "reset"):
        assert list(history.read(kind, None, day, day + DAY)) == []
        assert list(history.read(kind, None, MIDNIGHT, day))


def test_reads_one_subject(history):
    """Asked about one section, the history tells of no other."""
    history.write([disturbance(8), disturbance(9, "section/T108")])

    assert list(history.read("disturbance", "section/T108")) == [
        disturbance(9, "section/T108")
    ]


def test_counts_by_day(history):
    """Days are those of UTC; the last microsecond of one is not the first of the next."""
    last = replace(disturbance(24), began=MIDNIGHT + DAY - 1)
    history.write([disturbance(0), last, disturbance(24), disturbance(25, "s/2")])

    assert history.daily("disturbance") == {
        ("section/T107", MIDNIGHT): 2,
        ("section/T107", MIDNIGHT + DAY): 1,
        ("s/2", MIDNIGHT + DAY): 1,
    }
    assert history.daily("disturbance", "s/2", MIDNIGHT, MIDNIGHT + DAY) == {}


def test_outlives_the_process(tmp_path):
    """What was written is there when the file is opened again."""
    path = tmp_path / "history.sqlite"
    with History.open(path) as history:
        history.write([occupation(6, 7)])

    with History.open(path) as history:
        assert list(history.read("occupation")) == [occupation(6, 7)]


def test_a_file_that_is_no_database_is_refused(tmp_path):
    """Another file is neither taken for a history nor overwritten."""
    path = tmp_path / "notes.txt"
    path.write_text("not a database, but long enough to be read as one\n" * 20)

    with pytest.raises(sqlite3.DatabaseError):
        History.open(path)

    assert path.read_text().startswith("not a database")


@given(
    facts=st.lists(
        st.builds(
            Fact,
            kind=st.sampled_from(["occupation", "disturbance", "work"]),
            subject=st.sampled_from(["section/A", "section/B"]),
            began=st.integers(MIDNIGHT, MIDNIGHT + 3 * SECOND),
            values=st.dictionaries(st.text(max_size=3), st.integers(0, 9), max_size=2),
        ),
        max_size=30,
    )
)
def test_the_last_of_each_key_holds(facts):
    """However facts come, a history holds the last line of each key, oldest first."""
    expected = {fact.key: fact for fact in facts}
    with History.open(":memory:") as history:
        history.write(facts)

        for kind in ("occupation", "disturbance", "work"):
            found = list(history.read(kind))
            assert {fact.key: fact for fact in found} == {
                key: fact for key, fact in expected.items() if key[0] == kind
            }
            assert [f.began for f in found] == sorted(f.began for f in found)


def passed(left, axles=0, **values):
    """An occupation of a quarter of an hour that a train worked through."""
    fact = occupation(left - 0.25, left, worked_through=True, axles=axles, **values)
    return replace(fact, began=int(fact.began), ended=int(fact.ended))


def trains(history):
    """What is counted: subject, hours in which trains left with their number, axles."""
    return [
        (subject, {h: n for h, n in enumerate(one.trains) if n}, one.counted, one.axles)
        for subject, _, one in history.traffic(MIDNIGHT, MIDNIGHT + DAY)
    ]


def test_trains_are_counted_by_the_hour_in_which_they_left(history):
    """Those that worked through, not under work; their axles where those were told."""
    history.write(
        [
            passed(6.5, axles=40),
            passed(6.9),
            passed(8, axles=8),
            passed(9, under_work=True),
            occupation(10, 11, worked_through=False),
        ]
    )

    assert trains(history) == [("section/T107", {6: 2, 8: 1}, 2, 48)]


@given(st.lists(st.tuples(st.integers(0, 22), st.booleans(), st.integers(0, 3))))
def test_writing_facts_again_counts_no_train_again(written):
    """Whatever is written in whatever order: what is counted is what the facts that hold say."""
    with History.open(":memory:") as history:
        for hour, worked, axles in written:
            history.write(
                [occupation(hour, hour + 1, worked_through=worked, axles=axles)]
            )
        held = {hour: (worked, axles) for hour, worked, axles in written}
        through = {hour: axles for hour, (worked, axles) in held.items() if worked}

        assert sum(n for _, by, _, _ in trains(history) for n in by.values()) == len(
            through
        )
        assert sum(axles for *_, axles in trains(history)) == sum(through.values())


def test_a_file_of_an_older_version_is_counted_once(tmp_path):
    """What an older version left out is there after opening, and not twice after opening again."""
    path = tmp_path / "history.sqlite"
    with History.open(path) as history:
        history.write([passed(6.5), passed(7.5)])
        history._connection.execute("DELETE FROM traffic")
        history._connection.execute("PRAGMA user_version = 0")
        history._connection.commit()
    for _ in range(2):
        with History.open(path) as history:
            assert trains(history) == [("section/T107", {6: 1, 7: 1}, 0, 0)]


def test_for_reading_alone_a_file_must_be_there_and_be_of_this_version(tmp_path):
    """Each is told in one line that names the file."""
    path = tmp_path / "history.sqlite"
    with pytest.raises(HistoryFault, match="there is no history"):
        History.to_read(path)
    path.write_text("not a database at all, but long enough to be taken for one" * 20)
    with pytest.raises(HistoryFault, match="cannot be read"):
        History.to_read(path)
    path.unlink()
    with History.open(path) as history:
        history.write([passed(6.5)])
        with History.to_read(path) as reader:
            assert len(trains(reader)) == 1
            with pytest.raises(sqlite3.Error):
                reader.write([passed(7.5)])
        history._connection.execute("PRAGMA user_version = 0")
    with pytest.raises(HistoryFault, match="start the monitor"):
        History.to_read(path)


def passing(hour, count, axles=0):
    """The passages of a head in an hour of the day."""
    began = MIDNIGHT + hour * HOUR
    return Fact(
        kind="passages",
        subject="head/H107",
        began=began,
        ended=began + HOUR // 2,
        values={"count": count, "axles": axles},
    )


def test_passages_are_kept_as_numbers_and_counted_once(tmp_path):
    """An hour that is told again, or was begun in its middle, counts once, with what it had most; cut by the hour."""
    day = MIDNIGHT
    with History.open(tmp_path / "history.sqlite") as history:
        history.write([passing(6, 1, 8), passing(6, 2, 12), passing(23, 5, 40)])
        history.write([passing(6, 2, 12), passing(23, 1, 4), passing(30, 4, 16)])

        assert history.passages(day, day + 2 * DAY) == {"head/H107": (11, 68)}
        assert history.passages(day, day + DAY) == {"head/H107": (7, 52)}
        assert history.passages(day + 7 * HOUR, day + 30 * HOUR) == {
            "head/H107": (5, 40)
        }
        assert history.passages(day + 7 * HOUR, day + 8 * HOUR) == {}
        assert list(history.read("passages")) == []


def test_a_file_that_kept_no_passages_counts_them_from_now_on(tmp_path):
    """Of before the version that keeps them nothing is known; its trains stay as they are."""
    path = tmp_path / "history.sqlite"
    with History.open(path) as history:
        history.write([passed(6.5)])
        history._connection.execute("DROP TABLE passages")
        history._connection.execute("PRAGMA user_version = 1")
        history._connection.commit()
    with pytest.raises(HistoryFault, match="start the monitor"):
        History.to_read(path)
    with History.open(path) as history:
        history.write([passing(7, 3)])
        assert len(trains(history)) == 1
        assert history.passages(MIDNIGHT - DAY, MIDNIGHT + DAY) == {"head/H107": (3, 0)}
