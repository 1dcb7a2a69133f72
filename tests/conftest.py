"""What every test stands on: Hypothesis profiles, a time limit, and no hidden skips.

`HYPOTHESIS=quick pytest` while typing, `HYPOTHESIS=patient pytest` before a release.
"""

from __future__ import annotations

import os
import shutil
import signal

import pytest
from hypothesis import HealthCheck, settings

LIMIT_S = int(os.environ.get("TEST_LIMIT_S", "400"))
"""No test takes longer; the integration tests with a real broker take the most."""

IN_CI = bool(os.environ.get("CI"))

# No deadlines: machines are noisy, and a slow example is no wrong one.
settings.register_profile("quick", max_examples=25, deadline=None)
settings.register_profile("usual", max_examples=100, deadline=None)
settings.register_profile("ci", max_examples=30, deadline=None, derandomize=True)
settings.register_profile(
    "patient",
    max_examples=2000,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile(os.environ.get("HYPOTHESIS", "ci" if IN_CI else "usual"))


NEEDED = {
    # marker: program, Debian package
    "broker": ("mosquitto", "mosquitto"),
    "browser": ("chromium", "chromium"),
    "servers": ("prometheus-alertmanager", "prometheus prometheus-alertmanager"),
}


def pytest_collection_modifyitems(items):
    """Skip what needs a program that is not there, saying so; in CI let it fail."""
    if IN_CI:
        return
    for marker, (program, package) in NEEDED.items():
        if shutil.which(program):
            continue
        reason = f"{program} is not installed: apt-get install {package}"
        for item in items:
            if item.get_closest_marker(marker):
                item.add_marker(pytest.mark.skip(reason=reason))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item):
    """End a test that has run for too long, with a traceback of where it was."""

    def too_long(_number, _frame):
        pytest.fail(f"{item.nodeid} has run for {LIMIT_S} s", pytrace=True)

    before = signal.signal(signal.SIGALRM, too_long)
    signal.alarm(LIMIT_S)
    try:
        return (yield)
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)
