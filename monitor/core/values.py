"""Values that nobody changes, guarded before anything runs rather than while it runs.

A frozen dataclass sets each of its fields through a call, since its own guard stands in the way, and takes three times as long to make as a plain one.
Some ten changes and memories are made for each event, and that was a sixth of the time of the whole core.
So theirs is the guard of the type checker alone: to it `value_class` is `dataclass` itself, and whoever sets a field of a frozen one is told so before it runs.
What a test can see is that no step changes what it was given.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dataclasses import dataclass as value_class

    __all__ = ["value_class"]
else:

    def value_class(
        *, frozen: bool, slots: bool, kw_only: bool
    ) -> Callable[[type], type]:
        """A dataclass that is compared and hashed by its fields, as a frozen one is.

        Example:
            >>> @value_class(frozen=True, slots=True, kw_only=True)
            ... class Axles:
            ...     counted: int
            ...     left: int = 0
            >>> Axles(counted=8) == Axles(counted=8, left=0)
            True
            >>> hash(Axles(counted=8)) == hash(Axles(counted=8, left=0))
            True
        """
        return dataclass(unsafe_hash=frozen, slots=slots, kw_only=kw_only)
