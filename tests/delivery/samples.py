"""A line, a fault with two alerts, and its call, as the tests of delivery tell them."""

from __future__ import annotations

from dataclasses import replace

from monitor.core.alerts import Alert, identify
from monitor.core.detector import Evidence, Suspect
from monitor.core.faults import Call, Fault
from monitor.core.layout import read_line
from monitor.core.moments import SECOND, parse
from monitor.core.words import CAUTION

BEGAN = parse("2026-05-04T06:12:03.412Z")
RAISED = BEGAN + 120 * SECOND

LINE_TEXT = """
[line]
name = "Varnholt - Ostrel line"
timezone = "UTC"
[[evaluator]]
id = "EV1"
site = "Thornmere room"
[[section]]
id = "T106"
area = "thornmere"
evaluator = "EV1"
length_m = 820
speed_km_h = 120
[[section]]
id = "T107"
area = "thornmere"
evaluator = "EV1"
length_m = 820
speed_km_h = 120
[[head]]
id = "H106"
between = ["open", "T106"]
[[head]]
id = "H107"
between = ["T106", "T107"]
[[site]]
id = "Thornmere room"
access = "gate 4, lane from the mill"
telephone = "01 555 0118"
[[area]]
id = "thornmere"
signaller = "Thornmere desk"
telephone = "01 555 0199"
"""
LINE = read_line(LINE_TEXT)


def alert(kind="occupied-no-train", section="T107", began=BEGAN, **changes):
    """An alert about a section, raised two minutes after it began."""
    subject = f"section/{section}"
    made = Alert(
        id=identify(kind, subject, began),
        kind=kind,
        subject=subject,
        priority="prompt",
        began=began,
        raised=began + 120 * SECOND,
        ended=None,
        summary=f"{section} occupied for 2 min; no train was seen to enter it",
        evidence=(
            Evidence(time=began, text=f"{section} occupied", event="gw/1#88121"),
        ),
        affected=(subject,),
        suspects=(
            Suspect(asset="head/H107", weight=0.8),
            Suspect(asset="head/H106", weight=0.2),
        ),
        checks=(
            "Look first at the indications of EV1 in Thornmere room",
            "Could also be: vehicles put on the track; settled by who was there",
            CAUTION,
        ),
        parameters={"no_train_after_s": 120.0},
    )
    return replace(made, **changes)


def fault(alerts=(), **changes):
    """The fault of *alerts*, all of them open."""
    alerts = alerts or (alert(),)
    first = alerts[0]
    made = Fault(
        id=first.id,
        number="XLLM",
        headline="T107 occupied, no train seen to enter",
        priority=first.priority,
        subject=first.subject,
        began=first.began,
        raised=first.raised,
        ended=None,
        alerts=tuple(one.id for one in alerts),
        open=tuple(one.id for one in alerts if one.ended is None),
        lasting=(),
        subjects=tuple(dict.fromkeys(one.subject for one in alerts)),
        waiting=(),
        took=(),
        into=None,
        calls=1,
    )
    return replace(made, **changes)


def call(about=None, **changes):
    """The call for an alert."""
    about = about or alert()
    made = Call(
        fault=about.id,
        number="XLLM",
        alert=about.id,
        priority=about.priority,
        at=about.raised,
        text=(
            "XLLM prompt: T107 occupied, no train seen to enter. "
            "At Thornmere room, since 06:12:03. 1 train standing."
        ),
        standing=1,
    )
    return replace(made, **changes)
