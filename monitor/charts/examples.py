"""What a detector is told in the example of its docstring, and what it finds.

An example steps its detector by hand and may wake it late.
So only the changes are taken from it; the detector is then told them again as the engine would, woken at the very moments it asks for.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from doctest import DocTestParser
from typing import Any

from monitor.core.changes import Change
from monitor.core.detector import Detector, Finding, Found, Place

_MOST_WAKES = 100
"""After the last change a detector is woken so often at most; one that found nothing by then has no example that ends in a finding."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Example:
    """One example, played.

    Args:
        detector: whose.
        place: where it stands.
        changes: what it is told, in order.
        found: what it finds: the last finding, where it says more than one.
    """

    detector: Detector
    place: Place
    changes: tuple[Change, ...]
    found: Found


@dataclass(slots=True)
class _Listener:
    """Stands in for a detector and keeps what it is told; for all else it is that detector."""

    detector: Detector
    told: list[tuple[Change, Place]] = field(default_factory=list)

    def step(
        self, memory: Any, change: Change, place: Place
    ) -> tuple[Any, tuple[Finding, ...]]:
        """As the detector does, and keep the change."""
        self.told.append((change, place))
        return self.detector.step(memory, change, place)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.detector, name)


def example_of(detector: Detector) -> Example:
    """The example in the docstring of *detector*, played.

    Raises:
        ValueError: it has no example, or one that ends in no finding.
    """
    told = _told(detector)
    if not told:
        raise ValueError(f"{detector.kind}: its docstring has no example")
    changes = tuple(change for change, _ in told)
    place = told[0][1]
    found = _played(detector, place, changes)
    if found is None:
        raise ValueError(f"{detector.kind}: its example ends in no finding")
    return Example(detector=detector, place=place, changes=changes, found=found)


def _told(detector: Detector) -> list[tuple[Change, Place]]:
    """What the example tells *detector*, and where."""
    cls = type(detector)
    listener = _Listener(detector)
    names = dict(vars(sys.modules[cls.__module__]))
    names[cls.__name__] = lambda: listener
    for part in DocTestParser().get_examples(cls.__doc__ or ""):
        if not part.want:  # what shows a result tells the detector nothing
            exec(part.source, names)  # noqa: S102 - a docstring of this very package
    return listener.told


def _played(
    detector: Detector, place: Place, changes: tuple[Change, ...]
) -> Found | None:
    """The last that *detector* finds where it is told *changes* and woken as it asks."""
    memory = detector.start(place)
    found: Found | None = None
    for change in changes:
        due = detector.wake_at(memory)
        while due is not None and due < change.at:
            memory, findings = detector.wake(memory, due, place)
            found = _last(findings, found)
            due = detector.wake_at(memory)
        memory, findings = detector.step(memory, change, place)
        found = _last(findings, found)
    for _ in range(_MOST_WAKES):
        due = detector.wake_at(memory)
        if found is not None or due is None:
            break
        memory, findings = detector.wake(memory, due, place)
        found = _last(findings, found)
    return found


def _last(findings: tuple[Finding, ...], before: Found | None) -> Found | None:
    """The last condition found in *findings*, else *before*."""
    return next((f for f in reversed(findings) if isinstance(f, Found)), before)
