import pytest

from monitor.core.alerts import line as alert_line
from monitor.core.engine import Engine
from monitor.core.events import SectionState, State
from monitor.core.faults import Fault
from monitor.core.layout import read_line
from monitor.core.moments import DAY, HOUR, MINUTE, SECOND, parse
from monitor.core.succession import WHY
from monitor.core.tuning import Detection
from monitor.incident.pieces import gathered
from monitor.incident.report import pieces_of, report
from monitor.journal import Journal
from monitor.past import Past, PastFault, explained
from monitor.store import Store
from tests.journals import come, connect, start
from tests.live import LINE

SIX = parse("2026-05-04T06:00:00Z")
SLOW = {"section-disturbed": {"settle_s": 600}}


def state(number, at, shows, section="T2"):
    """A section shows something."""
    return SectionState(
        id=str(number), source="gw/1", subject=section, time=at, state=State(shows)
    )


def disturbed(number, at, section="T2", minutes=4):
    """A section is disturbed for some minutes."""
    return [
        state(number, at, "clear", section),
        state(number + 1, at + SECOND, "disturbed", section),
        state(number + 2, at + minutes * MINUTE, "clear", section),
    ]


@pytest.fixture(name="journal")
def _journal(tmp_path):
    with Journal.open(tmp_path / "journal.sqlite") as journal:
        yield journal


def stored(journal, runs):
    """What a monitor has in its store that ran with each of *runs* up to a position: each start folds the whole journal anew."""
    with Store.open(":memory:") as store:
        for line, detection, last in runs:
            engine = Engine(read_line(line), detection, monitor="monitor-7")
            for event in journal.export(SIX - DAY, SIX + DAY, 0, last=last):
                store.keep(engine.take(event).alerts)
            if last is None:
                store.keep(engine.finish().alerts)
        return list(store.lines())


def concluded(past):
    """The alert lines of a window, in order."""
    return [
        alert_line(one)
        for output in past.outputs()
        for one in output.alerts
        if past.asked_for(one.raised)
    ]


def test_a_window_is_concluded_from_with_what_was_in_force(journal):
    """The alert that only the settings of then raise is raised again."""
    start(journal, SIX, LINE, detect=SLOW)
    connect(journal, SIX)
    come(journal, disturbed(1, SIX + MINUTE, minutes=12))
    begin, end = SIX, SIX + HOUR

    then = concluded(Past(journal, begin, end))
    now = concluded(Past(journal, begin, end, detection=Detection()))

    assert then
    assert "2026-05-04T06:11:01.000Z" in then[0]  # 600 s after 06:01:01
    assert "2026-05-04T06:01:06.000Z" in now[0]  # 5 s after it


def test_where_settings_changed_it_says_what_the_monitor_said(journal):
    """Line for line what the store of a monitor holds that started anew with other settings meanwhile."""
    start(journal, SIX, LINE)
    connect(journal, SIX)
    come(journal, disturbed(1, SIX + MINUTE))
    before = journal.position
    start(journal, SIX + 10 * MINUTE, LINE, detect=SLOW)
    connect(journal, SIX + 10 * MINUTE)
    come(journal, disturbed(11, SIX + 20 * MINUTE, "T3", minutes=12))
    past = Past(journal, SIX, SIX + HOUR)

    live = stored(
        journal,
        [(LINE, Detection(), before), (LINE, Detection.of(detect=SLOW), None)],
    )

    assert len(past.runs) == 2
    assert {"section/T2", "section/T3"} <= {line.split('"')[11] for line in live}
    assert concluded(past) == live


def test_a_restart_with_the_same_settings_changes_nothing(journal):
    """It is gone through once."""
    start(journal, SIX, LINE)
    come(journal, disturbed(1, SIX + MINUTE))
    start(journal, SIX + 2 * MINUTE, LINE)
    come(journal, disturbed(11, SIX + 20 * MINUTE, "T3"))

    assert len(Past(journal, SIX, SIX + HOUR).runs) == 1


def test_a_window_across_midnight_and_one_without_events(journal):
    """A day is no border, and a window in which nothing came has no alerts and still says what was in force."""
    start(journal, SIX, LINE)
    connect(journal, SIX)
    midnight = parse("2026-05-05T00:00:00Z")
    come(journal, disturbed(1, midnight - 2 * SECOND))
    across = Past(journal, midnight - MINUTE, midnight + 5 * MINUTE)
    quiet = Past(journal, midnight + 3 * DAY, midnight + 4 * DAY)

    assert '"2026-05-05T00:00:04.000Z"' in concluded(across)[0]
    assert concluded(quiet) == []
    assert len(quiet.in_force) == 1


def test_a_journal_that_says_nothing_of_it_asks_for_a_line_file(journal):
    """Nothing is guessed."""
    come(journal, disturbed(1, SIX))

    with pytest.raises(PastFault, match="--line"):
        _ = Past(journal, SIX, SIX + HOUR).runs
    assert concluded(Past(journal, SIX, SIX + HOUR, line=read_line(LINE)))


