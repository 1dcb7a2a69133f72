"""The table `[monthly]`: the period report by mail, once a month.

It has a mailbox of its own: who is called at night is not who reads a report.
"""

from __future__ import annotations

from typing import Annotated
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, Field

from monitor.settings.delivery import MailSettings
from monitor.settings.desk import TimeOfDay


def _zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(f"{name!r} is no IANA timezone") from None
    return name


class MonthlySettings(MailSettings):
    """A report of each month, by mail, when it is over.

    Args:
        day: of the month after, on which it goes.
        at: at this time of the day.
        timezone: by whose clocks, an IANA name; left out: the line's.
    """

    day: Annotated[int, Field(ge=1, le=28)] = 1
    at: TimeOfDay = "06:00"
    timezone: Annotated[str, AfterValidator(_zone)] | None = None
