from __future__ import annotations

import pytest

from monitor.core.detectors.restoration_incomplete import RestorationIncomplete


@pytest.mark.parametrize(
    ("restored", "found"),
    [
        ("12:04:59.999", []),
        ("12:05:00", []),
        ("12:05:00.001", ["12:00:00 12:05:00 prompt", "over 12:05:00.001"]),
    ],
)
def test_five_minutes_on_end(watch, restored, found):
    """Evaluator clear and interlocking occupied for `restoration_s` is raised."""
    day = watch(RestorationIncomplete()).tell(
        f"""
        11:00:00 disturbed
        11:00:00 interlocking occupied
        12:00:00 clear
        {restored} interlocking clear
        """
    )

    assert day.until("13:00") == found


def test_it_begins_with_whichever_comes_last(watch):
    """Where the interlocking takes a clear section as occupied, it begins there."""
    day = watch(RestorationIncomplete())
    day.tell("11:00 clear\n12:00 interlocking occupied")

    assert day.until("13:00") == ["12:00:00 12:05:00 prompt"]


def test_on_end_means_without_a_train_between(watch):
    """A section that is not clear for a moment begins its five minutes anew."""
    day = watch(RestorationIncomplete()).tell(
        """
        12:00 clear
        12:00 interlocking occupied
        12:04 occupied
        12:04:30 clear
        """
    )

    assert day.until("12:09:29") == []
    assert day.until("12:10") == ["12:04:30 12:09:30 prompt"]


def test_only_the_interlocking_ends_it(watch):
    """A train that passes does not end what is open; the interlocking clear does."""
    day = watch(RestorationIncomplete()).tell(
        """
        12:00 clear
        12:00 interlocking occupied
        12:10 occupied
        12:11 clear
        12:20 interlocking clear
        """
    )

    assert day.brief() == ["12:00:00 12:05:00 prompt", "over 12:20:00"]


def test_not_known_in_the_middle_begins_it_anew(watch):
    """Five minutes of which a part was not seen are not five minutes."""
    day = watch(RestorationIncomplete()).tell(
        """
        12:00 clear
        12:00 interlocking occupied
        12:04 not known
        12:30 known again
        """
    )

    assert day.until("13:00") == ["12:00:00 12:35:00 prompt"]


def test_an_ordinary_train_raises_nothing(watch):
    """The interlocking follows the evaluator within a second: no difference that lasts."""
    day = watch(RestorationIncomplete()).tell(
        """
        12:00:00 occupied
        12:00:00.500 interlocking occupied
        12:02:00 clear
        12:02:00.500 interlocking clear
        """
    )

    assert day.until("14:00") == []


def test_it_explains_how_near_it_is(watch):
    """How much of the five minutes has gone by is said."""
    day = watch(RestorationIncomplete())

    assert "not seen to differ" in day.explain("11:00")
    day.tell("12:00 clear\n12:00 interlocking occupied")
    assert "4 min of 5 min have gone by" in day.explain("12:04")


def test_what_is_raised_goes_on_from_its_beginning(watch):
    """A train that passes while it is open moves neither its beginning nor what is said of it."""
    day = watch(RestorationIncomplete()).tell(
        "12:00 clear\n12:00 interlocking occupied\n12:10 occupied\n12:11 clear"
    )

    assert "interlocking occupied since 12:00:00." in day.explain("12:12")
