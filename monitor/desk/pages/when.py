"""Times as a browser's field has them: of the line's own zone, to the second."""

from __future__ import annotations

from datetime import datetime, tzinfo

from monitor.core.moments import Moment, as_datetime, from_datetime, parse


def local(moment: Moment, zone: tzinfo) -> str:
    """*moment* as it goes into such a field.

    Example:
        >>> from zoneinfo import ZoneInfo
        >>> local(parse("2026-05-04T00:11:09.412Z"), ZoneInfo("Europe/Berlin"))
        '2026-05-04T02:11:09'
    """
    return f"{as_datetime(moment).astimezone(zone):%Y-%m-%dT%H:%M:%S}"


def read_local(text: str, zone: tzinfo) -> Moment:
    """The moment in *text*, out of such a field or as RFC 3339 has it; of an hour that is there twice the first.

    Raises:
        ValueError: it is neither.

    Example:
        >>> from zoneinfo import ZoneInfo
        >>> berlin = ZoneInfo("Europe/Berlin")
        >>> read_local("2026-05-04T02:11:09", berlin) == parse("2026-05-04T00:11:09Z")
        True
        >>> read_local("2026-05-04T02:11:09Z", berlin) == parse("2026-05-04T02:11:09Z")
        True
    """
    try:
        return parse(text)
    except ValueError as error:
        try:
            naive = datetime.fromisoformat(text)
        except ValueError:
            raise error from None
        if naive.tzinfo is not None:
            raise
        return parse(as_datetime(from_datetime(naive.replace(tzinfo=zone))).isoformat())
