"""What depends on what: which assets a section's detection needs, and which sections need an asset.

A section needs the trackside units and cables of its heads, the evaluators where their signals end and the one that keeps its tally, what supplies those and where they stand.
The area it lies in is what it shares with others when nothing else is: the weather.
"""

from __future__ import annotations

from collections.abc import Iterator

from monitor.core.layout import Line

ORDER = ("unit", "cable", "evaluator", "supply", "site", "area")
"""From the smallest to the widest; of assets that explain as much, the first."""


class Dependence:
    """The assets of a line as subjects (`cable/C2`), and what needs each.

    Args:
        line: the line file.

    Example:
        >>> from monitor.core.detector import Place
        >>> dependence = Dependence(Place.example().line)
        >>> dependence.assets_of("section/T107")
        ('evaluator/EV1', 'supply/PS1', 'site/Thornmere room', 'area/thornmere')
        >>> dependence.sections_on("supply/PS1")
        ('T106', 'T107', 'T108')
    """

    def __init__(self, line: Line) -> None:
        self.line = line
        self._assets: dict[str, tuple[str, ...]] = {}
        on: dict[str, list[str]] = {}
        for section in line.sections:
            assets = tuple(dict.fromkeys(self._of_section(section)))
            self._assets[f"section/{section}"] = assets
            for asset in assets:
                on.setdefault(asset, []).append(section)
        for evaluator in line.evaluators:
            mine = tuple(dict.fromkeys(self._of_evaluator(evaluator)))
            self._assets[f"evaluator/{evaluator}"] = mine
        self._sections = {asset: tuple(names) for asset, names in on.items()}

    def assets_of(self, subject: str) -> tuple[str, ...]:
        """The assets that a section or evaluator needs, the smallest first.

        Raises:
            KeyError: the line file has no such section or evaluator.
        """
        return self._assets[subject]

    def sections_on(self, asset: str) -> tuple[str, ...]:
        """The sections that need *asset*, in the order of the line file."""
        return self._sections.get(asset, ())

    def _of_section(self, name: str) -> Iterator[str]:
        line, section = self.line, self.line.sections[name]
        heads = [line.heads[head] for head in line.heads_of(name)]
        evaluators = [section.evaluator]
        evaluators += [other for head in heads for other in head.evaluators]
        yield from (f"unit/{head.unit}" for head in heads if head.unit)
        yield from (f"cable/{head.cable}" for head in heads if head.cable)
        yield from (f"evaluator/{evaluator}" for evaluator in evaluators)
        yield from self._behind(evaluators)
        yield f"area/{section.area}"

    def _of_evaluator(self, name: str) -> Iterator[str]:
        yield f"evaluator/{name}"
        yield from self._behind([name])
        for section in self.line.sections_of(name):
            yield f"area/{self.line.sections[section].area}"

    def _behind(self, evaluators: list[str]) -> Iterator[str]:
        known = [
            self.line.evaluators[name]
            for name in evaluators
            if name in self.line.evaluators
        ]
        yield from (f"supply/{one.supply}" for one in known if one.supply)
        yield from (f"site/{one.site}" for one in known)


def width(asset: str) -> int:
    """How wide an asset is, as its place in `ORDER`.

    Example:
        >>> width("unit/TU7"), width("area/thornmere")
        (0, 5)
    """
    return ORDER.index(asset.partition("/")[0])
