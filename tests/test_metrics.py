from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace

import pytest
from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.openmetrics import exposition, parser as openmetrics
from prometheus_client.parser import text_string_to_metric_families

from monitor.core.engine import Engine, Output
from monitor.core.events import (
    MonitorRecord,
    RecordKind,
    ResetKind,
    SectionReset,
    SectionState,
    SectionWork,
    State,
    Step,
)
from monitor.core.facts import Fact
from monitor.core.layout import read_line
from monitor.core.moments import HOUR, MINUTE, SECOND, parse
from monitor.metrics import Counts, Metrics, Spread

NOON = parse("2026-05-04T12:00:00Z")

LINE = """
[line]
name = "Two sections"
timezone = "UTC"

[[evaluator]]
id = "EV1"
site = "room"

[[section]]
id = "T1"
area = "north"
evaluator = "EV1"
length_m = 800
speed_km_h = 120

[[section]]
id = "T2"
area = "south"
evaluator = "EV1"
length_m = 800
speed_km_h = 120

[[head]]
id = "H1"
between = ["T1", "T2"]

[[head]]
id = "H2"
between = ["T2", "open"]
"""


def state(number, shown, at, section="T1", **also):
    """An evaluator says what a section shows, heard half a second later."""
    return SectionState(
        id=str(number),
        source="gw/1",
        subject=section,
        time=at,
        arrival=at + SECOND // 2,
        state=shown,
        **also,
    )


def accepted(number, at, kind=ResetKind.PREPARATORY, section="T1"):
    """A reset was accepted."""
    return SectionReset(
        id=str(number),
        source="gw/1",
        subject=section,
        time=at,
        arrival=at + SECOND // 2,
        kind=kind,
        step=Step.ACCEPTED,
    )


def facts(*given):
    """Facts as the engine gives them out."""
    return Output(facts=given)


def occupation(began, ended, subject="section/T1"):
    """An occupation."""
    return Fact(kind="occupation", subject=subject, began=began, ended=ended)


def reset(began, step="accepted", kind="preparatory", ended=None):
    """One step of a reset of T1."""
    values = {"kind": kind, "step": step, "proved_at": None}
    return Fact(
        kind="reset", subject="section/T1", began=began, ended=ended, values=values
    )


@pytest.fixture(name="counts")
def _counts():
    return Counts()


@pytest.fixture(name="engine")
def _engine():
    return Engine(read_line(LINE))


@pytest.fixture(name="hear")
def _hear(engine, counts):
    """Let the engine hear events, as the daemon does."""

    def hear(*events, up_to=None):
        for event in events:
            counts.took(engine.take(event))
        if up_to is not None:
            counts.took(engine.pass_time(up_to))

    record = MonitorRecord(
        id="1",
        source="monitor-1",
        subject="monitor-1",
        time=NOON - HOUR,
        arrival=NOON - HOUR,
        kind=RecordKind.DRAINED,
    )
    hear(record)
    return hear


@pytest.fixture(name="metrics")
def _metrics(counts, engine):
    return Metrics(engine=engine, counts=counts, version="1.2.3", now=lambda: NOON)


@pytest.fixture(name="value")
def _value(metrics):
    registry = CollectorRegistry()
    registry.register(metrics)

    def value(name, **labels):
        return registry.get_sample_value(f"tallywatch_{name}", labels)

    return value


def test_tells_what_each_section_shows(hear, value):
    """Exactly the state that a section shows is 1, all others are there and 0."""
    hear(state(1, State.CLEAR, NOON), state(2, State.DISTURBED, NOON + SECOND))
    place = {"section": "T1", "area": "north"}

    told = {one: value("section_state", state=one, **place) for one in State}

    assert told == {one: float(one == "disturbed") for one in State}


def test_a_section_is_known_from_its_first_event(hear, value):
    """Before its first event a section is in no state at all, and not known."""
    place = {"section": "T1", "area": "north"}

    assert {value("section_state", state=s, **place) for s in State} == {0}
    assert value("section_not_known", **place) == 1
    assert value("sections") == 2
    assert value("sections_not_known") == 2

    hear(state(1, State.CLEAR, NOON), up_to=NOON + MINUTE)

    assert value("section_not_known", **place) == 0
    assert value("sections_not_known") == 1


def test_says_what_is_under_work(hear, value):
    """A section is under work from the beginning of the work to its end."""
    begun = SectionWork(
        id="w1",
        source="gw/1",
        subject="T1",
        time=NOON,
        arrival=NOON + SECOND,
        begun=True,
    )
    hear(begun, up_to=NOON + MINUTE)
    place = {"section": "T1", "area": "north"}

    assert value("section_under_work", **place) == 1
    assert value("sections_under_work") == 1

    later = NOON + HOUR
    hear(
        replace(begun, id="w2", begun=False, time=later, arrival=later + SECOND),
        up_to=later + MINUTE,
    )

    assert value("section_under_work", **place) == 0
    assert value("sections_under_work") == 0


