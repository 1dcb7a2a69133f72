"""What is found at a visit: a small list, each with its words, and where the part is that it concerns.

A short list is filled in; a long one is left on "other".
The words follow what the trade tells apart when it looks (common practice).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

Where = Literal["track", "room", ""]
"""Whether one goes onto the track for it, or into the room of the evaluator; "": it has no such place."""

Cause = Literal[
    "head",
    "sensor",
    "track",
    "unit",
    "cable",
    "surge",
    "supply",
    "evaluator",
    "output",
    "feed",
    "metal",
    "train",
    "vehicle",
    "work",
    "other",
    "nothing",
    "not-said",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One entry of the list.

    Args:
        words: as people read it.
        where: its part is.
    """

    words: str
    where: Where = ""


FINDINGS: dict[Cause, Finding] = {
    "head": Finding(words="head loose, moved or out of adjustment", where="track"),
    "sensor": Finding(words="one sensor of a head, its plug or lead", where="track"),
    "track": Finding(words="ballast, water or a fixing at the head", where="track"),
    "unit": Finding(words="trackside unit", where="track"),
    "cable": Finding(words="cable or joint", where="track"),
    "surge": Finding(words="lightning or surge"),
    "supply": Finding(words="power supply", where="room"),
    "evaluator": Finding(words="evaluator card or rack", where="room"),
    "output": Finding(words="output relay or wiring", where="room"),
    "feed": Finding(words="gateway or network", where="room"),
    "metal": Finding(words="metal over a head: tools, trolley, machine"),
    "train": Finding(words="something on a train: wheel, brake, hanging part"),
    "vehicle": Finding(words="a vehicle standing, left or set on the track"),
    "work": Finding(words="work on the line that nobody had told of"),
    "other": Finding(words="something else, see the note"),
    "nothing": Finding(words="nothing found"),
    "not-said": Finding(words="not said what"),
}
"""Every cause, in the order in which people are offered them."""


def is_cause(text: str) -> bool:
    """Whether *text* names an entry of the list.

    Example:
        >>> is_cause("cable"), is_cause("gremlins")
        (True, False)
    """
    return text in get_args(Cause)


def judged(cause: Cause) -> bool | None:
    """Whether what had been raised was there: something was found, nothing was, or nobody said (None).

    Example:
        >>> judged("cable"), judged("nothing"), judged("not-said")
        (True, False, None)
    """
    return None if cause == "not-said" else cause != "nothing"
