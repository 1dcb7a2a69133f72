"""The words of an open standard in ours: what a feed that speaks it must send us.

EULYNX is the railways' own standard for the interfaces of signalling; SCI-TDS, baseline 4.3, is that of train detection systems.
Its numbers are kept here as data, so that an adapter is a look-up and a test can say that none is missing.

Where a value of theirs fits two of ours, both are right, and the first is what to send.
Theirs that are a step of a procedure, and no way of giving a section back, have no kind here.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Occupancy:
    """What a section shows.

    Args:
        value: its number on the wire of the standard.
        term: what the standard calls it.
        states: our `state`, the first being what to send.
    """

    value: int
    term: str
    states: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ForceClear:
    """A command to give a section back.

    Args:
        value: its number on the wire of the standard.
        term: what the standard calls it.
        kind: our `kind` of a reset; None where it is a step of one begun before.
        shown: the `state` that follows by itself where the step has no event of its own.
    """

    value: int
    term: str
    kind: str | None
    shown: str | None = None


EULYNX_OCCUPANCY = (
    Occupancy(value=1, term="vacant", states=("clear",)),
    Occupancy(value=2, term="occupied", states=("occupied",)),
    Occupancy(value=3, term="disturbed", states=("disturbed",)),
    Occupancy(
        value=4,
        term="waiting for a sweeping train after FC-P-A or FC-P",
        states=("awaiting_sweep",),
    ),
    Occupancy(
        value=5,
        term="waiting for an acknowledgment after FC-P-A",
        states=("awaiting_acknowledgement",),
    ),
    # While being swept a section may show either; both are right.
    Occupancy(
        value=6, term="sweeping train detected", states=("awaiting_sweep", "occupied")
    ),
)
"""Every occupancy status of a section in SCI-TDS, baseline 4.3."""

EULYNX_FORCE_CLEAR = (
    ForceClear(value=1, term="FC-U", kind="unconditional"),
    ForceClear(value=2, term="FC-C", kind="conditional"),
    ForceClear(value=3, term="FC-P-A", kind="preparatory_acknowledged"),
    ForceClear(value=4, term="FC-P", kind="preparatory"),
    # It ends a reset that was accepted before: the section then shows clear.
    ForceClear(value=5, term="acknowledgment after FC-P-A", kind=None, shown="clear"),
)
"""Every mode of force-clear in SCI-TDS, baseline 4.3."""