def test_counts_occupations_and_disturbances(hear, value):
    """Each occupation and each disturbance of a section counts once, for that section."""
    hear(
        state(1, State.CLEAR, NOON, "T1"),
        state(2, State.CLEAR, NOON, "T2"),
        state(3, State.OCCUPIED, NOON + 60 * SECOND, "T2"),
        state(4, State.CLEAR, NOON + 90 * SECOND, "T2"),
        state(5, State.DISTURBED, NOON + 200 * SECOND, "T1"),
        up_to=NOON + HOUR,
    )
    one = {"section": "T1", "area": "north"}
    two = {"section": "T2", "area": "south"}

    assert value("section_occupations_total", **two) == 1
    assert value("section_disturbances_total", **two) == 0
    assert value("section_occupations_total", **one) == 0
    assert value("section_disturbances_total", **one) == 1


def test_a_fact_counts_once(counts, value):
    """A fact given again because more is known of it is still one."""
    counts.took(facts(reset(NOON)))
    counts.took(facts(reset(NOON, ended=NOON + MINUTE), reset(NOON + HOUR)))
    place = {"section": "T1", "area": "north"}

    assert value("section_resets_total", kind="preparatory", **place) == 2


def test_only_accepted_resets_count(counts, value):
    """A reset asked for, refused or restored is a step, not a reset; kinds are apart."""
    counts.took(facts(reset(NOON, "requested"), reset(NOON + SECOND)))
    counts.took(facts(reset(NOON + MINUTE, "restored")))
    counts.took(facts(reset(NOON + HOUR, kind="unconditional")))
    place = {"section": "T1", "area": "north"}

    assert value("section_resets_total", kind="preparatory", **place) == 1
    assert value("section_resets_total", kind="unconditional", **place) == 1
    assert value("section_resets_total", kind="conditional", **place) == 0


def test_a_reset_waits_for_a_train(hear, value):
    """A section waits from its accepted reset on, and says for how long in event time."""
    assert value("resets_waiting") == 0
    assert value("resets_waiting_oldest_seconds") == 0

    hear(
        state(1, State.CLEAR, NOON),
        accepted(2, NOON + MINUTE),
        up_to=NOON + 11 * MINUTE + 3 * SECOND + SECOND // 2,
    )

    # The watermark is three seconds (the patience) behind the arrival time gone by.
    assert value("resets_waiting") == 1
    assert value("resets_waiting_oldest_seconds") == pytest.approx(600, abs=1)


def test_counts_alerts_by_kind_and_priority(hear, value):
    """An alert is raised once, and open under its priority until it is over."""
    kind = {"kind": "section-disturbed"}
    hear(
        state(1, State.CLEAR, NOON),
        state(2, State.DISTURBED, NOON + MINUTE),
        up_to=NOON + 5 * MINUTE,
    )

    assert value("alerts_raised_total", **kind) == 1
    assert value("alerts_open", priority="prompt", **kind) == 1
    assert value("alerts_open", priority="urgent", **kind) == 0

    hear(state(3, State.CLEAR, NOON + 6 * MINUTE), up_to=NOON + 10 * MINUTE)

    assert value("alerts_raised_total", **kind) == 1
    assert value("alerts_open", priority="prompt", **kind) == 0


def test_a_kind_that_was_never_raised_is_there(value):
    """A rule about a kind finds it at 0 before it is first raised, and so sees the first."""
    assert value("alerts_raised_total", kind="reset-unproved") == 0


def test_counts_what_came_in(hear, counts, value):
    """Events by what became of them; those of places that the line file lacks apart."""
    clear = state(1, State.CLEAR, NOON)
    late = state(2, State.CLEAR, NOON + 40 * SECOND, "T2")
    hear(clear, clear, state(3, State.CLEAR, NOON + MINUTE, "X9"))
    hear(replace(late, arrival=NOON + 61 * SECOND), up_to=NOON + HOUR)
    counts.repeated += 4

    assert value("events_total", outcome="repeated") == 1 + 4
    assert value("events_total", outcome="late") == 1
    assert value("events_total", outcome="taken") == 2
    assert value("events_total", outcome="retained") == 0
    assert value("unknown_total") == 1


def test_counts_what_was_refused(counts, value):
    """Rejections are told by reason, connections as they are."""
    counts.rejected["not JSON"] += 3
    counts.connections += 1
    counts.connected = True

    assert value("rejected_total", reason="not JSON") == 3
    assert value("connections_total") == 1
    assert value("connected") == 1
    assert value("rehearsal") == 0


