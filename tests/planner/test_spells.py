"""Spells of time, held against counting moment by moment."""

from __future__ import annotations

from hypothesis import given, strategies as st

from monitor.planner.spells import is_in, length, longest, together, within, without

SPELLS = st.lists(
    st.tuples(st.integers(0, 30), st.integers(0, 30)).map(lambda x: (min(x), max(x)))
)


def moments(spells):
    """Every moment in *spells*."""
    return {at for begin, end in spells for at in range(begin, end)}


@given(SPELLS, SPELLS)
def test_taking_out_leaves_what_is_in_one_alone(one, other):
    """Moment by moment: in the first, and not in the second."""
    found = without(together(one), together(other))

    assert moments(found) == moments(one) - moments(other)
    assert found == together(found)


@given(SPELLS, st.integers(0, 30), st.integers(0, 30))
def test_what_lies_within(spells, begin, end):
    """Moment by moment, and put together."""
    found = within(spells, begin, end)

    assert moments(found) == {at for at in moments(spells) if begin <= at < end}
    assert length(found) == len(moments(found))
    assert longest(found) == max((b - a for a, b in found), default=0)


@given(SPELLS, st.integers(0, 30))
def test_the_end_of_a_spell_is_not_in_it(spells, moment):
    """From its first moment up to its end."""
    assert is_in(moment, spells) == (moment in moments(spells))
