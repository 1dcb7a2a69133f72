"""Reads a report as a stranger would: out of the file, by what monitor/incident/document.py says of its columns."""

from __future__ import annotations

import base64
import gzip
import json
import re
from datetime import UTC, datetime, timedelta


def data_of(page):
    """The document in the file of a report."""
    held = re.search(
        r'<script type="application/json" id="data">(.*?)</script>', page, re.DOTALL
    )
    assert held is not None
    return json.loads(gzip.decompress(base64.b64decode(json.loads(held[1])["packed"])))


def stamped(microseconds):
    """A moment as text, three decimals, or six where they are needed."""
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=microseconds)
    fraction = microseconds % 1_000_000
    digits = f"{fraction // 1000:03d}" if fraction % 1000 == 0 else f"{fraction:06d}"
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{digits}Z"


def events_of(document):
    """Every event, as the line that a recording has for it."""
    columns, unit, begin = document["events"], document["unit"], document["begin"]
    moment = 0
    ids: dict[int, int] = {}
    numbers: dict[int, int] = {}
    retained = set(columns["retained"])
    for place, kind in enumerate(columns["type"]):
        source = columns["source"][place]
        moment += columns["time"][place]
        name = columns["id"][place]
        if isinstance(name, int):
            name = ids[source] = ids.get(source, 0) + name
        number = columns["sequence"][place]
        if number is not None:
            number += numbers.get(source, -1) + 1
            numbers[source] = number
        late = columns["late"][place]
        event = {
            "specversion": "1.0",
            "id": str(name),
            "source": columns["sources"][source],
            "type": columns["types"][kind],
            "subject": columns["subjects"][columns["subject"][place]],
            "time": stamped(begin + moment * unit),
        }
        if number is not None:
            event["sequence"] = str(number)
        if late is not None:
            event["recordedtime"] = stamped(begin + (moment + late) * unit)
        if place in retained:
            event["recordedretained"] = True
        if document["rehearsal"]:
            event["rehearsal"] = "invented"
        event["data"] = json.loads(columns["texts"][columns["text"][place]])
        yield event


def spans_of(document):
    """What lasted: section, kind, from, to, in microseconds."""
    columns, unit, begin = document["spans"], document["unit"], document["begin"]
    moment = 0
    for place, section in enumerate(columns["section"]):
        moment += columns["began"][place]
        lasted = columns["lasted"][place]
        yield (
            document["sections"][section]["id"],
            columns["kinds"][columns["kind"][place]],
            begin + moment * unit,
            None if lasted is None else begin + (moment + lasted) * unit,
        )
