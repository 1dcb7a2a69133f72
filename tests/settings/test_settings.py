from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from monitor.core.detector import Place
from monitor.settings import Address, SettingsFault, read, read_url, unknown_places

EXAMPLE = Path(__file__).parents[2] / "deploy/example/settings.toml"


@pytest.fixture(autouse=True)
def plain(monkeypatch):
    """An environment without settings."""
    for name in os.environ:
        if name.startswith("TALLYWATCH_"):
            monkeypatch.delenv(name)


@pytest.fixture
def written(tmp_path):
    """Writes a settings file."""

    def write(text):
        path = tmp_path / "settings.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def faults(path=None, **over):
    """What is said to be wrong."""
    with pytest.raises(SettingsFault) as caught:
        read(path, **over)
    return caught.value.faults


def test_nothing_must_be_set():
    """Every setting has a default, and everything listens on the loopback address."""
    settings = read()

    assert settings.broker.address == Address(host="127.0.0.1", port=1883, tls=False)
    assert settings.metrics.host == "127.0.0.1"
    assert settings.client_id == "tallywatch-monitor-1"


def test_the_example_is_read():
    """The example file has no fault."""
    assert read(EXAMPLE).detection == read().detection


def test_the_command_line_goes_before_the_environment_before_the_file(
    written, monkeypatch
):
    """What is nearer to the one who starts it holds."""
    path = written(
        'monitor = "file"\n[log]\nlevel = "error"\n[broker]\nkeepalive_s = 7'
    )
    monkeypatch.setenv("TALLYWATCH_MONITOR", "environment")
    monkeypatch.setenv("TALLYWATCH_BROKER__URL", "mqtt://environment")

    settings = read(path, broker={"url": "mqtt://over"})

    assert settings.monitor == "environment"
    assert settings.log.level == "error"
    assert settings.broker.url == "mqtt://over"
    assert settings.broker.keepalive_s == 7


def test_every_fault_is_told_at_once(written, monkeypatch):
    """Whoever mends a settings file need not come back for the next fault: each has its line, with where it is."""
    monkeypatch.setenv("TALLYWATCH_LOG__LEVEL", "loud")
    path = written(
        """
        monitor = "a b"
        colour = 1
        [broker]
        url = "http://x"
        subscribe = "tally/#/x"
        password_file = "/not/there"
        keepalive_s = "often"
        [files]
        journal = "a"
        alerts = "a"
        [metrics]
        port = 99999
        [words]
        skew_s = -1
        [detect.nonsense]
        x = 1
        [section.T1.long-occupation]
        normal_s = "long"
        """
    )

    told = faults(path)

    begins = [
        "settings.toml: monitor: ",
        "settings.toml: [broker] url: expected mqtt://host:port",
        "settings.toml: [broker] subscribe: ",
        "settings.toml: [broker] password_file: /not/there cannot be read",
        "settings.toml: [broker] keepalive_s: ",
        "settings.toml: [files]: journal, alerts and history are three files",
        "settings.toml: [metrics] port: ",
        "environment: TALLYWATCH_LOG__LEVEL: ",
        "settings.toml: colour: there is no such setting",
        "settings.toml: [words] skew_s: expected a number above nought, came -1",
        "settings.toml: [detect.nonsense]: there is no detection nonsense",
        "settings.toml: [section.T1.long-occupation] normal_s: expected a number",
    ]
    for begin in begins:
        assert [one for one in told if one.startswith(begin)], begin
    assert len(told) == len(begins)
    assert all("\n" not in one for one in told)


@pytest.mark.parametrize(
    "text", ["a = ", "[detect]\nx = 1", "words = 3", "monitor = 1"]
)
def test_what_has_the_wrong_shape_is_told(written, text):
    """Bad TOML, and tables that are none, are faults like any other."""
    assert len(faults(written(text))) >= 1


def test_a_file_that_is_no_text_is_told(tmp_path):
    """A file that is no UTF-8 is a fault that says where."""
    path = tmp_path / "settings.toml"
    path.write_bytes(b"monitor = '\xff'")

    assert faults(path) == ("settings.toml: byte 11 is no UTF-8",)


