"""What people call an area: the place where its evaluators stand, as far as the line file lets that be told."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from monitor.core.layout import Line


def place_names(line: Line) -> dict[str, str]:
    """For each area the words with which the names of its sites begin, less those that every site of the line has; its id where that leaves nothing, or the same as for another.

    Example:
        >>> from monitor.core.layout import read_line
        >>> text = '''
        ...     [line]
        ...     name = "A line"
        ...     timezone = "UTC"
        ...     [[head]]
        ...     id = "H"
        ...     between = ["S0", "S1"]
        ...     '''
        >>> for n, (area, site) in enumerate(
        ...     [("mill", "Dunnock Mill room"), ("t", "Thornmere room")]
        ... ):
        ...     text += f'''
        ...     [[evaluator]]
        ...     id = "E{n}"
        ...     site = "{site}"
        ...     [[section]]
        ...     id = "S{n}"
        ...     area = "{area}"
        ...     evaluator = "E{n}"
        ...     length_m = 500
        ...     speed_km_h = 80
        ...     '''
        >>> place_names(read_line(text))
        {'mill': 'Dunnock Mill', 't': 'Thornmere'}
    """
    sites: dict[str, dict[str, None]] = {}
    for section in line.sections.values():
        site = line.evaluators[section.evaluator].site
        sites.setdefault(section.area, {})[site] = None
    every = [set(site.split()) for found in sites.values() for site in found]
    common = set.intersection(*every) if every else set()
    names = {
        area: " ".join(
            word
            for word in _begin([site.split() for site in found])
            if word not in common
        )
        for area, found in sites.items()
    }
    told = list(names.values())
    return {
        area: name if name and told.count(name) == 1 else area
        for area, name in names.items()
    }


def _begin(names: Sequence[Sequence[str]]) -> Iterable[str]:
    """The words with which all of *names* begin."""
    for words in zip(*names, strict=False):
        if len(set(words)) > 1:
            return
        yield words[0]