def test_says_how_far_behind_it_is(value, hear):
    """The age of the watermark is the clock's time less it, and absent before any event."""
    assert value("watermark_age_seconds") is None

    hear(state(1, State.CLEAR, NOON))

    # The newest event is of the clock's own time, and the patience is three seconds.
    assert value("watermark_age_seconds") == 3


def test_commits_fall_into_buckets(counts, value):
    """A bucket holds all up to and with its bound; the last holds all."""
    for seconds in (0.0005, 0.001, 0.3, 60.0):
        counts.commits.note(seconds)

    def up_to(bound):
        return value("journal_commit_seconds_bucket", le=bound)

    assert up_to("0.001") == 2
    assert up_to("0.25") == 2
    assert up_to("0.5") == 3
    assert up_to("5.0") == 3
    assert up_to("+Inf") == 4
    assert value("journal_commit_seconds_count") == 4
    assert value("journal_commit_seconds_sum") == pytest.approx(60.3015)


def test_what_waits_to_be_on_disk_is_told(counts, value, monkeypatch):
    """Nothing waits but while the journal is being written; then for as long as that takes."""
    monkeypatch.setattr("monitor.metrics.time.monotonic", lambda: 1020.0)
    assert value("journal_waiting_seconds") == 0
    counts.committing = 1000.0
    assert value("journal_waiting_seconds") == 20


def test_buckets_start_at_nothing():
    """A histogram of nothing has every bucket, at 0."""
    assert Spread(bounds=(1.0,)).buckets() == [("1.0", 0), ("+Inf", 0)]


@pytest.fixture(name="busy")
def _busy(hear, counts):
    """Something in every metric."""
    hear(
        state(1, State.CLEAR, NOON),
        accepted(2, NOON + SECOND),
        state(3, State.DISTURBED, NOON + MINUTE),
        up_to=NOON + HOUR,
    )
    counts.rejected['a "reason"\nof two lines'] += 1
    counts.commits.note(0.01)


@pytest.mark.skipif(not shutil.which("promtool"), reason="promtool is not installed")
@pytest.mark.usefixtures("busy")
def test_promtool_finds_nothing_to_say(metrics):
    """The exposition passes Prometheus's own check: names, units, help, types."""
    registry = CollectorRegistry()
    registry.register(metrics)

    checked = subprocess.run(
        ["promtool", "check", "metrics"],
        input=generate_latest(registry),
        capture_output=True,
        check=False,
    )

    assert checked.stdout + checked.stderr == b""
    assert checked.returncode == 0


@pytest.mark.usefixtures("busy")
def test_openmetrics_reads_it_back(metrics):
    """The strict OpenMetrics parser reads every sample back as it was told."""
    registry = CollectorRegistry()
    registry.register(metrics)
    text = exposition.generate_latest(registry).decode()

    read = {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in openmetrics.text_string_to_metric_families(text)
        for sample in family.samples
    }

    told = {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in metrics.collect()
        for sample in family.samples
    }
    assert read == told
    assert len(told) > 60


@pytest.mark.usefixtures("busy")
def test_each_name_has_one_help_and_one_type(metrics):
    """A name is described once, and whatever is described has a sentence."""
    registry = CollectorRegistry()
    registry.register(metrics)
    lines = generate_latest(registry).decode().splitlines()

    for word in ("HELP", "TYPE"):
        names = [line.split()[2] for line in lines if line.startswith(f"# {word} ")]
        assert len(names) == len(set(names)) > 15
    assert all(family.documentation for family in metrics.collect())


def test_names_do_not_depend_on_what_came(metrics, request):
    """Before anything was heard the same names are there as after."""
    before = {family.name for family in metrics.collect()}
    request.getfixturevalue("busy")

    assert {family.name for family in metrics.collect()} == before


def test_the_number_of_series_is_bounded_by_the_line_file(metrics, hear):
    """Whatever places events speak of, no series is made that the line file does not have."""
    before = sum(len(family.samples) for family in metrics.collect())
    for number in range(100):
        at = NOON + number * MINUTE
        hear(state(number, State.DISTURBED, at, f"X{number}"))

    assert sum(len(family.samples) for family in metrics.collect()) == before + 1
    # One more: the watermark's age, absent before the first event.


def test_the_registry_tells_of_the_process_too(metrics):
    """The page has the monitor's memory and open files beside its own numbers."""
    text = generate_latest(metrics.registry()).decode()

    families = {family.name for family in text_string_to_metric_families(text)}
    assert {"tallywatch_build_info", "python_info"} <= families
    assert 'tallywatch_build_info{version="1.2.3"} 1.0' in text
