from __future__ import annotations

import json
import os
import re
import subprocess
import tomllib
from collections import Counter
from dataclasses import fields
from pathlib import Path
from typing import get_args, get_origin

import pytest
import typer
import yaml
from pydantic import BaseModel

from monitor import cli, settings
from monitor.core import alerts, events, wire
from monitor.core.detectors import CATALOGUE
from monitor.core.engine import Engine
from monitor.core.layout import read_line
from monitor.core.moments import parse
from monitor.core.tuning import Detection, Words
from monitor.gauges import ListGauges
from monitor.handling import Handling
from monitor.metrics import Counts, Delivered, Metrics

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
FEED = yaml.safe_load((ROOT / "deploy/asyncapi.yaml").read_text(encoding="utf-8"))
LOCKS = ["deploy/requirements.lock", "deploy/requirements-dev.lock"]

COMMANDS = getattr(typer.main.get_command(cli.app), "commands", {})

ONE_SECTION = """
[line]
name = "one"
timezone = "UTC"
[[evaluator]]
id = "EV1"
site = "room"
[[section]]
id = "T1"
area = "a"
evaluator = "EV1"
length_m = 800
speed_km_h = 120
[[head]]
id = "H1"
between = ["T1", "open"]
"""


def rows(text, heading):
    """The rows of the table under *heading*, as tuples of cells."""
    section = re.split(rf"^## {heading}$", text, flags=re.MULTILINE)[1]
    section = re.split(r"^## ", section, flags=re.MULTILINE)[0]
    return [
        tuple(cell.strip() for cell in line.strip("| ").split("|"))
        for line in section.splitlines()
        if line.startswith("| `")
    ]


def block(language, after):
    """The first code block of *language* after the words *after* in the README."""
    found = re.search(
        rf"^ *```{language}\n(.*?)^ *```",
        README[README.index(after) :],
        re.DOTALL | re.MULTILINE,
    )
    assert found is not None
    return found.group(1)


def test_every_detection_is_in_the_readme():
    """Each kind of alert there is has its row, and no row tells of one that is not."""
    told = {row[0].strip("`") for row in rows(README, "What an alert says")}

    assert told == {detector.kind for detector in CATALOGUE}


@pytest.mark.parametrize("detector", [pytest.param(d, id=d.kind) for d in CATALOGUE])
def test_every_setting_of_a_detection_is_documented(detector):
    """Each setting of a detection is explained on its page and set in the example."""
    example = tomllib.loads(
        (ROOT / "deploy/example/settings.toml").read_text(encoding="utf-8")
    )
    page = type(detector).__doc__ or ""

    names = {field.name for field in fields(detector)}
    assert names == set(example.get("detect", {}).get(detector.kind, {}))
    for name in names:
        assert f"{name}:" in page
        assert f"`{name}`" in README


def test_the_example_settings_are_the_defaults(monkeypatch):
    """Copying the example changes nothing: it shows every setting as it is anyway."""
    for name in list(os.environ):
        if name.startswith(settings.PREFIX):
            monkeypatch.delenv(name)

    told = settings.read(ROOT / "deploy/example/settings.toml")
    plain = settings.read()

    rest = {"words", "detect", "section"}
    assert told.model_dump(exclude=rest) == plain.model_dump(exclude=rest)
    assert told.detection == plain.detection == Detection()
    assert set(told.words) == {field.name for field in fields(Words)}
    for field in fields(Words):
        assert f"`{field.name}`" in README


def tables_in(model, table):
    """Table and name of each setting of *model* and of the tables in it; one of which there may be several is `NAME`."""
    for name, field in model.model_fields.items():
        inner = [
            one
            for one in (field.annotation, *get_args(field.annotation))
            if isinstance(one, type) and issubclass(one, BaseModel)
        ]
        inside = f"{table}.{name}".lstrip(".")
        if table or not inner:
            yield table, name
        for one in inner:
            named = get_origin(field.annotation) is dict
            yield from tables_in(one, f"{inside}.NAME" if named else inside)


def own_settings():
    """Table and name of each setting of the daemon itself."""
    for table, name in tables_in(settings.Settings, ""):
        if name not in {"words", "detect", "section"}:
            yield table, name


