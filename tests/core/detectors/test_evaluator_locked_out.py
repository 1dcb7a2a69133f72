from __future__ import annotations

from monitor.core.detector import Place
from monitor.core.detectors.evaluator_locked_out import EvaluatorLockedOut
from monitor.core.layout import read_line


def test_it_is_raised_at_once_and_over_in_service(watch):
    """Locked out needs no timer; in service ends it."""
    day = watch(EvaluatorLockedOut())
    day.tell("11:00 in_service\n12:00 locked_out\n12:30 in_service\n12:31 in_service")

    assert day.until("13:00") == ["12:00:00 12:00:00 prompt", "over 12:30:00"]


def test_isolated_does_not_end_it(watch):
    """Taking its link out for work is a step on the way, not the end."""
    day = watch(EvaluatorLockedOut()).tell(
        """
        12:00 locked_out
        12:10 isolated
        12:20 locked_out
        12:30 in_service
        """
    )

    assert day.brief() == ["12:00:00 12:00:00 prompt", "over 12:30:00"]


def test_isolated_alone_raises_nothing(watch):
    """An evaluator taken out for work has not failed."""
    day = watch(EvaluatorLockedOut()).tell("12:00 isolated\n12:30 in_service")

    assert day.until("13:00") == []


def test_locked_out_since_before_the_monitor_came(watch):
    """What the broker had kept began when the event says, and is raised when it came."""
    day = watch(EvaluatorLockedOut()).tell("12:00 locked_out so=11:00")

    assert day.brief() == ["11:00:00 12:00:00 prompt"]


def test_it_names_its_sections_its_supply_and_its_room(watch):
    """Whoever is sent reads what is affected, what may be the cause and where to go."""
    day = watch(EvaluatorLockedOut()).tell("12:00 locked_out")

    [found] = day.found
    assert (
        found.summary == "EV1 locked out since 12:00:00; it keeps T106, T107 and T108"
    )
    assert found.affected == (
        "evaluator/EV1",
        "section/T106",
        "section/T107",
        "section/T108",
    )
    assert [one.asset for one in found.suspects] == ["evaluator/EV1", "supply/PS1"]
    assert sum(one.weight for one in found.suspects) == 1.0
    assert "Thornmere room" in found.checks[0]


def test_an_evaluator_without_a_supply_in_the_file(watch):
    """Where the line file names no supply, the evaluator alone is the suspect."""
    day = watch(EvaluatorLockedOut())
    line = read_line(
        '[line]\nname = "x"\ntimezone = "UTC"\n'
        '[[evaluator]]\nid = "EV1"\nsite = "room"\n'
        '[[section]]\nid = "T1"\narea = "a"\nevaluator = "EV1"\n'
        "length_m = 800\nspeed_km_h = 100\n"
        '[[head]]\nid = "H1"\nbetween = ["T1", "open"]\n'
    )
    day.place = Place(id="EV1", line=line)

    [found] = day.tell("12:00 locked_out").found

    assert [(one.asset, one.weight) for one in found.suspects] == [
        ("evaluator/EV1", 1.0)
    ]


def test_it_explains_what_is_heard(watch):
    """What the evaluator said last is said in a sentence."""
    day = watch(EvaluatorLockedOut())

    assert day.explain("11:00") == "EV1 is not heard to be locked out."
    day.tell("12:00 locked_out")
    assert day.explain("13:00") == "EV1 locked out since 12:00:00."
