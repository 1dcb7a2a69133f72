from monitor.core.changes import StateChanged
from monitor.core.events import State
from monitor.core.lately import STATES_KEPT, Lately
from monitor.core.moments import MINUTE, parse
from tests.core.conftest import plain_line

NOON = parse("2026-05-04T12:00:00Z")


def changed(number, now):
    """T1 shows another state, so many minutes after noon."""
    at = NOON + number * MINUTE
    return StateChanged(
        place="T1", at=at, was=None, now=now, event=f"gw#{number}", so_since=at
    )


def test_the_last_states_of_a_section_are_kept_with_when_they_began():
    """The oldest first, and of a section that was not heard none; the oldest are forgotten."""
    lately = Lately(plain_line(2))
    every = [changed(i, State.OCCUPIED) for i in range(STATES_KEPT)]
    for one in [*every, changed(STATES_KEPT, State.DISTURBED)]:
        lately.hear(one)
    states = lately.states("T1")

    assert len(states) == STATES_KEPT
    assert states[0] == (NOON + MINUTE, State.OCCUPIED)
    assert states[-1] == (NOON + STATES_KEPT * MINUTE, State.DISTURBED)
    assert lately.states("T2") == ()
