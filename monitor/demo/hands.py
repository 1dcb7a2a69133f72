"""What whoever watches does at the desk, by a key of the terminal."""

from __future__ import annotations

import httpx

from monitor.asking import NotDone, ask

WAIT_S = 20.0
"""A machine with little to spare answers late."""


def see(desk: str) -> str:
    """Say that the gravest fault that nobody has seen is seen; gives what is to be said about it."""
    try:
        answer = httpx.get(
            f"{desk}/api/v1/faults",
            params={"open": "true"},
            timeout=WAIT_S,
            trust_env=False,
        )
        faults = answer.raise_for_status().json()
        ranks = ("urgent", "prompt", "planned", "note")
        unseen = sorted(
            (one for one in faults if not one["seen"]),
            key=lambda one: ranks.index(one["priority"]),
        )
        if not unseen:
            return "Everything that is open has been seen."
        fault = unseen[0]
        ask(desk, "acts", {"what": "seen", "fault": fault["id"]}, within_s=WAIT_S)
    except (httpx.HTTPError, NotDone) as error:
        return f"The monitor cannot be asked now: {error}"
    return f"Seen: {fault['number']} {fault['headline']}. It no longer sounds; it stays until it is over, or closed."