@pytest.mark.parametrize(
    ("url", "said"),
    [
        ("http://h", "expected mqtt://"),
        ("mqtt://", "expected mqtt://"),
        ("h:1883", "expected mqtt://"),
        ("mqtt://u:p@h", "holds a user"),
        ("mqtt://h/topic", "goes on after the port"),
        ("mqtt://h:0", "between 1 and 65535"),
        ("mqtt://h:70000", "is no URL"),
        ("mqtt://[::1", "is no URL"),
    ],
)
def test_a_url_that_is_none_is_refused(url, said):
    """A URL says a host and a port, and nothing that has its own setting."""
    with pytest.raises(ValueError, match=said):
        read_url(url)


def test_a_url_gives_host_port_and_whether_it_is_encrypted():
    """The ports are those registered for MQTT: 1883, and 8883 with TLS."""
    assert read_url("mqtt://h") == Address(host="h", port=1883, tls=False)
    assert read_url("mqtts://h/") == Address(host="h", port=8883, tls=True)
    assert read_url("mqtt://[::1]:5") == Address(host="::1", port=5, tls=False)


def test_the_password_comes_from_a_file_and_is_never_shown(tmp_path, monkeypatch):
    """No text of settings holds the password, wherever it comes from."""
    path = tmp_path / "password"
    path.write_text("sesame-1\n", encoding="utf-8")
    broker = {"username": "u", "password_file": str(path)}
    settings = read(broker=broker)
    assert settings.broker.secret() == "sesame-1"

    monkeypatch.setenv("TALLYWATCH_BROKER__PASSWORD", "sesame-2")
    from_environment = read(broker={"username": "u"})
    assert from_environment.broker.secret() == "sesame-2"
    for one in (settings, from_environment):
        assert "sesame" not in one.text()
        assert "sesame" not in repr(one)


def test_a_password_that_is_wrong_is_not_told():
    """A fault in the password's setting says nothing of its value."""
    assert "sesame" not in str(faults(broker={"username": "u", "password": ["sesame"]}))
    assert "sesame" not in str(faults(broker={"password": "sesame"}))


@pytest.mark.parametrize(
    ("broker", "said"),
    [
        ({"password": "x"}, "no username"),
        ({"username": "u", "password": "x", "password_file": __file__}, "only one"),
        ({"key_file": __file__, "url": "mqtts://h"}, "no cert_file"),
        ({"ca_file": __file__}, "only for mqtts"),
    ],
    ids=["nobody", "both", "key", "plain"],
)
def test_settings_that_do_not_go_together_are_told(broker, said):
    """What one setting needs of another is said."""
    [told] = faults(broker=broker)
    assert said in told


def test_the_text_in_force_is_the_same_for_the_same_settings():
    """The text that is kept with the journal is JSON, and the same each time."""
    assert read().text() == read().text()
    assert json.loads(read().text())["monitor"] == "monitor-1"


def test_a_place_that_the_line_lacks_is_told():
    """Settings for a section or an area that is not there would silently do nothing."""
    line = Place.example("T107").line
    there = read(
        section={"T107": {"long-occupation": {"normal_s": 1}}},
        desk={"position": [{"name": "north", "areas": ["thornmere"]}]},
    )
    wrong = read(
        section={"T1": {"long-occupation": {"normal_s": 1}}},
        desk={"position": [{"name": "north", "areas": ["nowhere"]}]},
        delivery={
            "webhook": {"room": {"url": "http://127.0.0.1:1/"}},
            "route": [{"steps": [["room"]], "areas": ["thornmere", "far"]}],
        },
    )

    assert unknown_places(there, line) == ()
    section, position, route = unknown_places(wrong, line)
    assert "[section.T1]" in section
    assert position == "settings: [[desk.position]]: the line file has no area nowhere"
    assert route == "settings: [[delivery.route]]: the line file has no area far"
