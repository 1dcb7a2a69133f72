"""The numbers of an open standard in our words: what a feed that speaks it sends us.

EULYNX is the railways' own standard for the interfaces of signalling; SCI-TDS, baseline 4.3, is that of train detection systems.
Its numbers are kept here as data, so that an adapter is a look-up, and a test can say that none is missing.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

EULYNX_OCCUPANCY: Mapping[int, tuple[str, ...]] = MappingProxyType(
    {
        1: ("clear",),  # vacant
        2: ("occupied",),  # occupied
        3: ("disturbed",),  # disturbed
        4: ("awaiting_sweep",),  # waiting for a sweeping train after FC-P-A or FC-P
        5: ("awaiting_acknowledgement",),  # waiting for an acknowledgment after FC-P-A
        6: ("awaiting_sweep", "occupied"),  # sweeping train detected
    }
)
"""The occupancy status of a section: the standard's number, and our `state`.

Where two are given both are right, and the first is what to send.
"""

EULYNX_FORCE_CLEAR: Mapping[int, str | None] = MappingProxyType(
    {
        1: "unconditional",  # FC-U
        2: "conditional",  # FC-C
        3: "preparatory_acknowledged",  # FC-P-A
        4: "preparatory",  # FC-P
        5: None,  # acknowledgment after FC-P-A: no kind but a step; the state tells it
    }
)
"""The mode of a command to force a section clear: the standard's number, and our `kind` of a reset.

The last is no way of giving a section back but the end of one: it has no event of its own, and shows as the section going from `awaiting_acknowledgement` to `clear`.
"""
