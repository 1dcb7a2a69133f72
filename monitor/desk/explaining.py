"""What detections knew at a moment that has passed, out of the journal, worked out in a process of its own.

Going through a day again takes seconds, and more on a long line; what comes in must not wait for that.
"""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

from monitor.core.moments import Moment, exact
from monitor.desk.aside import ask_aside
from monitor.desk.model import ExplainedOut, NotThere, Refused

WITHIN_S = 120.0
"""After so long it is given up."""

MOST = 4
"""So many questions may wait for one another."""


class Explaining:
    """Explains out of a journal, one question at a time.

    Args:
        journal: where it is; None: there is none to look back into.
    """

    def __init__(self, journal: Path | None) -> None:
        self._journal = journal
        self._one = asyncio.Lock()
        self._waiting = 0

    async def explained(
        self, section: str, at: Moment, kind: str | None
    ) -> ExplainedOut:
        """What each detection, or that of one kind, knew of a section then.

        Raises:
            NotThere: there is no journal.
            Refused: it cannot be told; the text says why.
        """
        if self._journal is None:
            raise NotThere("there is no journal to look back into")
        asked = [
            f"--journal={self._journal}",
            f"--section={section}",
            f"--at={exact(at)}",
            *([] if kind is None else [f"--kind={kind}"]),
        ]
        if self._waiting >= MOST:
            raise Refused("others are asking already; ask again in a minute")
        self._waiting += 1
        try:
            async with self._one:
                told = await _ask(asked)
        finally:
            self._waiting -= 1
        return ExplainedOut(section=section, at=exact(at), kind=kind, **told)


async def _ask(asked: list[str]) -> dict[str, Any]:
    given = ("monitor", "explain", "--json", *asked)
    told: dict[str, Any] = json.loads(await ask_aside(*given, within_s=WITHIN_S))
    return told
