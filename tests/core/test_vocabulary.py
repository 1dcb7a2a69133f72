"""Source: EULYNX SCI-TDS, baseline 4.3; values and terms as its public decoders have them."""

from __future__ import annotations

import json

import pytest

from monitor.core.events import ResetKind, SectionReset, SectionState, State
from monitor.core.vocabulary import EULYNX_FORCE_CLEAR, EULYNX_OCCUPANCY
from monitor.core.wire import read

# EULYNX SCI-TDS, baseline 4.3, message 0x0007, TVPS occupancy status.
OCCUPANCY = {
    1: ("vacant", {"clear"}),
    2: ("occupied", {"occupied"}),
    3: ("disturbed", {"disturbed"}),
    4: ("waiting for a sweeping train after FC-P-A or FC-P", {"awaiting_sweep"}),
    5: ("waiting for an acknowledgment after FC-P-A", {"awaiting_acknowledgement"}),
    6: ("sweeping train detected", {"awaiting_sweep", "occupied"}),
}

# The same, message 0x0001, mode of FC.
FORCE_CLEAR = {
    1: ("FC-U", "unconditional"),
    2: ("FC-C", "conditional"),
    3: ("FC-P-A", "preparatory_acknowledged"),
    4: ("FC-P", "preparatory"),
    5: ("acknowledgment after FC-P-A", None),
}


def event(what, **data):
    """An event of type *what* as a feed sends it."""
    return json.dumps(
        {
            "specversion": "1.0",
            "id": "1",
            "source": "gw/1",
            "type": what,
            "subject": "T1",
            "time": "2026-05-04T06:12:03Z",
            "data": data,
        }
    ).encode()


def test_no_value_of_the_standard_is_missing():
    """Every occupancy and every mode of the standard has its place, and nothing else has."""
    assert EULYNX_OCCUPANCY.keys() == OCCUPANCY.keys()
    assert EULYNX_FORCE_CLEAR.keys() == FORCE_CLEAR.keys()


@pytest.mark.parametrize("value", OCCUPANCY, ids=lambda v: OCCUPANCY[v][0])
def test_every_occupancy_is_a_state(value):
    """A feed that speaks the standard can send each occupancy as a state of ours."""
    assert set(EULYNX_OCCUPANCY[value]) == OCCUPANCY[value][1]
    for state in EULYNX_OCCUPANCY[value]:
        (told,) = read(event("tallywatch.section.state", state=state)).events
        assert isinstance(told, SectionState)
        assert told.state == state


def test_every_state_is_an_occupancy_of_the_standard():
    """We show nothing of a section that the standard could not say."""
    assert {s for states in EULYNX_OCCUPANCY.values() for s in states} == set(State)


@pytest.mark.parametrize("value", FORCE_CLEAR, ids=lambda v: FORCE_CLEAR[v][0])
def test_every_mode_is_a_kind_but_the_acknowledgement(value):
    """Each way of giving a section back is a kind; the acknowledgement is a step of one."""
    kind = FORCE_CLEAR[value][1]

    assert EULYNX_FORCE_CLEAR[value] == kind
    if kind is not None:
        step = event("tallywatch.section.reset", kind=kind, step="accepted")
        (told,) = read(step).events
        assert isinstance(told, SectionReset)
        assert told.kind == kind


def test_every_kind_is_a_mode_of_the_standard():
    """We know no reset that the standard does not."""
    assert set(EULYNX_FORCE_CLEAR.values()) - {None} == set(ResetKind)
