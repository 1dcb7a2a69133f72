"""What was counted wrongly, as it was."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.core.moments import Moment


@dataclass(frozen=True, slots=True, kw_only=True)
class Miscount:
    """A train that was counted wrongly.

    Args:
        at: when its first axle was.
        place: the head that counted it wrongly, or the section that did: `head/H107`.
        axles: by how many; over (above nought) or lacking.
        train: which.
    """

    at: Moment
    place: str
    axles: int
    train: int
