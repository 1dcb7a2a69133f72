"""What stays is left out of the search for what may be thrown away.

A monitor holds what it knows of a thousand sections in hundreds of thousands of objects, none of which ever goes; looking through all of them again and again stops everything for a tenth of a second each time.
"""

from __future__ import annotations

import asyncio
import gc
from collections.abc import Awaitable, Callable

SOON_S = (0.0, 10.0, 60.0, 600.0)
"""After a start much comes that stays: so long after it, and after one another."""

LATER_S = 3600.0


def settle() -> None:
    """Throw away what can be, and look no more at what is left.

    What is in a circle with others and is let go only later stays for good: so this is for what stays, once in a while.
    """
    gc.collect()
    gc.freeze()


async def keep_tidy(
    sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
) -> None:
    """Do so soon after a start, and then once an hour, for ever."""
    for seconds in SOON_S:
        await sleep(seconds)
        settle()
    while True:
        await sleep(LATER_S)
        settle()