@pytest.mark.parametrize(("table", "name"), list(own_settings()), ids=str)
def test_every_setting_of_the_daemon_is_documented(table, name):
    """Each setting is in its table in the README, and in the example, if only as a comment."""
    told = {row[0].strip("`[]"): row[1] for row in rows(README, "Settings")}
    text = (ROOT / "deploy/example/settings.toml").read_text(encoding="utf-8")
    tables = re.split(r"^(?:# )?\[+(.*?)\]+.*$", f"[]\n{text}", flags=re.MULTILINE)
    example = dict(zip(tables[1::2], tables[2::2], strict=True))
    before = table.removesuffix("NAME")
    (shown,) = [
        one
        for one in example
        if one == table or (before != table and one.startswith(before))
    ]

    assert f"`{name}`" in (told[table] if table else README)
    mentioned = re.search(rf"^(# )?{name} = ", example[shown], re.MULTILINE)
    assert mentioned or any(f"{one}.".startswith(f"{table}.{name}.") for one in example)


def test_every_command_is_in_the_readme():
    """Each command has its row, and no row tells of one that is not."""
    told = {row[0].strip("`").split()[1] for row in rows(README, "Commands")}

    assert told == set(COMMANDS)


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_has_help_with_an_example(name):
    """A command's help shows how to call it."""
    command = COMMANDS[name]

    assert f"tallywatch {name}" in (command.help or "") + (command.epilog or "")


def test_every_metric_is_in_the_readme():
    """Each metric has its row with its type and labels, and no row tells of another."""
    engine = Engine(read_line(ONE_SECTION))
    metrics = Metrics(
        engine=engine,
        counts=Counts(rejected=Counter(x=1)),
        version="1",
        now=lambda: 0,
        delivered=lambda: {
            "room": Delivered(waiting=0, oldest_s=0, sent=0, failed=0, refused=0)
        },
        would_have_called=lambda: {"urgent": 1},
        certificates=lambda: {"ca.pem": 0},
    )
    lists = ListGauges(lambda: engine, Handling(), lambda: 0)
    ending = {"counter": "_total", "info": "_info"}
    kinds = {"info": "gauge"}
    there = {}
    for family in (*metrics.collect(), *lists.collect()):
        labels = {label for s in family.samples for label in s.labels if label != "le"}
        name = family.name + ending.get(family.type, "")
        there[name] = (kinds.get(family.type, family.type), labels)

    told = {
        row[0].strip("`"): (row[1], {word for word in row[2].split(", ") if word})
        for row in rows(README, "Metrics")
    }
    assert told == there


def test_the_rules_ask_for_metrics_that_are_there():
    """Every metric that a Prometheus rule asks for is in the README's table."""
    told = {row[0].strip("`") for row in rows(README, "Metrics")}
    rules = (ROOT / "deploy/prometheus/rules.yml").read_text(encoding="utf-8")

    asked = {
        name.removesuffix("_bucket")
        for name in re.findall(r"\btallywatch_[a-z_]+", rules)
    }

    assert asked
    assert asked <= told


def test_the_readme_begins_with_what_it_is_for():
    """One paragraph says the job and whom it serves, then come the caution and the demo."""
    parts = README.split("\n\n")

    assert parts[0] == "# tallywatch"
    for served in ("fault desk", "planner", "engineer"):
        assert served in parts[1]
    assert parts[2].startswith("> Nothing here proves")
    assert README.index("sh deploy/demo") < README.index("sh tests/all")


def test_the_event_in_the_readme_is_one():
    """The README's event is read without a complaint."""
    text = block("json", "one [CloudEvents]")

    reading = wire.read(text.encode(), topic="tally/thornmere/section/T107/state")

    assert reading.rejections == ()
    (event,) = reading.events
    assert isinstance(event, events.SectionState)
    assert event.axles == 16


def test_the_line_in_the_readme_is_one():
    """The README's line file is read without a fault."""
    line = read_line(block("toml", "Describe the line"))

    assert line.neighbours("T107") == ("T106",)
    assert line.is_open("T106")
    assert line.gateways == ("GW1",)


def test_the_alert_in_the_readme_has_its_id():
    """The README's alert has the id that its kind, subject and beginning give."""
    alert = json.loads(block("json", "An alert is one line"))

    assert alert["id"] == alerts.identify(
        alert["kind"], alert["subject"], parse(alert["began"])
    )


@pytest.mark.parametrize(
    ("name", "text"),
    [
        pytest.param(n, t, id=n)
        for n, t in (("README", README), ("DEVELOPERS", DEVELOPERS))
    ],
)
def test_what_the_documents_point_at_is_there(name, text):
    """No link of the documents, and no file they name, leads nowhere."""
    links = re.findall(r"\]\(([^)#:]+)\)", text)
    named = re.findall(
        r"(?:`| )((?:monitor|replay|tests|deploy)/[\w./-]*\w\.\w+)`", text
    )
    commands = re.findall(r"\bsh ((?:tests|deploy)/\w+)", text)

    missing = [one for one in {*links, *named, *commands} if not (ROOT / one).exists()]

    assert missing == [], name


