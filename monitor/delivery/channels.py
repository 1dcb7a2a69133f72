"""The channels and the courier that the settings ask for, put together."""

from __future__ import annotations

from collections.abc import Callable

from monitor.core.faults import Call
from monitor.core.layout import Line
from monitor.core.moments import Moment, seconds
from monitor.delivery.alertmanager import Alertmanager
from monitor.delivery.attention import Attention
from monitor.delivery.channel import Channel
from monitor.delivery.courier import Courier, Ways
from monitor.delivery.mail import Mail
from monitor.delivery.mqtt import AlertTopic
from monitor.delivery.records import OnDisk, Records
from monitor.delivery.services import Services
from monitor.delivery.sheet import sheet
from monitor.delivery.webhook import Webhook
from monitor.settings import Broker
from monitor.settings.delivery import DeliverySettings
from monitor.store import Store

MQTT = "mqtt"
"""The name of the channel to the broker of the feed."""

TRIAL = "Trial: the monitor is being tried out."


def courier(
    settings: DeliverySettings,
    *,
    broker: Broker,
    client_id: str,
    monitor: str,
    line: Line,
    store: Store,
    on_disk: OnDisk,
    now: Callable[[], Moment],
    attention: Attention,
    standing: Callable[[tuple[str, ...]], int] = lambda _: 0,
    told: Callable[[Call, str], None] = lambda _call, _why: None,
    join_wait_s: float = 20.0,
    rehearsal: bool = False,
) -> Courier:
    """The courier with every channel of *settings*.

    Args:
        settings: the table `[delivery]`.
        broker: of the feed, where alerts are published too.
        client_id: of the monitor at the broker; its alerts go under another.
        monitor: its id.
        line: the line file.
        store: where the outbox is.
        on_disk: does work in the thread that uses the store.
        now: the daemon's clock.
        attention: what people did.
        standing: how many trains stand before or in what a fault covers.
        told: hears of each call, and why nobody is called, or "".
        join_wait_s: so long what may be one of several of a cause waits.
        rehearsal: nothing goes anywhere.

    Raises:
        NotInstalled: a service is set, and the library it needs is not there.
    """
    records = Records(store, on_disk)

    async def sheet_of(call: Call) -> str:
        found = await records.fault(call.fault)
        if found is None:
            return ""
        fault, alerts = found
        mark = TRIAL if settings.trial else ""
        return sheet(
            fault,
            alerts,
            line,
            made=now(),
            monitor=monitor,
            standing=call.standing,
            mark=mark,
        )

    channels: dict[str, Channel] = {}
    timeouts: dict[str, float] = {}
    if settings.mqtt.on:
        timeouts[MQTT] = settings.mqtt.timeout_s
        channels[MQTT] = AlertTopic(
            broker,
            client_id=f"{client_id}-alerts",
            monitor=monitor,
            timeout_s=settings.mqtt.timeout_s,
        )
    for name, one in settings.alertmanager.items():
        timeouts[name] = one.timeout_s
        channels[name] = Alertmanager(
            name,
            one,
            monitor=monitor,
            line=line,
            records=records,
            attention=attention,
            now=now,
        )
    for name, hook in settings.webhook.items():
        timeouts[name] = hook.timeout_s
        channels[name] = Webhook(hook, monitor)
    for name, box in settings.mail.items():
        timeouts[name] = box.timeout_s
        channels[name] = Mail(box, monitor=monitor, sheet=sheet_of, now=now)
    for name, service in settings.service.items():
        timeouts[name] = service.timeout_s
        channels[name] = Services(service)
    return Courier(
        store,
        channels,
        settings.routes(line.zone),
        line=line,
        on_disk=on_disk,
        now=now,
        attention=attention,
        standing=standing,
        told=told,
        ways=Ways(
            trial=settings.trial,
            rehearsal=rehearsal,
            join_wait=seconds(join_wait_s),
            late=seconds(settings.late_s),
            retry_s=settings.retry_s,
            longest_retry_s=settings.longest_retry_s,
            timeout_s=timeouts,
        ),
    )
