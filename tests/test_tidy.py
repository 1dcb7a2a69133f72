from __future__ import annotations

import gc

from monitor.tidy import LATER_S, SOON_S, keep_tidy


async def test_what_stays_is_looked_at_no_more():
    """Soon after a start, and then once an hour; what is let go at that time is thrown away before."""
    slept = []
    frozen = []

    class Ended(Exception):
        """Enough of it."""

    async def sleep(seconds):
        slept.append(seconds)
        frozen.append(gc.get_freeze_count())
        if len(slept) == len(SOON_S) + 2:
            raise Ended

    try:
        await keep_tidy(sleep)
    except Ended:
        pass
    finally:
        gc.unfreeze()

    assert slept == [*SOON_S, LATER_S, LATER_S]
    assert frozen[0] < frozen[1]
