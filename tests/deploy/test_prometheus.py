"""The files for Prometheus and Alertmanager, against their own checkers and a running daemon."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import certifi
import httpx
import pytest
import yaml
from typer.main import get_command

from monitor.cli import app
from monitor.daemon import Clock
from tests.live import event, publish, settings_of, until, watching
from tests.mosquitto import running

DEPLOYED = Path(__file__).parents[2] / "deploy/prometheus"
RULES = [
    rule
    for group in yaml.safe_load((DEPLOYED / "rules.yml").read_text())["groups"]
    for rule in group["rules"]
]
TESTED = [
    case
    for one in yaml.safe_load((DEPLOYED / "rules_test.yml").read_text())["tests"]
    for case in one["alert_rule_test"]
]
OF_PROMETHEUS = {"up"}
"""What it knows of whatever it scrapes."""


def called(*words):
    """What a program says, which must be content."""
    done = subprocess.run(
        words, cwd=DEPLOYED, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.servers
def test_prometheus_takes_its_files():
    """Prometheus's own checker takes the scrape example with its rules, and each rule does as its tests say."""
    assert "SUCCESS" in called("promtool", "check", "config", "prometheus.yml")
    assert "SUCCESS" in called("promtool", "test", "rules", "rules_test.yml")


@pytest.mark.servers
def test_alertmanager_takes_its_file():
    """Alertmanager's own checker takes the example."""
    assert "SUCCESS" in called("amtool", "check-config", "alertmanager.yml")


@pytest.mark.parametrize("name", [rule["alert"] for rule in RULES])
def test_each_rule_is_seen_to_fire_and_to_keep_quiet(name):
    """Each rule has a test in which it fires, and one in which it must not."""
    fires = {bool(case["exp_alerts"]) for case in TESTED if case["alertname"] == name}

    assert fires == {True, False}


@pytest.mark.parametrize("rule", [pytest.param(r, id=r["alert"]) for r in RULES])
def test_each_rule_says_how_soon_and_what_to_do(rule):
    """Each rule has a severity of the words that alerts have, names its monitor, and says what to look at."""
    assert rule["labels"]["severity"] in {"urgent", "prompt", "planned"}
    assert "$labels.instance" in rule["annotations"]["summary"]
    assert len(rule["annotations"]["description"]) > 40


@pytest.mark.parametrize("rule", [pytest.param(r, id=r["alert"]) for r in RULES])
def test_no_rule_sends_people_to_a_command_that_is_not_there(rule):
    """What a rule names as a command of ours is one, as its help lists them."""
    there = set(getattr(get_command(app), "commands", {}))
    said = " ".join(rule["annotations"].values())

    assert set(re.findall(r"\btallywatch ([a-z]+)", said)) <= there


def asked_for(expression):
    """The metrics that an expression asks for."""
    words = re.findall(r"[a-z_]+(?=[{\[ )]|$)(?!\s*\()", expression)
    known = {"sum", "by", "on", "and", "instance", "job", "le", "increase", "rate"}
    return {word for word in words if "_" in word or word == "up"} - known


@pytest.mark.broker
async def test_a_running_monitor_tells_what_the_rules_ask_for(tmp_path):
    """Every metric that a rule asks for is on the page of a daemon with a certificate, a channel, and a payload that was rejected."""
    delivery = {
        "webhook": {
            "desk": {"url": "http://127.0.0.1:9/", "ca_file": certifi.where()},
        }
    }
    with running(tmp_path / "broker") as broker:
        settings = settings_of(tmp_path, broker.url, delivery=delivery)
        async with watching(settings) as daemon:
            await until(lambda: daemon.counts.connected)
            one = event(1, "T1", "clear", Clock()())
            await publish(broker.url, one, payloads=(b"no event",))
            await until(lambda: daemon.counts.rejected and daemon.engine.watermark)
            await until(lambda: "desk" in daemon._courier.delivered())
            async with httpx.AsyncClient(trust_env=False) as client:
                page = (await client.get(daemon.metrics_at)).text
    told = set(re.findall(r"^([a-z_]+)[{ ]", page, re.MULTILINE)) | OF_PROMETHEUS

    asked = {rule["alert"]: asked_for(rule["expr"]) for rule in RULES}
    assert all(asked.values())
    assert {
        name: missing for name, one in asked.items() if (missing := one - told)
    } == {}


def grouped_by(labels):
    """By what an alert with such labels is grouped into a page: the first route that fits, as Alertmanager's documentation says."""
    route = yaml.safe_load((DEPLOYED / "alertmanager.yml").read_text())["route"]
    for one in route["routes"]:
        (matcher,) = one["matchers"]
        ((name, tested, value),) = re.findall(r'^(\w+)(=~?)"(.*)"$', matcher)
        told = labels.get(name, "")
        if told == value if tested == "=" else re.fullmatch(value, told):
            return one["group_by"]
    return route["group_by"]


@pytest.mark.parametrize("priority", ["urgent", "prompt"])
def test_one_fault_is_one_page(priority):
    """Nine alerts of one loose head are one page, whatever their kinds and areas; another fault is another."""
    told = {"alertname": "section-disturbed", "area": "a", "priority": priority}

    assert grouped_by(told) == ["monitor", "fault"]


def test_the_monitors_own_faults_are_no_faults_of_the_line():
    """A rule of Prometheus has no fault: each is a page of its own."""
    told = {"alertname": "MonitorGone", "severity": "urgent", "instance": "a"}

    assert grouped_by(told) == ["alertname", "instance"]
