"""Every number that conclusions depend on, gathered from settings once.

The words shared by all detections are here; what belongs to one detection is a field of its detector.
Both can be set for the line, and a detection's own for one section too.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from math import isfinite
from typing import Any

from monitor.core.detector import Detector
from monitor.core.detectors import CATALOGUE


class DetectionFault(Exception):
    """Settings of detections are wrong.

    Attributes:
        faults: every fault, one line each.
    """

    def __init__(self, faults: tuple[str, ...]) -> None:
        super().__init__("; ".join(faults))
        self.faults = faults


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """The durations that the meanings of all detections share, in seconds.

    Args:
        skew_s: events up to this far apart may be simultaneous (evaluators stamp and send independently).
        patience_s: how long ordering waits: at least the spread of clocks plus the spread of arrival.
        settle_s: disturbances within this are one.
        reset_effect_s: a clear up to this long after an accepted reset is by it.
        period_s: between heartbeats, where a gateway does not say.
        recall_after_s: who was called for a fault is called again where nobody was needed anew in it for so long (common practice: a quarter of an hour later whoever was called is busy elsewhere).
        join_wait_s: what may be one of several that failed together waits so long before anybody is called for it.
        standing_after_s: a train that has entered nothing for so long stands.
        again_within_s: so long after its end a fault may go on again (common practice: a part that works loose shows it several times in half a shift).
    """

    skew_s: float = 2.0
    patience_s: float = 3.0
    settle_s: float = 5.0
    reset_effect_s: float = 10.0
    period_s: float = 30.0
    recall_after_s: float = 900.0
    join_wait_s: float = 20.0
    standing_after_s: float = 60.0
    again_within_s: float = 14400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Detection:
    """All that conclusions depend on besides the line file and the events.

    Args:
        words: durations shared by all.
        detectors: one a kind.
        at: for a section, the detectors that are set otherwise there, by kind.
    """

    words: Words = field(default_factory=Words)
    detectors: tuple[Detector, ...] = CATALOGUE
    at: Mapping[str, Mapping[str, Detector]] = field(default_factory=dict)

    @classmethod
    def of(
        cls,
        words: Mapping[str, Any] | None = None,
        detect: Mapping[str, Mapping[str, Any]] | None = None,
        section: Mapping[str, Mapping[str, Mapping[str, Any]]] | None = None,
    ) -> Detection:
        """Settings as they stand in a settings file.

        *words*: the shared durations; *detect*: by kind; *section*: by section, then by kind.

        Raises:
            DetectionFault: with every name that is not known and every value that is no number above nought.
        """
        faults: list[str] = []
        shared = _set(Words(), words or {}, "words", faults)
        kinds = {detector.kind: detector for detector in CATALOGUE}
        for kind, values in (detect or {}).items():
            if kind in kinds:
                kinds[kind] = _set(kinds[kind], values, f"detect.{kind}", faults)
            else:
                faults.append(_unknown_kind(f"detect.{kind}", kind))
        places: dict[str, dict[str, Detector]] = {}
        for place, by_kind in (section or {}).items():
            for kind, values in by_kind.items():
                where = f"section.{place}.{kind}"
                if kind in kinds:
                    there = places.setdefault(place, {})
                    there[kind] = _set(kinds[kind], values, where, faults)
                else:
                    faults.append(_unknown_kind(where, kind))
        if faults:
            raise DetectionFault(tuple(faults))
        return cls(words=shared, detectors=tuple(kinds.values()), at=places)

    def numbers(self) -> dict[str, dict[str, Any]]:
        """The tables `words` and `detect` in full, defaults included, as `of` takes them.

        Example:
            >>> full = Detection().numbers()
            >>> full["detect"]["section-disturbed"]["settle_s"]
            5.0
            >>> Detection.of(**full) == Detection()
            True
        """
        return {
            "words": asdict(self.words),
            "detect": {one.kind: asdict(one) for one in self.detectors},  # type: ignore[call-overload]
        }


def _unknown_kind(where: str, kind: str) -> str:
    known = ", ".join(detector.kind for detector in CATALOGUE)
    return f"[{where}]: there is no detection {kind}; there are {known}"


def _set(default: Any, values: Any, where: str, faults: list[str]) -> Any:
    if not isinstance(values, Mapping):
        faults.append(f"[{where}]: expected a table of settings, came {values!r}")
        return default
    known = {one.name: getattr(default, one.name) for one in fields(default)}
    good: dict[str, Any] = {}
    for name, value in values.items():
        if name not in known:
            names = ", ".join(sorted(known)) or "none"
            faults.append(f"[{where}] {name}: no such setting; there are {names}")
        elif not _fits(value, known[name]):
            faults.append(
                f"[{where}] {name}: expected a number above nought, came {value!r}"
            )
        else:
            good[name] = type(known[name])(value)
    return replace(default, **good)


def _fits(value: Any, default: Any) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    if isinstance(default, int) and value != int(value):
        return False
    return isfinite(value) and value > 0
