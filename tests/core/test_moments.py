from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given, strategies as st

from monitor.core.moments import (
    DAY,
    EARLIEST,
    HOUR,
    LATEST,
    MINUTE,
    SECOND,
    as_datetime,
    exact,
    from_datetime,
    midnight_before,
    parse,
    seconds,
    stamp,
)

# 2026-05-04T06:12:03Z is 20,577 days and 22,323 s after the epoch:
# 56 years hold 14 leap days up to 2026, 56 * 365 + 14 = 20,454; May 4th is 123 days on.
KNOWN = (20_577 * 86_400 + 6 * 3600 + 12 * 60 + 3) * 1_000_000


@pytest.mark.parametrize(
    ("text", "beyond"),
    [
        ("2026-05-04T06:12:03Z", 0),
        ("2026-05-04T06:12:03.4Z", 400_000),
        ("2026-05-04T06:12:03.412Z", 412_000),
        ("2026-05-04T06:12:03.412345Z", 412_345),
        ("2026-05-04T06:12:03.412345999Z", 412_345),
        ("2026-05-04T06:12:03.412345678901234567Z", 412_345),
        ("2026-05-04t06:12:03.412z", 412_000),
        ("2026-05-04T08:12:03.412+02:00", 412_000),
        ("2026-05-03T18:42:03.412-11:30", 412_000),
        ("2026-05-04T06:12:03.412+00:00", 412_000),
        ("2026-05-04T06:12:03.412-00:00", 412_000),
    ],
)
def test_every_form_of_rfc_3339_is_read(text, beyond):
    """Offsets, small letters and any number of decimals are RFC 3339 (section 5.6)."""
    assert parse(text) == KNOWN + beyond


def test_the_second_time_of_a_minute_is_read_like_the_first():
    """What is remembered of a minute changes no moment in it."""
    for second in (0, 9, 59, 30):
        text = f"2031-07-09T23:59:{second:02d}.007Z"
        whole = datetime(2031, 7, 9, 23, 59, second, tzinfo=UTC).timestamp()
        assert parse(text) == int(whole) * SECOND + 7000


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("2026-05-04T06:12:03", "has no offset"),
        ("2026-05-04T06:12:03.412", "has no offset"),
        ("2026-05-04 06:12:03Z", "is not RFC 3339"),
        ("2026-05-04", "is not RFC 3339"),
        ("06:12:03Z", "is not RFC 3339"),
        ("20260504T061203Z", "is not RFC 3339"),
        ("1777875123", "is not RFC 3339"),
        ("2026-05-04T06:12Z", "is not RFC 3339"),
        ("2026-05-04T06:12:03.Z", "is not RFC 3339"),
        ("2026-05-04T06:12:03,412Z", "is not RFC 3339"),
        ("2026-05-04T06:12:03+0200", "is not RFC 3339"),
        ("2026-05-04T06:12:03 Z", "is not RFC 3339"),
        ("2026-05-04T06:12:03Z\n", "is not RFC 3339"),
        ("٢٠٢٦-05-04T06:12:03Z", "is not RFC 3339"),
        ("", "is not RFC 3339"),
        ("2026-02-30T06:12:03Z", "does not exist"),
        ("2026-13-01T06:12:03Z", "does not exist"),
        ("2026-05-04T24:12:03Z", "does not exist"),
        ("2026-05-04T06:60:03Z", "does not exist"),
        ("2026-05-04T06:12:61.000Z", "does not exist"),
        ("2026-05-04T06:12:03+24:00", "does not exist"),
        ("0000-01-01T00:00:00Z", "does not exist"),
        ("0001-01-01T00:00:00Z", "is before 1990"),
        ("0001-01-01T00:00:00+23:59", "is before 1990"),
        ("1989-12-31T23:59:59.999999Z", "is before 1990"),
        ("9999-12-31T23:59:59Z", "is after 2199"),
        ("9999-12-31T23:59:59-23:59", "is after 2199"),
        ("2200-01-01T00:00:00Z", "is after 2199"),
    ],
)
def test_a_time_that_is_naive_or_impossible_is_refused(text, reason):
    """A time without offset, outside the calendar or out of all likelihood says which it is."""
    with pytest.raises(ValueError, match=reason):
        parse(text)


