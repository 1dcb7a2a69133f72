"""Asks a program beside the daemon for something that takes long, so that what comes in does not wait for it."""

from __future__ import annotations

import asyncio
import os
import sys

from monitor.desk.model import Refused

NICE = 10
"""What somebody looks back at may wait; what comes in may not."""


async def ask_aside(*given: str, within_s: float) -> bytes:
    """What `python -m` with what is *given* writes to stdout; it is ended when whoever asked goes away.

    Raises:
        Refused: it failed, and the text is the last it said, or it took too long.
    """
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", *given),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    try:
        os.setpriority(os.PRIO_PROCESS, process.pid, NICE)
        async with asyncio.timeout(within_s):
            out, said = await process.communicate()
    except TimeoutError:
        raise Refused(f"that took longer than {within_s:.0f} s") from None
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
    if process.returncode != 0:
        lines = said.decode("utf-8", "replace").splitlines()
        raise Refused(lines[-1].strip("│ ") if lines else "it failed")
    return out