def test_it_says_what_was_in_force_and_where_the_version_was_another(journal):
    """And what is used instead."""
    start(journal, SIX, LINE, version="0.0.9")
    come(journal, disturbed(1, SIX))
    past = Past(journal, SIX, SIX + HOUR)
    other = Past(journal, SIX, SIX + HOUR, detection=Detection())

    said = past.said("0.1.0")
    assert said[0].startswith(
        "In force from 2026-05-04 06:00:00 (+00:00, UTC) on: monitor monitor-7, "
        "version 0.0.9, line file "
    )
    assert said[1].startswith("Concluded then by version 0.0.9, now by version 0.1.0")
    assert other.said("0.0.9")[-1] == (
        "Used instead of what was in force: the settings given."
    )


def test_explain_tells_what_was_known_then(journal):
    """By the settings of then, and of nothing that came later."""
    start(journal, SIX, LINE, detect=SLOW)
    connect(journal, SIX)
    come(journal, disturbed(1, SIX + MINUTE, minutes=12))
    at = SIX + 5 * MINUTE

    said = explained(Past(journal, at, at), "T2", at, "section-disturbed")

    assert said[0] == "T2 shows disturbed since 06:01:01."
    assert not any("is open" in one for one in said)
    assert any("10 min" in one for one in said)


def test_events_are_those_of_an_export(journal):
    """What is gone through is what a recording out of the journal holds."""
    start(journal, SIX, LINE)
    come(journal, disturbed(1, SIX + MINUTE))
    past = Past(journal, SIX, SIX + HOUR)

    assert list(past.events(past.runs[0])) == list(journal.export(SIX, SIX + HOUR))


def test_a_number_that_was_told_leads_on_where_a_start_tells_it_otherwise(journal):
    """T2 fails for half a minute, and T3 beside it goes on: one fault, until a start is slower than T2 was; then the number of then leads to the fault of T3."""
    start(journal, SIX, LINE)
    connect(journal, SIX)
    at = SIX + MINUTE
    come(
        journal,
        [
            state(1, at, "clear"),
            state(2, at, "clear", "T3"),
            state(3, at + SECOND, "disturbed"),
            state(4, at + 10 * SECOND, "disturbed", "T3"),
            state(5, at + 31 * SECOND, "clear"),
            state(6, at + 10 * MINUTE, "clear", "T4"),
        ],
    )
    slow = {"section-disturbed": {"settle_s": 100}}
    start(journal, SIX + 20 * MINUTE, LINE, detect=slow)
    connect(journal, SIX + 20 * MINUTE)
    come(journal, [state(7, SIX + 30 * MINUTE, "clear", "T4")])
    past = Past(journal, SIX, SIX + HOUR)

    last: dict[str, Fault] = {}
    for output in past.outputs():
        last.update((one.id, one) for one in output.faults)
    mine = [one for one in last.values() if one.subject in {"section/T2", "section/T3"}]

    first, then = sorted(mine, key=lambda one: one.raised)
    assert first.subjects[:2] == ("section/T2", "section/T3")
    assert (first.into, first.open, first.why) == (then.id, (), WHY)
    assert then.subjects == ("section/T3",)
    assert then.ended is None

    told = {
        one.id: one for one in gathered(pieces_of(past), (SIX, SIX + HOUR)).story.faults
    }
    assert told[first.id] == first
    page_of = report(pieces_of(past), window=(SIX, SIX + HOUR))
    assert f"goes on as {then.number}" in page_of


def test_a_line_came_with_the_event_that_brought_it(journal):
    """What a rule waits for is over once time has come so far, and that an event says: never before it."""
    start(journal, SIX, LINE)
    connect(journal, SIX)
    come(journal, disturbed(1, SIX + MINUTE))
    past = Past(journal, SIX, SIX + HOUR)
    raised = [
        (one.raised, alert_line(one))
        for output in past.outputs()
        for one in output.alerts
        if one.ended is None
    ]

    came = past.came()

    [(at, text), *_] = raised
    assert at == SIX + MINUTE + 6 * SECOND
    # T2 clears at 06:05, and nothing came between.
    assert came[text] == SIX + 5 * MINUTE


def test_what_was_heard_before_the_day_that_is_looked_at_is_not_denied(journal):
    """T2 was heard, two days before: an answer that goes back a day says how far it looked."""
    start(journal, SIX, LINE)
    connect(journal, SIX)
    come(journal, disturbed(1, SIX + MINUTE))
    later = SIX + 2 * DAY
    come(journal, [state(9, later, "clear", "T3")])

    said = explained(Past(journal, later, later + HOUR), "T2", later + HOUR)

    assert "T2 has not been heard in what is looked at." in said
