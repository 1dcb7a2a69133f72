from __future__ import annotations

from monitor.core.events import Direction, HeadLevel, HeadPassage, SectionState, State
from monitor.core.moments import SECOND
from monitor.desk.wheels import KEPT, Wheels


def passage(at, axles=1, direction=Direction.FORWARD, head="H1"):
    """A head counted something."""
    return HeadPassage(
        id=f"p{at}{direction}",
        source="gw/1",
        subject=head,
        time=at * SECOND,
        direction=direction,
        axles=axles,
    )


def test_axles_are_counted_by_direction_from_when_somebody_began():
    """A wheel turned forward twice and back once, after a train that nobody asked for."""
    wheels = Wheels(["H1", "H2"])
    wheels.heard([passage(1, 8), passage(10), passage(12)])
    wheels.heard([passage(11, 1, Direction.REVERSE), passage(13, 2, Direction.NONE)])
    wheel = wheels.of("H1")

    assert wheel.axles(Direction.FORWARD, None) == 10
    assert wheel.axles(Direction.FORWARD, 10 * SECOND) == 2
    assert wheel.axles(Direction.REVERSE, 10 * SECOND) == 1
    assert wheel.axles(Direction.NONE, 10 * SECOND) == 2
    assert wheel.heard == 13 * SECOND
    assert wheels.of("H2").heard is None


def test_the_last_value_of_each_level_is_kept():
    """What an event does not tell stays as it was told before."""
    wheels = Wheels(["H1"])
    wheels.heard(
        [
            HeadLevel(
                id="1",
                source="gw/1",
                subject="H1",
                time=SECOND,
                a_volts=3.4,
                b_volts=3.3,
            ),
            HeadLevel(
                id="2", source="gw/1", subject="H1", time=2 * SECOND, a_volts=3.5
            ),
        ]
    )

    assert wheels.of("H1").levels == {
        "a_volts": (2 * SECOND, 3.5),
        "b_volts": (SECOND, 3.3),
    }


def test_no_more_is_kept_than_somebody_reads():
    """A busy head does not grow, and heads that the line file lacks and other events are nothing here."""
    wheels = Wheels(["H1"])
    wheels.heard(passage(at) for at in range(3 * KEPT))
    wheels.heard(
        [
            passage(1, head="H9"),
            SectionState(
                id="s", source="gw/1", subject="H1", time=0, state=State.CLEAR
            ),
        ]
    )

    assert len(wheels.of("H1").passages) == KEPT
