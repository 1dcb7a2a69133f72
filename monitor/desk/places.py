"""Where things are: which subjects an area covers, and which sections a subject stands for."""

from __future__ import annotations

from monitor.core.dependence import ORDER, Dependence
from monitor.core.layout import OPEN, Line
from monitor.desk.model import NotThere


class Places:
    """The places of a line, by subject.

    Args:
        line: the line file.

    Example:
        >>> from monitor.core.detector import Place
        >>> places = Places(Place.example().line)
        >>> places.sections("supply/PS1"), places.sections("section/T107")
        (('T106', 'T107', 'T108'), ('T107',))
        >>> "evaluator/EV1" in places.of_area("thornmere")
        True
    """

    def __init__(self, line: Line) -> None:
        self._line = line
        self._dependence = Dependence(line)

    def sections(self, subject: str) -> tuple[str, ...]:
        """The sections that *subject* stands for: itself, or all that need it.

        Raises:
            NotThere: the line file has no such thing.
        """
        kind, _, name = subject.partition("/")
        line = self._line
        found: tuple[str, ...] = ()
        if kind == "section" and name in line.sections:
            found = (name,)
        elif kind == "head" and name in line.heads:
            found = tuple(one for one in line.heads[name].between if one != OPEN)
        elif kind in ORDER:
            found = self._dependence.sections_on(subject)
        if not found:
            raise NotThere(f"the line file has nothing that is {subject}")
        return found

    def has(self, subject: str) -> bool:
        """Whether the line file has what *subject* names, as something that is watched or that hangs on it."""
        kind, _, name = subject.partition("/")
        if kind == "gateway":
            return any(name == one.gateway for one in self._line.evaluators.values())
        try:
            return bool(self.sections(subject))
        except NotThere:
            return False

    def in_area(self, area: str | None) -> tuple[str, ...]:
        """The sections of *area*, in the order of the line file; None: all.

        Raises:
            NotThere: there is no such area.
        """
        if area is None:
            return tuple(self._line.sections)
        return self.sections(f"area/{area}")

    def of_area(self, area: str) -> tuple[str, ...]:
        """All subjects that lie in *area*, or that something there needs.

        Raises:
            NotThere: there is no such area.
        """
        return tuple(
            dict.fromkeys(
                subject
                for section in self.in_area(area)
                for subject in self.around(section)
            )
        )

    def around(self, section: str) -> tuple[str, ...]:
        """A section, its heads, and all that it needs, as subjects."""
        line = self._line
        gateway = line.evaluators[line.sections[section].evaluator].gateway
        return (
            f"section/{section}",
            *(f"head/{head}" for head in line.heads_of(section)),
            *self._dependence.assets_of(f"section/{section}"),
            *(() if gateway is None else (f"gateway/{gateway}",)),
        )
