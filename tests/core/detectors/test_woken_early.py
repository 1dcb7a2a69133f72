from __future__ import annotations

import pytest

from monitor.core.detectors import CATALOGUE
from monitor.core.moments import SECOND

DAY = """
06:00 clear
06:10 occupied
06:10:02 entry occupied not explained entered=06:10
06:10:03 contacts up/up
06:10:04 interlocking occupied
06:10:05 disturbed
06:10:06 disturbance
06:10:07 level a_volts=3.4
06:10:08 passage none
06:10:09 left T106:+1 T107:-1
06:10:10 counted 39/40
06:10:11 not known
06:10:12 known again
06:10:13 disturbance
06:10:20 contacts up/down
06:10:21 interlocking clear
06:14 agreed
06:15 left gone
06:20 reset accepted
06:20:01 awaiting_sweep
06:30 occupied
06:30:02 entry occupied explained entered=06:30
06:30:02 entered
06:31 went on T108 T109 cleared=06:31
06:40 awaiting_acknowledgement
06:41 clear
06:41:02 worked left=06:40
07:00 work begun
07:10 disturbed
07:20 work ended
08:00 reset accepted
08:00:01 clear
08:10 occupied
08:10:02 entry occupied explained entered=08:10
08:10:02 entered
"""
"""A little of everything that starts timers and stops them."""


@pytest.mark.parametrize(
    "detector", [pytest.param(one, id=one.kind) for one in CATALOGUE]
)
def test_woken_before_anything_is_due_it_says_and_remembers_nothing(watch, detector):
    """Who wakes it too early, or while it waits for nothing, changes nothing."""
    day = watch(detector)
    for line in DAY.strip().splitlines():
        day.tell(line)
        due = detector.wake_at(day.memory)
        if due is None or due > day.now:
            early = day.now if due is None else due - SECOND // 1000
            assert detector.wake(day.memory, early, day.place) == (day.memory, ())
