"""What is left out of what is handed on: secrets always, names of people where roles are to stand for them.

Whatever was changed so is said: its words can no longer be held against the journal.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any
from urllib.parse import urlsplit

from monitor.core.moments import parse

LEFT_OUT = "(left out)"
NOBODY = frozenset({"", "unnamed"})
"""What stands where nobody said who they are."""

SOMEBODY = "somebody"
"""The role of whoever is in no file of people any more."""

_NAMED = frozenset({"by", "to", "who"})
"""Under which somebody is named in what people did."""

_ADDRESSES = frozenset({"sender", "to", "username"})
"""Settings that hold a person's address, or may."""


def names_in(payload: bytes) -> Iterator[str]:
    """The people named in what the journal kept: who did it, to whom a desk was handed over, who went.

    Example:
        >>> list(
        ...     names_in(
        ...         b'{"type":"tallywatch.desk.act","data":{"by":"Bo","to":"Ada"}}'
        ...     )
        ... )
        ['Bo', 'Ada']
        >>> list(names_in(b'{"data":{"to":"2026-05-04T12:00:00Z"}}'))
        []
        >>> list(names_in(b"no json"))
        []
    """
    try:
        event = json.loads(payload)
    except ValueError:
        return
    if isinstance(event, dict):
        yield from _named(event.get("data"))


def _named(value: Any) -> Iterator[str]:
    match value:
        case dict():
            for key, one in value.items():
                if key in _NAMED and isinstance(one, str):
                    if not _is_time(one):
                        yield one
                else:
                    yield from _named(one)
        case list():
            for one in value:
                yield from _named(one)


def _is_time(text: str) -> bool:
    try:
        parse(text)
    except ValueError:
        return False
    return True


class Withheld:
    """Leaves names out of texts.

    Args:
        roles: of people, by name; None: names stay.
        order: who comes first, second, ...; whoever is not in it comes after.

    Example:
        >>> withheld = Withheld({"A. Moor": "act", "Bo": "look"}, ["Bo"])
        >>> withheld.text("a. moor told Bo; Bob did not hear")
        'person 2 (act) told person 1 (look); Bob did not hear'
        >>> withheld.payload(b'{"by":"Bo","n":[1,"Bo"]}')
        b'{"by":"person 1 (look)","n":[1,"person 1 (look)"]}'
    """

    def __init__(
        self, roles: Mapping[str, str] | None, order: Iterable[str] = ()
    ) -> None:
        self._stands: dict[str, str] = {}
        self._names: re.Pattern[str] | None = None
        if roles is None:
            return
        known = {name.casefold(): role for name, role in roles.items()}
        named = [one for one in order if one not in NOBODY]
        for name in dict.fromkeys(one.casefold() for one in (*named, *sorted(known))):
            number = len(self._stands) + 1
            self._stands[name] = f"person {number} ({known.get(name, SOMEBODY)})"
        if self._stands:
            longest = sorted(self._stands, key=lambda name: (-len(name), name))
            words = "|".join(map(re.escape, longest))
            self._names = re.compile(rf"(?<!\w)(?:{words})(?!\w)", re.IGNORECASE)

    @property
    def leaves_names_out(self) -> bool:
        """Whether roles stand for names."""
        return self._names is not None

    def text(self, text: str) -> str:
        """*text* with roles in place of names."""
        if self._names is None:
            return text
        return self._names.sub(lambda found: self._stands[found[0].casefold()], text)

    def value(self, value: Any) -> Any:
        """A JSON value with roles in place of names in all its texts."""
        return value if self._names is None else _through(value, self.text)

    def payload(self, payload: bytes) -> bytes:
        """What was journaled, with roles in place of names; the same bytes where there are none in it."""
        if self._names is None:
            return payload
        try:
            value = json.loads(payload)
        except ValueError:
            text = payload.decode("utf-8", "surrogateescape")
            return self.text(text).encode("utf-8", "surrogateescape")
        changed = self.value(value)
        if changed == value:
            return payload
        return json.dumps(changed, ensure_ascii=False, separators=(",", ":")).encode(
            "utf-8", "surrogatepass"
        )

    def settings(self, payload: bytes) -> bytes:
        """The text of settings without secrets, and without addresses of people where their names are left out.

        Example:
            >>> text = b'{"delivery": {"webhook": {"chat": {"url": "https://a.b/x?token=1"}}}}'
            >>> Withheld(None).settings(text) == text.replace(
            ...     b"/x?token=1", b"/(left out)"
            ... )
            True
        """
        try:
            tables = json.loads(payload)
        except ValueError:
            return LEFT_OUT.encode()
        changed = self._settings(tables)
        if changed == tables:
            return payload
        text = json.dumps(changed, ensure_ascii=False, sort_keys=True, indent=1)
        return text.encode() if b"\n" in payload else json.dumps(changed).encode()

    def _settings(self, value: Any, name: str = "") -> Any:
        match value:
            case dict():
                return {key: self._settings(one, key) for key, one in value.items()}
            case list():
                return [self._settings(one, name) for one in value]
            case str() if name in {"password", "token", "secret"}:
                return LEFT_OUT
            case str() if name == "url":
                return _host_alone(value)
            case str() if self.leaves_names_out and name in _ADDRESSES:
                return LEFT_OUT
            case str():
                return self.text(value)
        return value


def _host_alone(url: str) -> str:
    """An address without what may let somebody in.

    Example:
        >>> _host_alone("mqtts://broker.example:8883")
        'mqtts://broker.example:8883'
        >>> _host_alone("https://hooks.example/T01/secret")
        'https://hooks.example/(left out)'
    """
    try:
        parts = urlsplit(url)
        host = parts.netloc.rpartition("@")[2]
    except ValueError:
        return LEFT_OUT
    rest = parts.path.strip("/") or parts.query or parts.fragment or "@" in parts.netloc
    return f"{parts.scheme}://{host}/{LEFT_OUT}" if rest else url


def _through(value: Any, change: Callable[[str], str]) -> Any:
    match value:
        case dict():
            return {key: _through(one, change) for key, one in value.items()}
        case list():
            return [_through(one, change) for one in value]
        case str():
            return change(value)
    return value
