"""Every setting: a TOML file, environment variables over it, files of their own for secrets.

A variable is named like the setting, in capitals, with `TALLYWATCH_` before and two underscores for each table: `TALLYWATCH_BROKER__URL`.
What is wrong is told at once, all of it, one line each, before anything starts.
Secrets are never shown: the broker's password comes from a file or from the environment, and no text of settings holds it.
"""

from __future__ import annotations

import json
import os
import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal
from urllib.parse import SplitResult, urlsplit

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    SecretStr,
    ValidationError,
    model_validator,
)
from pydantic_settings import (
    BaseSettings,
    InitSettingsSource,
    PydanticBaseSettingsSource,
    SettingsConfigDict,
)

from monitor.core.layout import Line
from monitor.core.tuning import Detection, DetectionFault
from monitor.settings.delivery import DeliverySettings
from monitor.settings.desk import DeskSettings
from monitor.settings.files import ReadableFile
from monitor.settings.planner import MonthlySettings

PREFIX = "TALLYWATCH_"
PORTS = {"mqtt": 1883, "mqtts": 8883}
"""Those registered for MQTT, without and with TLS."""


class SettingsFault(Exception):
    """Settings are wrong.

    Attributes:
        faults: every fault, one line each.
    """

    def __init__(self, faults: tuple[str, ...]) -> None:
        super().__init__("; ".join(faults))
        self.faults = faults


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """Where a broker listens.

    Args:
        host: its name or address.
        port: its port.
        tls: the connection is encrypted, and the broker's certificate checked.
    """

    host: str
    port: int
    tls: bool


def read_url(url: str) -> Address:
    """The address in `mqtt://host:port` or `mqtts://host:port`.

    Raises:
        ValueError: it is no such URL; the text says what is wrong.

    Example:
        >>> read_url("mqtts://broker.example")
        Address(host='broker.example', port=8883, tls=True)
    """
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError as error:
        raise ValueError(f"{url!r} is no URL: {error}") from None
    if parts.scheme not in PORTS or not parts.hostname:
        raise ValueError("expected mqtt://host:port or mqtts://host:port")
    if parts.username is not None or parts.password is not None:
        raise ValueError("holds a user; put it into username and password_file")
    if _goes_on(parts):
        raise ValueError("goes on after the port; topics are set by subscribe")
    if port == 0:
        raise ValueError("the port is between 1 and 65535")
    return Address(
        host=parts.hostname,
        port=port if port is not None else PORTS[parts.scheme],
        tls=parts.scheme == "mqtts",
    )


def _goes_on(parts: SplitResult) -> bool:
    return parts.path not in ("", "/") or bool(parts.query or parts.fragment)


def _url(value: str) -> str:
    read_url(value)
    return value


def _topic(value: str) -> str:
    if "\0" in value or re.search(r"[^/]#|#.|[^/]\+|\+[^/]", value):
        raise ValueError(
            "in a topic filter + stands for one level, # for all that follow"
        )
    return value


_STRICT = ConfigDict(extra="forbid", frozen=True)


class Broker(BaseModel):
    """Where the feed comes from."""

    model_config = _STRICT

    url: Annotated[str, AfterValidator(_url)] = "mqtt://127.0.0.1:1883"
    client_id: Annotated[str, Field(min_length=1, max_length=128)] | None = None
    username: Annotated[str, Field(min_length=1)] | None = None
    password: SecretStr | None = None
    password_file: ReadableFile | None = None
    ca_file: ReadableFile | None = None
    cert_file: ReadableFile | None = None
    key_file: ReadableFile | None = None
    subscribe: Annotated[str, Field(min_length=1), AfterValidator(_topic)] | None = None
    protocol: Literal["5", "3.1.1"] = "5"
    session_h: Annotated[float, Field(gt=0, le=24 * 365)] = 168.0
    keepalive_s: Annotated[int, Field(ge=5, le=3600)] = 30
    in_flight: Annotated[int, Field(ge=1, le=65535)] = 1000

    @model_validator(mode="after")
    def _together(self) -> Broker:
        secret = self.password is not None or self.password_file is not None
        if secret and self.username is None:
            raise ValueError("there is a password but no username")
        if self.password is not None and self.password_file is not None:
            raise ValueError("password and password_file: only one of them")
        if self.key_file is not None and self.cert_file is None:
            raise ValueError("there is a key_file but no cert_file")
        certificates = self.ca_file is not None or self.cert_file is not None
        if certificates and not self.address.tls:
            raise ValueError("certificates are only for mqtts:// in url")
        return self

    @property
    def address(self) -> Address:
        """Where it listens."""
        return read_url(self.url)

    def secret(self) -> str | None:
        """The password, read anew each time, so that it can be changed without a restart.

        Raises:
            OSError: its file cannot be read.
        """
        if self.password is not None:
            return self.password.get_secret_value()
        if self.password_file is not None:
            return self.password_file.read_text(encoding="utf-8").rstrip("\r\n")
        return None


