"""The table `[desk]`: where people are answered, who may ask, and what is refused before anything listens.

Out of the box only this machine is answered, and who asks from it may look.
An address that others can reach is refused unless what is said there is encrypted, by a certificate here or by a proxy that is declared, and everybody has to say who they are.
"""

from __future__ import annotations

from ipaddress import IPv4Address, IPv6Address, ip_address
from pathlib import Path
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    IPvAnyNetwork,
    model_validator,
)

from monitor.settings.files import ReadableFile

LOOPBACK_NAMES = ("localhost", "127.0.0.1", "[::1]")
"""What this machine calls itself; any other name in a question is somebody else's page trying."""


def _line(text: str) -> str:
    if not text.isprintable() or text != text.strip():
        raise ValueError("is one line, with no space around it")
    return text


def read_address(text: str) -> IPv4Address | IPv6Address | None:
    """The address in *text*, or None; one of IPv4 is one, also where a socket for both writes it as IPv6.

    Example:
        >>> read_address("::ffff:192.0.2.3")
        IPv4Address('192.0.2.3')
    """
    try:
        address = ip_address(text)
    except ValueError:
        return None
    if isinstance(address, IPv6Address) and address.ipv4_mapped is not None:
        return address.ipv4_mapped
    return address


TimeOfDay = Annotated[str, Field(pattern=r"^([01]\d|2[0-3]):[0-5]\d$")]
HeaderName = Annotated[str, Field(pattern=r"^[A-Za-z][A-Za-z0-9-]{0,63}$")]
HostName = Annotated[str, Field(pattern=r"^[A-Za-z0-9.\[\]:-]{1,255}$")]


class PositionSettings(BaseModel):
    """A desk at which somebody sits.

    Args:
        name: as people say it.
        areas: that it looks after; none: all.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: Annotated[str, Field(min_length=1, max_length=64), AfterValidator(_line)]
    areas: tuple[str, ...] = ()


class DeskSettings(BaseModel):
    """Where people are answered, and who.

    Args:
        on: whether at all.
        host: the address that is listened on.
        port: its port; 0 takes any that nobody else has.
        names: by which names people call it, as a browser shows them without the port; this machine's own are always taken.
        cert_file: with it everything is encrypted.
        key_file: of that certificate, where it is not in the same file.
        people_file: who may do what; `tallywatch people` writes it.
        unnamed: what those may do who did not say who they are.
        trusted_proxies: addresses whose word counts for who asks, from where, and that it was encrypted.
        identity_header: the header in which such a proxy names who asks; it must take away any that came with the question.
        session_h: so long after logging in one has to again.
        longest_shelf_h: for so long something is shelved at most, and then calls again by itself (MaxTimeShelved of OPC 10000-9).
        readers: so many may follow the stream of events at once.
        shifts: when they begin, in the line's local time.
        position: the desks at which people sit; none: one called `desk`, which looks after everything.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    on: bool = True
    host: Annotated[str, Field(min_length=1, max_length=255)] = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 9109
    names: tuple[HostName, ...] = ()
    cert_file: ReadableFile | None = None
    key_file: ReadableFile | None = None
    people_file: Path = Path("people.json")
    unnamed: Literal["nothing", "look", "act"] = "look"
    trusted_proxies: tuple[IPvAnyNetwork, ...] = ()
    identity_header: HeaderName | None = None
    session_h: Annotated[float, Field(gt=0, le=24 * 7)] = 13.0
    longest_shelf_h: Annotated[float, Field(gt=0, le=24 * 31)] = 24.0
    readers: Annotated[int, Field(ge=1, le=10_000)] = 200
    shifts: tuple[TimeOfDay, ...] = ("06:00", "14:00", "22:00")
    position: tuple[PositionSettings, ...] = ()

    @model_validator(mode="after")
    def _together(self) -> DeskSettings:
        if self.key_file is not None and self.cert_file is None:
            raise ValueError("there is a key_file but no cert_file")
        if self.identity_header is not None and not self.trusted_proxies:
            raise ValueError(
                "identity_header says who asks, and anybody could send it: "
                "name the proxy in trusted_proxies"
            )
        if self.is_public:
            self._check_public()
        if not self.shifts:
            raise ValueError("no shift begins")
        if len(set(self.shifts)) < len(self.shifts):
            raise ValueError("two shifts begin at the same time")
        names = [one.name for one in self.position]
        if len(set(names)) < len(names):
            raise ValueError("two positions have the same name")
        return self

    def _check_public(self) -> None:
        if self.cert_file is None and not self.trusted_proxies:
            raise ValueError(
                f"{self.host} can be reached from other machines: "
                "set cert_file, or trusted_proxies where a proxy encrypts"
            )
        if self.unnamed != "nothing":
            raise ValueError(
                f"{self.host} can be reached from other machines: "
                'set unnamed = "nothing", so that everybody says who they are'
            )

    @property
    def is_public(self) -> bool:
        """Whether other machines can reach it."""
        if self.host == "localhost":
            return False
        address = read_address(self.host.strip("[]"))
        return address is None or not address.is_loopback  # a name may lead anywhere

    @property
    def tls(self) -> bool:
        """Whether it encrypts itself."""
        return self.cert_file is not None

    def is_trusted(self, address: str) -> bool:
        """Whether the word of who asks from *address* counts."""
        peer = read_address(address)
        return peer is not None and any(
            peer in network for network in self.trusted_proxies
        )
