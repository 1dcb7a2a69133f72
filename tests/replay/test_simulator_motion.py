from __future__ import annotations

from math import isclose, isinf, sqrt
from random import Random

import pytest
from hypothesis import given, strategies as st

from replay.simulator.trains import (
    COACH,
    ENGINE,
    Run,
    any_stock,
    braking_distance,
    coupled,
    profile,
    railcar,
)

speeds = st.floats(1.0, 60.0)
lengths = st.floats(5.0, 3000.0)
rates = st.floats(0.1, 1.2)


@st.composite
def ways(draw):
    """Stretches with their limits, from nought on."""
    end, stretches = 0.0, []
    for _ in range(draw(st.integers(1, 6))):
        end += draw(lengths)
        stretches.append((end, draw(speeds)))
    return stretches


def test_at_constant_speed_the_time_between_heads_is_distance_over_speed():
    """A train at its limit takes distance over speed from one head to the next."""
    run = Run(profile(0, 25, [(2000, 25)], accelerate=0.5, brake=0.5, stop=False), 0.0)
    # 500 m and 1250 m at 25 m/s: 750 m in 30 s.
    first = run.when(500)
    assert first == pytest.approx(20)
    assert run.when(1250) - first == pytest.approx(30)
    assert isclose(run.lasts, 80)


@pytest.mark.parametrize(
    ("v", "brake", "metres"),
    [
        # v squared over twice the deceleration, by hand.
        (20, 0.5, 400),
        (30, 0.75, 600),
        (10, 1.0, 50),
    ],
)
def test_a_train_needs_its_braking_distance_to_stand(v, brake, metres):
    """A train that brakes to a stand runs v squared over twice its deceleration."""
    assert braking_distance(v, brake) == metres
    phases = profile(0, v, [(metres, v)], accelerate=0.5, brake=brake, stop=True)
    assert [phase.a for phase in phases] == [pytest.approx(-brake)]
    assert phases[0].lasts == pytest.approx(v / brake)


def test_a_train_that_has_room_brakes_as_late_as_it_can():
    """With 1000 m before it, a train at 20 m/s runs 600 m and brakes over the last 400."""
    phases = profile(0, 20, [(1000, 20)], accelerate=0.5, brake=0.5, stop=True)
    at, braking = phases
    assert (at.x, at.a, at.lasts) == pytest.approx((0, 0, 30))
    assert (braking.x, braking.a, braking.lasts) == pytest.approx((600, -0.5, 40))


def test_a_train_starts_as_a_body_under_constant_force():
    """From a stand, the first 100 m at 0.5 m/s2 take the root of twice the distance over the acceleration: 20 s."""
    run = Run(profile(0, 0, [(5000, 40)], accelerate=0.5, brake=0.5, stop=False), 0.0)
    assert run.when(100) == pytest.approx(20)
    assert run.where(20) == pytest.approx((100, 10))


def test_a_short_way_has_a_peak_below_the_limit():
    """Between two stands 400 m apart, at 0.5 and 0.5 m/s2, the peak is in the middle: the root of 200, and it takes twice 28.3 s."""
    phases = profile(0, 0, [(400, 60)], accelerate=0.5, brake=0.5, stop=True)
    assert [phase.a for phase in phases] == [0.5, -0.5]
    assert phases[1].v == pytest.approx(sqrt(200))
    assert Run(phases, 0.0).lasts == pytest.approx(2 * sqrt(200) / 0.5)


def test_a_train_slows_before_a_lower_limit():
    """At the beginning of a slow stretch the train is already slow."""
    phases = profile(
        0, 20, [(1000, 20), (1500, 10)], accelerate=0.5, brake=0.5, stop=False
    )
    slow = next(phase for phase in phases if phase.x >= 1000 - 1e-6)
    assert slow.v == pytest.approx(10)


@given(ways(), speeds, rates, rates, st.booleans())
def test_a_profile_has_no_jumps_and_keeps_the_limits(way, v, accelerate, brake, stop):
    """Phases join in time, place and speed, no limit is passed, and the end is reached."""
    # No faster than it can be kept from the beginning.
    v = min(v, *(sqrt(limit**2 + 2 * brake * end) for end, limit in way), way[0][1])
    start = 0.0
    for end, limit in way:
        v = min(v, sqrt(limit**2 + 2 * brake * start))
        start = end
    if stop:
        v = min(v, sqrt(2 * brake * way[-1][0]))
    phases = profile(0, v, way, accelerate=accelerate, brake=brake, stop=stop)
    time = x = 0.0
    for phase in phases:
        assert isclose(phase.at, time, abs_tol=1e-6)
        assert isclose(phase.x, x, abs_tol=1e-3)
        assert isclose(phase.v, v, abs_tol=1e-3)
        assert -brake - 1e-6 <= phase.a <= accelerate + 1e-6
        time += phase.lasts
        x = phase.x + phase.v * phase.lasts + phase.a * phase.lasts**2 / 2
        v = phase.v + phase.a * phase.lasts
        limit = next(limit for end, limit in way if x <= end + 1e-3)
        assert max(phase.v, v) <= limit + 1e-3 or isclose(x, phase.x, abs_tol=1e-3)
    assert isclose(x, way[-1][0], abs_tol=1e-3)
    if stop:
        assert isclose(v, 0.0, abs_tol=2e-2)


@given(ways(), rates, rates, st.lists(st.floats(0, 1), min_size=1, max_size=20))
def test_when_and_where_are_each_other_s_way_back(way, accelerate, brake, parts):
    """Where a train is when it is at x, is x."""
    phases = profile(0, 0, way, accelerate=accelerate, brake=brake, stop=True)
    run = Run(phases, 0.0)
    before = 0.0
    for part in sorted(parts):
        x = part * way[-1][0]
        time = run.when(x)
        assert time >= before - 1e-9
        assert isclose(run.where(time)[0], x, abs_tol=1e-2)
        before = time


def test_a_place_beyond_the_end_is_never_reached():
    """A train that stands before a head is not over it."""
    run = Run(profile(0, 0, [(100, 20)], accelerate=0.5, brake=0.5, stop=True), 0.0)
    assert isinf(run.when(101))
    assert run.where(10_000) == pytest.approx((100, 0))


def test_axles_are_where_the_vehicles_have_them():
    """An engine of 19 m and a coach have eight axles, the coach's 19 m further back."""
    axles, length = coupled([ENGINE, COACH])
    assert length == pytest.approx(45.4)
    assert axles == pytest.approx((3.1, 6.1, 12.9, 15.9, 21.6, 24.1, 40.3, 42.8))


@given(st.integers(0, 10_000))
def test_a_turned_train_has_the_same_axles_from_the_other_end(seed):
    """Turned twice, a train is what it was; turned once, its spacings are the same backwards."""
    stock = any_stock(Random(seed))
    turned = stock.turned()
    assert list(turned.axles) == sorted(turned.axles)
    assert 0 < turned.axles[0] < turned.axles[-1] < turned.length
    assert turned.turned().axles == pytest.approx(stock.axles)


def test_a_railcar_turns_into_itself():
    """A train that is alike from both ends is the same when it has turned."""
    assert railcar(2).turned().axles == pytest.approx(railcar(2).axles)
