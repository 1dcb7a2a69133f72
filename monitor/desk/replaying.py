"""Windows of the journal as the replay page shows them, each made in a process of its own, one at a time.

Going through a day again takes seconds, and more on a long line; what comes in must not wait for that.
What was made last is kept, since a page asks for its parts and its diagram one after the other.
"""

from __future__ import annotations

import asyncio
import json
import sys
from collections import OrderedDict
from pathlib import Path

from monitor.core.moments import DAY, Duration
from monitor.desk.model import NotThere, Refused
from monitor.desk.windows import Made, Window

LONGEST: Duration = DAY
"""A window is no longer than this: what is longer is for `tallywatch replay --report`."""

WITHIN_S = 180.0
"""After so long it is given up."""

KEPT = 3
"""Windows that are kept."""


class Replaying:
    """Makes windows of a journal.

    Args:
        journal: where it is; None: there is none to look at.
    """

    def __init__(self, journal: Path | None) -> None:
        self._journal = journal
        self._one = asyncio.Lock()
        self._kept: OrderedDict[Window, Made] = OrderedDict()

    async def made(self, window: Window) -> Made:
        """The window, out of what is kept or made anew.

        Raises:
            NotThere: there is nothing to make it from.
            Refused: it cannot be made; the text says why.
        """
        if not window.begin < window.end:
            raise Refused("a window ends after it begins")
        if window.end - window.begin > LONGEST:
            raise Refused(
                "a window here is a day at most; "
                "tallywatch replay --report makes a longer one"
            )
        if self._journal is None:
            raise NotThere("there is no journal to look back into")
        async with self._one:
            if window not in self._kept:
                self._kept[window] = await self._make(self._journal, window)
                if len(self._kept) > KEPT:
                    self._kept.popitem(last=False)
            return self._kept[window]

    async def _make(self, journal: Path, window: Window) -> Made:
        given = [str(journal), str(window.begin), str(window.end)]
        if window.section:
            given.append(f"--section={window.section}")
        if window.at is not None:
            given.append(f"--at={window.at}")
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            "monitor.incident",
            *given,
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
        )
        try:
            async with asyncio.timeout(WITHIN_S):
                out, said = await process.communicate()
        except TimeoutError:
            raise Refused(
                f"that took longer than {WITHIN_S:.0f} s; ask for a shorter window"
            ) from None
        finally:
            if process.returncode is None:
                process.kill()
                await process.wait()
        if process.returncode != 0:
            lines = said.decode("utf-8", "replace").splitlines() or ["it failed"]
            raise Refused(lines[-1])
        head, _, packed = out.partition(b"\n")
        return Made(packed=packed, **json.loads(head))