class Files(BaseModel):
    """Where the monitor writes; relative to where it was started."""

    model_config = _STRICT

    journal: Path = Path("journal.sqlite")
    alerts: Path = Path("alerts.sqlite")
    history: Path = Path("history.sqlite")

    @model_validator(mode="after")
    def _apart(self) -> Files:
        if len({self.journal, self.alerts, self.history}) < 3:
            raise ValueError("journal, alerts and history are three files")
        return self


class Listen(BaseModel):
    """Where Prometheus reads the metrics."""

    model_config = _STRICT

    host: Annotated[str, Field(min_length=1)] = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 9108


class Log(BaseModel):
    """What is logged, to stderr, one JSON object a line."""

    model_config = _STRICT

    level: Literal["debug", "info", "warning", "error"] = "info"


Values = dict[str, Any]


class Settings(BaseSettings):
    """All settings; `read` makes them.

    Args:
        monitor: this monitor's id, in its topics and records; another for each monitor of a feed.
        broker: where the feed comes from.
        files: where the monitor writes.
        metrics: where Prometheus reads.
        desk: where people are answered, and who.
        delivery: who and what is told.
        monthly: the period report by mail; None: none is sent.
        log: what is logged.
        words: durations shared by all detections.
        detect: settings of detections, by kind.
        section: the same for one section, by section, then by kind.
    """

    model_config = SettingsConfigDict(
        env_prefix=PREFIX,
        env_nested_delimiter="__",
        extra="forbid",
        frozen=True,
        case_sensitive=False,
    )

    monitor: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")] = (
        "monitor-1"
    )
    broker: Broker = Broker()
    files: Files = Files()
    metrics: Listen = Listen()
    desk: DeskSettings = DeskSettings()
    delivery: DeliverySettings = DeliverySettings()
    monthly: MonthlySettings | None = None
    log: Log = Log()
    words: Values = {}
    detect: dict[str, Values] = {}
    section: dict[str, dict[str, Values]] = {}

    @property
    def detection(self) -> Detection:
        """Every number that conclusions depend on.

        Raises:
            DetectionFault: some are wrong; never for settings that `read` gave.
        """
        return Detection.of(self.words, self.detect, self.section)

    @property
    def client_id(self) -> str:
        """The name under which the broker keeps the monitor's session."""
        return self.broker.client_id or f"tallywatch-{self.monitor}"

    def certificates(self) -> tuple[Path, ...]:
        """The files of certificates in use: a day comes on which each is no longer valid."""
        delivery = self.delivery
        channels = (delivery.alertmanager, delivery.webhook, delivery.mail)
        named = [
            self.broker.ca_file,
            self.broker.cert_file,
            self.desk.cert_file,
            *(one.ca_file for table in channels for one in table.values()),
        ]
        return tuple(dict.fromkeys(path for path in named if path is not None))

    def text(self) -> str:
        """All settings in force as JSON, to be kept with the journal; without secrets.

        The numbers of detections stand in it in full: a later version may have other defaults.
        """
        values = self.model_dump(mode="json", exclude={"broker": {"password"}})
        values |= self.detection.numbers()
        return json.dumps(values, ensure_ascii=False, sort_keys=True, indent=1)


