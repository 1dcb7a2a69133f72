"""The feed: how messages come in, and how the broker is told that they are written down.

A feed knows nothing of what a payload means.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.core.moments import Moment


class FeedLost(Exception):
    """There is no connection, or no longer; the text says why, in one line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One message as it came.

    Args:
        payload: its bytes.
        topic: where it was published.
        retained: the broker had kept it and sends it because we subscribed.
        arrival: when it came, by the monitor's clock.
        mid: what the broker calls it until it is acknowledged; 0 where it need not be.
        qos: how surely it was sent.
    """

    payload: bytes
    topic: str
    retained: bool
    arrival: Moment
    mid: int = 0
    qos: int = 0
