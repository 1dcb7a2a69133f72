"""The table `[delivery]`: which channels there are, who is called over which, and what is not sent on trial.

Every channel has a name, by which routes and metrics know it: `[delivery.mail.desk]` is the mail channel `desk`.
Nothing is sent anywhere until a channel is named.
Secrets are in files of their own, read anew each time.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import tzinfo
from pathlib import Path
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    model_validator,
)

from monitor.core.detector import Priority
from monitor.core.moments import seconds
from monitor.routes import Route, Routes, read_hours, unknown
from monitor.settings.files import ReadableFile

_STRICT = ConfigDict(extra="forbid", frozen=True)

CHANNEL = r"^[a-z0-9][a-z0-9_-]{0,31}$"


def _http(url: str) -> str:
    try:
        parts = urlsplit(url)
        _ = parts.port
    except ValueError as error:
        raise ValueError(f"no URL: {error}") from None
    if parts.scheme not in {"http", "https"} or not parts.hostname:
        raise ValueError("expected http://… or https://…")
    if parts.username is not None or parts.password is not None:
        raise ValueError("holds a user; put secrets into secret_file or token_file")
    return url


def _hours(text: str) -> str:
    read_hours(text)
    return text


def _mailbox(text: str) -> str:
    name, at, host = text.rpartition("@")
    if (
        not (at and name and host)
        or not text.isprintable()
        or set(text) & set(' ,;<>"')
    ):
        raise ValueError(f"{text!r} is no mail address")
    return text


HttpUrl = Annotated[str, AfterValidator(_http)]
Mailbox = Annotated[str, AfterValidator(_mailbox)]
Name = Annotated[str, Field(pattern=CHANNEL)]
Timeout = Annotated[float, Field(gt=0, le=300)]
Told = Literal["alerts", "faults", "calls"]


def secret(path: Path) -> str:
    """What is in a secret's file, without its line end.

    Raises:
        OSError: it cannot be read.
    """
    return path.read_text(encoding="utf-8").rstrip("\r\n")


class AlertmanagerSettings(BaseModel):
    """An Alertmanager (API v2).

    Args:
        url: where it is, without `/api/v2/alerts`.
        token_file: holds a bearer token.
        ca_file: by which its certificate is checked, instead of the system's.
        priorities: of the alerts that it is told; by default those for which somebody is needed now.
        resend_s: how often what still holds is told again.
        valid_s: for how long what was told holds without being told again; longer than two rounds, so that one that fails ends nothing.
    """

    model_config = _STRICT

    url: HttpUrl
    token_file: ReadableFile | None = None
    ca_file: ReadableFile | None = None
    priorities: tuple[Priority, ...] = ("urgent", "prompt")
    resend_s: Annotated[float, Field(ge=1, le=3600)] = 60.0
    valid_s: Annotated[float, Field(ge=3, le=24 * 3600)] = 600.0
    timeout_s: Timeout = 10.0

    @model_validator(mode="after")
    def _in_time(self) -> AlertmanagerSettings:
        if self.valid_s < 2 * self.resend_s:
            raise ValueError("valid_s is at least twice resend_s")
        return self


class WebhookSettings(BaseModel):
    """A program that takes each change as a POST.

    Args:
        url: where to.
        send: what.
        secret_file: holds a secret by which each body is signed.
        token_file: holds a bearer token.
        ca_file: by which its certificate is checked, instead of the system's.
    """

    model_config = _STRICT

    url: HttpUrl
    send: Annotated[tuple[Told, ...], Field(min_length=1)] = ("alerts", "calls")
    secret_file: ReadableFile | None = None
    token_file: ReadableFile | None = None
    ca_file: ReadableFile | None = None
    timeout_s: Timeout = 10.0


class MailSettings(BaseModel):
    """Mail of a call, with its fault sheet.

    Args:
        host: the mail server.
        port: its port; left out: that of how it is encrypted.
        tls: encrypted from the start, after STARTTLS, or not at all.
        username: where the server wants one.
        password_file: holds its password.
        ca_file: by which its certificate is checked, instead of the system's.
        sender: from whom.
        to: to whom.
    """

    model_config = _STRICT

    host: Annotated[str, Field(min_length=1, max_length=255)]
    port: Annotated[int, Field(ge=1, le=65535)] | None = None
    tls: Literal["always", "starttls", "never"] = "starttls"
    username: Annotated[str, Field(min_length=1)] | None = None
    password_file: ReadableFile | None = None
    ca_file: ReadableFile | None = None
    sender: Mailbox
    to: Annotated[tuple[Mailbox, ...], Field(min_length=1)]
    timeout_s: Timeout = 30.0

    @model_validator(mode="after")
    def _together(self) -> MailSettings:
        if self.password_file is not None and self.username is None:
            raise ValueError("there is a password_file but no username")
        if self.username is not None and self.tls == "never":
            raise ValueError("a password is not sent in the open: set tls")
        return self


class ServiceSettings(BaseModel):
    """Other services, by the addresses that the apprise library knows.

    Args:
        urls_file: holds them, one a line; they hold secrets.
    """

    model_config = _STRICT

    urls_file: ReadableFile
    timeout_s: Timeout = 30.0


class MqttSettings(BaseModel):
    """Alerts on the broker of the feed, each retained under a topic of its own.

    Args:
        on: whether at all.
    """

    model_config = _STRICT

    on: bool = True
    timeout_s: Timeout = 10.0


class RouteSettings(BaseModel):
    """Where calls of some sort go.

    Args:
        steps: names of channels, step by step: each further step goes where nobody has seen the call.
        priorities: of which; none: any.
        areas: in which; none: any.
        kinds: of which; none: any.
        hours: in the line's timezone, `22:00-06:00`; left out: all day.
    """

    model_config = _STRICT

    steps: Annotated[
        tuple[Annotated[tuple[Name, ...], Field(min_length=1)], ...],
        Field(min_length=1),
    ]
    priorities: tuple[Literal["urgent", "prompt"], ...] = ()
    areas: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()
    hours: Annotated[str, AfterValidator(_hours)] | None = None

    def route(self) -> Route:
        """As the courier uses it."""
        return Route(
            steps=self.steps,
            priorities=frozenset(self.priorities),
            areas=frozenset(self.areas),
            kinds=frozenset(self.kinds),
            hours=None if self.hours is None else read_hours(self.hours),
        )


class DeliverySettings(BaseModel):
    """Who and what is told.

    Args:
        trial: everything is recorded and shown, and nothing calls; a count says what would have.
        urgent_s: after so long without being seen the next step of an urgent call.
        prompt_s: the same for a prompt one.
        late_s: a call that comes into the outbox so long after it was due is not made where its fault is over by then.
        retry_s: the first wait after a channel failed; each further one is twice as long.
        longest_retry_s: the longest.
        route: in their order; the first that fits is taken.
        mqtt: alerts on the broker of the feed.
        alertmanager: by name.
        webhook: by name.
        mail: by name.
        service: by name.
    """

    model_config = _STRICT

    trial: bool = False
    urgent_s: Annotated[float, Field(gt=0, le=24 * 3600)] = 60.0
    prompt_s: Annotated[float, Field(gt=0, le=24 * 3600)] = 300.0
    late_s: Annotated[float, Field(gt=0, le=7 * 24 * 3600)] = 3600.0
    retry_s: Annotated[float, Field(gt=0, le=60)] = 1.0
    longest_retry_s: Annotated[float, Field(gt=0, le=3600)] = 60.0
    route: tuple[RouteSettings, ...] = ()
    mqtt: MqttSettings = MqttSettings()
    alertmanager: dict[Name, AlertmanagerSettings] = {}
    webhook: dict[Name, WebhookSettings] = {}
    mail: dict[Name, MailSettings] = {}
    service: dict[Name, ServiceSettings] = {}

    @model_validator(mode="after")
    def _known(self) -> DeliverySettings:
        if self.longest_retry_s < self.retry_s:
            raise ValueError("longest_retry_s is not shorter than retry_s")
        names = list(self._names())
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"channels with the same name: {', '.join(twice)}")
        if "mqtt" in names:
            raise ValueError("mqtt is the name of the broker's own channel")
        routes = [one.route() for one in self.route]
        missing = unknown(routes, self.calling)
        if missing:
            raise ValueError(
                f"a route names what is no channel for calls: {', '.join(missing)}"
            )
        return self

    def _names(self) -> Iterator[str]:
        for table in (self.alertmanager, self.webhook, self.mail, self.service):
            yield from table

    @property
    def calling(self) -> tuple[str, ...]:
        """The names of the channels that take calls."""
        hooks = (name for name, one in self.webhook.items() if "calls" in one.send)
        return (*self.mail, *self.service, *hooks)

    def routes(self, zone: tzinfo) -> Routes:
        """The routes as the courier uses them, in the timezone of the line."""
        return Routes(
            routes=tuple(one.route() for one in self.route),
            channels=self.calling,
            zone=zone,
            urgent=seconds(self.urgent_s),
            prompt=seconds(self.prompt_s),
        )
