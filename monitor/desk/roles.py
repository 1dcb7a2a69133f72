"""What somebody may do."""

from __future__ import annotations

from enum import StrEnum


class Role(StrEnum):
    """What somebody may do; each may what those before it may."""

    LOOK = "look"
    ACT = "act"
    SET_UP = "set_up"

    def may(self, other: Role) -> bool:
        """Whether it covers *other*."""
        order = list(Role)
        return order.index(self) >= order.index(other)