def read(path: Path | None = None, **over: Any) -> Settings:
    """The settings of the file at *path*, under those of the environment, under *over*.

    *over*: tables of settings that hold whatever else is said, as `broker={"url": ...}`.

    Raises:
        SettingsFault: with everything that is wrong.
        OSError: the file cannot be read.
    """
    faults: list[str] = []
    values: Values = {}
    name = path.name if path is not None else "settings"
    if path is not None:
        values = _parse(path, faults)

    class _Read(Settings):
        @classmethod
        def settings_customise_sources(
            cls,
            settings_cls: type[BaseSettings],
            init_settings: PydanticBaseSettingsSource,
            env_settings: PydanticBaseSettingsSource,
            dotenv_settings: PydanticBaseSettingsSource,
            file_secret_settings: PydanticBaseSettingsSource,
        ) -> tuple[PydanticBaseSettingsSource, ...]:
            del dotenv_settings, file_secret_settings
            from_file = InitSettingsSource(settings_cls, init_kwargs=values)
            return init_settings, env_settings, from_file

    settings: Settings | None = None
    try:
        settings = _Read(**over)
    except ValidationError as error:
        faults += [_told(name, fault) for fault in error.errors()]
    except ValueError as error:
        # A table in the environment that is no JSON.
        faults.append(f"environment: {_first_line(str(error))}")
    faults += _detection_faults(name, settings, values)
    if faults or settings is None:
        raise SettingsFault(tuple(faults))
    return settings


def unknown_places(settings: Settings, line: Line) -> tuple[str, ...]:
    """The faults of settings for sections and areas that the line file lacks, one line each."""
    areas = {section.area for section in line.sections.values()}
    named = [("desk.position", one.areas) for one in settings.desk.position]
    named += [("delivery.route", one.areas) for one in settings.delivery.route]
    return (
        *(
            f"settings: [section.{name}]: the line file has no such section"
            for name in settings.section
            if name not in line.sections
        ),
        *(
            f"settings: [[{table}]]: the line file has no area {area}"
            for table, found in named
            for area in found
            if area not in areas
        ),
    )


def _parse(path: Path, faults: list[str]) -> Values:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except UnicodeDecodeError as error:
        faults.append(f"{path.name}: byte {error.start} is no UTF-8")
    except tomllib.TOMLDecodeError as error:
        faults.append(f"{path.name}: {_first_line(str(error))}")
    return {}


def _detection_faults(
    name: str, settings: Settings | None, values: Values
) -> list[str]:
    """What is wrong with the numbers of detections; also where other settings are wrong too."""
    parts: list[Any] = [
        values.get(part, {}) if settings is None else getattr(settings, part)
        for part in ("words", "detect", "section")
    ]
    if not _are_tables(parts):
        return []  # that was told already
    try:
        Detection.of(*parts)
    except DetectionFault as fault:
        return [f"{name}: {one}" for one in fault.faults]
    return []


def _are_tables(parts: list[Any]) -> bool:
    words, detect, section = parts
    return (
        isinstance(words, dict)
        and _holds_tables(detect)
        and _holds_tables(section)
        and all(map(_holds_tables, section.values()))
    )


def _holds_tables(value: Any) -> bool:
    return isinstance(value, dict) and all(isinstance(v, dict) for v in value.values())


def _told(name: str, error: Any) -> str:
    """One fault as a line: where it stands, and what was expected."""
    place = [str(part) for part in error["loc"]]
    said = str(error["msg"]).removeprefix("Value error, ")
    if error["type"] == "extra_forbidden":
        said = "there is no such setting"
    elif error["type"] != "value_error" and not _secret(place):
        said = f"{_lower(said)}, came {error['input']!r}"
    variable = PREFIX + "__".join(place).upper()
    if any(variable == one.upper() for one in os.environ):
        return f"environment: {variable}: {said}"
    table, last = ".".join(place[:-1]), place[-1] if place else ""
    where = f"[{table}] {last}" if table else last
    if len(place) == 1 and isinstance(error["input"], dict | BaseModel):
        where = f"[{last}]"
    return _one_line(f"{name}: {where}: {said}")


def _secret(place: list[str]) -> bool:
    return place[-1:] == ["password"]


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]


def _first_line(text: str) -> str:
    return text.splitlines()[0] if text else text


def _one_line(text: str) -> str:
    printable = "".join(c if c.isprintable() else "?" for c in text)
    return printable if len(printable) <= 300 else printable[:297] + "..."
