from __future__ import annotations

from prometheus_client import CollectorRegistry, generate_latest

from monitor.core.moments import parse
from monitor.gauges import ListGauges
from monitor.handling import Handling
from tests.core.conftest import Run, plain_line


def test_what_stands_open_is_told_by_area():
    """Each is there at nought, and at one for the section that was reset and awaits its sweep; an hour later that is overdue."""
    ran = Run(plain_line())
    ran.tell(
        """
        06:00:00 T1 clear
        06:00:00 T2 clear
        06:00:00 T3 clear
        06:00:00 T4 clear
        06:00:00 T5 clear
        07:00:00 T3 disturbed
        07:10:00 T3 reset accepted preparatory
        07:10:01 T3 awaiting_sweep
        07:20:00 T1 clear
        """
    )
    now = parse("2026-05-04T07:20:00Z")
    registry = CollectorRegistry()
    registry.register(ListGauges(lambda: ran.engine, Handling(), lambda: now))
    before = generate_latest(registry).decode().splitlines()
    ran.until("09:00")
    after = generate_latest(registry).decode().splitlines()

    assert 'tallywatch_standing_open{area="a",what="awaiting_sweep"} 1.0' in before
    assert 'tallywatch_standing_open{area="a",what="disturbed"} 0.0' in before
    assert 'tallywatch_resets_overdue{area="a"} 0.0' in before
    assert 'tallywatch_resets_overdue{area="a"} 1.0' in after
    assert before.count("# TYPE tallywatch_standing_open gauge") == 1
