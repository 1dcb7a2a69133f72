"""A generated line of many sections, and what is published on it: invented, and as regular as no railway is."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from monitor.core.moments import SECOND, exact

AREAS = ("varnholt", "wickering", "thornmere", "ostrel", "dunnock", "long-meadow")
"""Six, one of them with a long name."""


def section(area: str, track: int, number: int) -> str:
    """A section's name: the letter of its area, its track, and three digits."""
    return f"{area[0].upper()}{'DU'[track]}{number:03d}"


def large_line(sections: int = 900) -> str:
    """A line file of six areas, two tracks each; every eight sections of a track have an evaluator."""
    length = sections // len(AREAS) // 2
    text = ['[line]\nname = "Long line"\ntimezone = "UTC"']
    for place, area in enumerate(AREAS):
        text.append(
            f'[[area]]\nid = "{area}"\nsignaller = "{area.title()} desk"\ntelephone = "01 555 02{place:02d}"'
        )
    for track, way in enumerate(("down", "up")):
        names = [(a, section(a, track, n)) for a in AREAS for n in range(length)]
        for number, (area, name) in enumerate(names):
            evaluator = f"EV{track}{number // 8:03d}"
            if number % 8 == 0:
                text.append(
                    f'[[evaluator]]\nid = "{evaluator}"\nsite = "{area} room {number // 8}"\n'
                    f'gateway = "GW-{area}"'
                )
            text.append(
                f'[[section]]\nid = "{name}"\narea = "{area}"\nevaluator = "{evaluator}"\n'
                f'length_m = 900\nspeed_km_h = 160\ntrack = "{way}"'
            )
        ends = ["open", *(name for _, name in names), "open"]
        for number, (left, right) in enumerate(pairwise(ends)):
            text.append(
                f'[[head]]\nid = "H{track}{number:03d}"\nkm = {number * 0.9:.2f}\n'
                f'between = ["{left}", "{right}"]\ncable = "C{track}{number // 6}"'
            )
    return "\n".join(text)


def said(
    number: int, name: str, state: str, at: int, source: str = "gw/large", **more: Any
) -> dict[str, Any]:
    """One section says something."""
    return {
        "specversion": "1.0",
        "id": str(number),
        "source": source,
        "type": "tallywatch.section.state",
        "subject": name,
        "time": exact(at),
        "data": {"state": state, **more},
    }


def busy(line, now):
    """A line in the middle of a bad night: all clear but 40 trains, ten faults of which four are by one cable, work, and an area never heard."""
    names = [one for one in line.sections if line.sections[one].area != "ostrel"]
    events = [
        said(number, name, "clear", now - 20 * SECOND)
        for number, name in enumerate(names)
    ]
    count = len(events)
    trains = names[5::18]
    events += [
        said(count + number, name, "occupied", now - 19 * SECOND, axles=16)
        for number, name in enumerate(trains)
    ]
    count = len(events)
    bad = [*names[60:64], *(name for name in names[100::97])]
    events += [
        said(count + number, name, "disturbed", now - 18 * SECOND)
        for number, name in enumerate(bad)
    ]
    count = len(events)
    events.append(
        {
            **said(count, names[200], "clear", now - 17 * SECOND),
            "type": "tallywatch.section.work",
            "data": {"state": "begun", "reference": "W 17"},
        }
    )
    return events