@pytest.mark.parametrize("decimals", ["4٢2", "4 2", "+42", "4_2", "-42", "²42"])
def test_the_quick_way_takes_digits_only(decimals):
    """What Python would take for a number is none in a time, also in a minute known already."""
    parse("2026-05-04T06:12:03.412Z")

    with pytest.raises(ValueError, match="is not RFC 3339"):
        parse(f"2026-05-04T06:12:03.{decimals}Z")
    with pytest.raises(ValueError, match="is not RFC 3339"):
        parse(f"2026-05-04T06:12:{decimals[:2]}.412Z")


def test_the_first_and_last_moments_are_taken():
    """From the beginning of 1990 up to the end of 2199, both within."""
    assert parse("1990-01-01T00:00:00Z") == EARLIEST
    assert parse("2199-12-31T23:59:59.999999Z") == LATEST - 1


def test_a_stamp_is_cut_and_not_rounded():
    """An alert's id is made of three decimals, cut."""
    assert stamp(KNOWN + 412_999) == "2026-05-04T06:12:03.412Z"
    assert stamp(KNOWN) == "2026-05-04T06:12:03.000Z"
    assert stamp(KNOWN + 999) == "2026-05-04T06:12:03.000Z"


def test_exact_shows_no_more_than_is_needed():
    """Six decimals only where three do not hold the moment."""
    assert exact(KNOWN + 412_000) == "2026-05-04T06:12:03.412Z"
    assert exact(KNOWN + 412_001) == "2026-05-04T06:12:03.412001Z"


MOMENTS = st.integers(EARLIEST, LATEST - 1)


@given(MOMENTS)
def test_what_is_written_in_full_is_read_again(moment):
    """No moment is lost between a recording and its reading."""
    assert parse(exact(moment)) == moment


@given(MOMENTS)
def test_a_stamp_is_at_most_a_millisecond_early(moment):
    """A stamp names the millisecond in which the moment lies."""
    assert 0 <= moment - parse(stamp(moment)) < 1000


@given(MOMENTS, st.integers(-23 * 60, 23 * 60))
def test_the_zone_a_time_is_written_in_changes_nothing(moment, offset):
    """The same moment in any zone is the same moment."""
    zone = timezone(timedelta(minutes=offset))
    text = as_datetime(moment).astimezone(zone).isoformat()

    assert parse(text) == moment


@given(MOMENTS)
def test_a_datetime_goes_there_and_back(moment):
    """Moments and aware datetimes are the same to the microsecond."""
    assert as_datetime(moment).tzinfo is UTC
    assert from_datetime(as_datetime(moment)) == moment


def test_a_naive_datetime_is_no_moment():
    """A datetime that does not know its zone is refused."""
    with pytest.raises(TypeError):
        from_datetime(datetime(2026, 5, 4))  # noqa: DTZ001


def test_durations_are_whole_microseconds():
    """Seconds become microseconds, to the nearest."""
    assert seconds(0.1) == 100_000
    assert seconds(1e-6) == 1
    assert seconds(2.5) == 2_500_000
    assert (MINUTE, HOUR, DAY) == (60 * SECOND, 3600 * SECOND, 86_400 * SECOND)


def test_a_day_begins_at_midnight_utc():
    """Midnight belongs to the day that it begins."""
    midnight = 20_577 * 86_400 * SECOND

    assert midnight_before(KNOWN) == midnight
    assert midnight_before(midnight) == midnight
    assert midnight_before(midnight - 1) == midnight - DAY


@given(st.text(max_size=40))
def test_any_text_is_a_moment_or_a_reason(text):
    """Whatever stands where a time should, it is read or refused with a reason."""
    try:
        moment = parse(text)
    except ValueError as error:
        moment, reason = None, str(error)
        assert reason.startswith("time ")
    assert moment is None or EARLIEST <= moment < LATEST
