"""Which alerts keep quiet, and because of what.

Nothing is hidden: an alert that keeps quiet is in the record like any other, with its reason.
There are two reasons by design: the place is under work (planned, or its evaluator isolated), and a common cause covers it.
Work quiets whatever is open about a section when it begins; a cause quiets what its members show, and nothing that is urgent.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.core.moments import Moment

OF_A_CAUSE = frozenset(
    {"section-disturbed", "spurious-occupation", "evaluator-locked-out"}
)
"""The kinds by which a member of a common cause shows itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Covered:
    """A common cause that covers a place.

    Args:
        group: the id of its alert.
        asset: what has failed, as a subject.
        since: when its first member began.
    """

    group: str
    asset: str
    since: Moment


@dataclass(slots=True)
class Suppression:
    """What keeps alerts quiet now, by subject."""

    work: dict[str, str] = field(default_factory=dict)
    causes: dict[str, Covered] = field(default_factory=dict)

    def marks(self, kind: str, subject: str) -> dict[str, str]:
        """What an alert carries because of that: `quiet` with the reason, `group` with the id of the cause's alert.

        Example:
            >>> Suppression(work={"section/T107": "under work: work W7"}).marks(
            ...     "section-disturbed", "section/T107"
            ... )
            {'quiet': 'under work: work W7'}
        """
        marks: dict[str, str] = {}
        cause = self.causes.get(subject) if kind in OF_A_CAUSE else None
        if cause is not None:
            marks["group"] = cause.group
            marks["quiet"] = f"a common cause covers it: {cause.asset}"
        if subject in self.work:
            marks["quiet"] = self.work[subject]
        return marks