def test_the_map_names_every_module():
    """Whoever looks for a module in the map finds it, and the map names none that is not."""
    section = DEVELOPERS.split("## The map")[1].split("\n## ")[0]
    table = "\n".join(re.findall(r"^\|.*$", section, re.MULTILINE))
    told = set(re.findall(r"[a-z_]+", " ".join(re.findall(r"`([^`]+)`", table))))

    there = {
        path.stem
        for folder in ("monitor", "monitor/core")
        for path in (ROOT / folder).glob("*.py")
        if not path.stem.startswith("__")
    }

    assert there - told == set()
    cores = re.findall(r"^\| `monitor/core/([^|]+)\|", table, re.MULTILINE)
    named = {word for row in cores for word in re.findall(r"[a-z]+", row)}
    assert named - {path.stem for path in (ROOT / "monitor/core").iterdir()} == set()


def test_the_feed_description_has_every_value():
    """The AsyncAPI file allows exactly the words that events are made of."""
    schemas = FEED["components"]["schemas"]

    def words(schema, name):
        return set(schemas[schema]["properties"][name]["enum"])

    assert words("sectionState", "state") == set(events.State)
    assert words("sectionReset", "kind") == set(events.ResetKind)
    assert words("sectionReset", "step") == set(events.Step)
    assert words("headPassage", "direction") == set(events.Direction)
    assert words("evaluatorState", "state") == set(events.Service)


def test_the_feed_description_has_every_field():
    """Each field that an event keeps is in the AsyncAPI file under its own name."""
    common = {field.name for field in fields(events.Event)}
    schemas = FEED["components"]["schemas"]
    for schema, kind, otherwise in (
        ("sectionState", events.SectionState, {}),
        ("sectionReset", events.SectionReset, {}),
        ("sectionWork", events.SectionWork, {"begun": "state"}),
        ("headPassage", events.HeadPassage, {}),
        ("headLevel", events.HeadLevel, {}),
        ("evaluatorState", events.EvaluatorState, {}),
        ("gatewayStatus", events.GatewayStatus, {"online": "state"}),
    ):
        own = {field.name for field in fields(kind)} - common

        told = set(schemas[schema]["properties"])
        assert {otherwise.get(name, name) for name in own} == told, schema


@pytest.mark.parametrize("lock", LOCKS)
def test_every_dependency_is_locked(lock):
    """Each package of the project is pinned in the lock, each pin has hashes, and no address stands there."""
    text = (ROOT / lock).read_text(encoding="utf-8")
    pins = re.split(r"\n(?=[a-z0-9])", text.split("\n", 1)[1])
    names = {re.split(r"[=\[]", pin)[0].lower() for pin in pins}
    project = PROJECT["project"]
    wanted = list(project["dependencies"])
    for extra in project["optional-dependencies"].values():
        wanted += extra
    if "dev" in lock:
        wanted += PROJECT["dependency-groups"]["dev"]

    assert {re.split(r"[<>=\[ ]", one)[0].lower() for one in wanted} <= names
    for pin in pins:
        assert re.match(r"[a-z0-9._-]+==\S+ \\\n", pin), pin
        assert "--hash=sha256:" in pin
    assert not re.search(r"://|--index|--find|file:", text)


@pytest.mark.parametrize(
    "script", ["deploy/demo", "deploy/lock", "deploy/setup", "tests/all"]
)
def test_scripts_are_good_shell(script):
    """The scripts of the README's commands parse, and stop at the first failure."""
    text = (ROOT / script).read_text(encoding="utf-8")

    assert "\nset -eu\n" in text
    subprocess.run(["sh", "-n", ROOT / script], check=True)


def test_ci_runs_the_command_of_the_readme():
    """What CI runs is what the README tells people to run, and nothing else."""
    lines = (ROOT / ".ci/run").read_text(encoding="utf-8").splitlines()

    assert lines[-1] == "exec sh tests/all"


def test_every_kind_is_shown_in_a_picture():
    """DEVELOPERS.md shows the picture of each kind, and none that is not in the tree."""
    shown = re.findall(r"!\[(.+?)\]\((monitor/charts/kinds/.+?\.svg)\)", DEVELOPERS)

    assert sorted(shown) == sorted(
        (one.title, f"monitor/charts/kinds/{one.kind}.svg") for one in CATALOGUE
    )
    assert all((ROOT / path).is_file() for _, path in shown)
