from __future__ import annotations

import hashlib
from dataclasses import FrozenInstanceError

import pytest
from hypothesis import given, strategies as st

from monitor.core.layout import OPEN, LineFault, read_line

# A plain line with points in the middle: T1 - T2 - T3, T2 - T4, and T5 on its own
# behind a terminal head; open at T1 and T3.
#
#    open -H1- T1 -H2- T2 -H3- T3 -H4- open
#                        \-H5- T4 -H6- T5
GOOD = """
[line]
name = "Varnholt - Ostrel line"   # invented
timezone = "Europe/Oslo"

[[evaluator]]
id = "EV1"
site = "Thornmere room"
supply = "PS1"
gateway = "GW2"
rack = "3"
ref = "E-17"

[[evaluator]]
id = "EV2"
site = "Ostrel room"
gateway = "GW1"

[[evaluator]]
id = "EV3"
site = "Ostrel room"
gateway = "GW1"

[[section]]
id = "T1"
area = "thornmere"
evaluator = "EV1"
length_m = 820
speed_km_h = 120.5
track = "down"
normal_occupation_s = 1800
ref = "S-1"

[[section]]
id = "T2"
area = "thornmere"
evaluator = "EV1"
length_m = 640
speed_km_h = 80

[[section]]
id = "T3"
area = "ostrel"
evaluator = "EV2"
length_m = 640
speed_km_h = 80

[[section]]
id = "T4"
area = "ostrel"
evaluator = "EV2"
length_m = 300
speed_km_h = 40

[[section]]
id = "T5"
area = "ostrel"
evaluator = "EV2"
length_m = 200
speed_km_h = 40

[[head]]
id = "H1"
between = ["open", "T1"]

[[head]]
id = "H2"
km = 12.43
between = ["T1", "T2"]
unit = "TU7"
cable = "C2"
evaluators = ["EV1", "EV2"]
ref = "H-2"
limits = { a_volts = [2.5, 4] }

[[head]]
id = "H3"
between = ["T2", "T3"]

[[head]]
id = "H4"
between = ["T3", "open"]

[[head]]
id = "H5"
between = ["T2", "T4"]

[[head]]
id = "H6"
between = ["T4", "T5"]

[[head]]
id = "H7"
between = ["T4", "T5"]

[[site]]
id = "Thornmere room"
access = "gate 4, lane from the mill"
telephone = "555 0101"
route = "left before the crossing"
room = "2"
geo = [54.5, -3.25]

[[area]]
id = "thornmere"
signaller = "Thornmere desk"
telephone = "555 0102"

[[unit]]
id = "TU7"
ref = "U-7"

[[cable]]
id = "C2"

[limits]
a_volts = [2.0, 4.5]
"""

SMALL = """
[line]
name = "Small"
timezone = "UTC"

[[evaluator]]
id = "EV1"
site = "Room"

[[section]]
id = "T1"
area = "a"
evaluator = "EV1"
length_m = 800
speed_km_h = 100

[[head]]
id = "H1"
between = ["T1", "open"]
"""


def faults(text):
    """Every fault of *text*."""
    with pytest.raises(LineFault) as caught:
        read_line(text)
    assert str(caught.value) == "\n".join(caught.value.faults)
    return list(caught.value.faults)


def small(old="", new=""):
    """The small line with *old* made *new*."""
    assert old in SMALL
    return SMALL.replace(old, new, 1) if old else SMALL + new


# What a good file gives.


def test_every_key_of_every_table_is_kept():
    """What stands in the file stands in the line, as it stands there."""
    line = read_line(GOOD)

    assert (line.name, line.timezone) == ("Varnholt - Ostrel line", "Europe/Oslo")
    assert line.zone.key == "Europe/Oslo"
    one = line.sections["T1"]
    assert (one.area, one.evaluator, one.track, one.ref) == (
        "thornmere",
        "EV1",
        "down",
        "S-1",
    )
    assert (one.length_m, one.speed_km_h, one.normal_occupation_s) == (820, 120.5, 1800)
    head = line.heads["H2"]
    assert (head.between, head.evaluators) == (("T1", "T2"), ("EV1", "EV2"))
    assert (head.km, head.unit, head.cable, head.ref) == (12.43, "TU7", "C2", "H-2")
    assert head.limits == {"a_volts": (2.5, 4.0)}
    evaluator = line.evaluators["EV1"]
    assert (evaluator.site, evaluator.supply, evaluator.gateway) == (
        "Thornmere room",
        "PS1",
        "GW2",
    )
    assert (evaluator.rack, evaluator.ref) == ("3", "E-17")
    site = line.sites["Thornmere room"]
    assert (site.access, site.telephone) == ("gate 4, lane from the mill", "555 0101")
    assert (site.route, site.room) == ("left before the crossing", "2")
    assert site.geo == (54.5, -3.25)
    area = line.areas["thornmere"]
    assert (area.signaller, area.telephone) == ("Thornmere desk", "555 0102")
    assert (line.units["TU7"].ref, line.cables["C2"].ref) == ("U-7", None)
    assert line.limits == {"a_volts": (2.0, 4.5)}


def test_what_is_optional_may_be_missing():
    """The least file has a line, an evaluator, a section and a head."""
    line = read_line(SMALL)

    section, head, evaluator = (
        line.sections["T1"],
        line.heads["H1"],
        line.evaluators["EV1"],
    )
    assert (section.track, section.normal_occupation_s, section.ref) == (
        None,
        None,
        None,
    )
    assert (head.km, head.unit, head.cable, head.ref) == (None, None, None, None)
    assert (head.evaluators, dict(head.limits)) == ((), {})
    assert (evaluator.supply, evaluator.gateway) == (None, None)
    tables = (line.sites, line.areas, line.units, line.cables, line.limits)
    assert not any(tables)
    assert line.gateways == ()


def test_sections_are_nodes_and_heads_are_edges():
    """Neighbours share a head, each is named once, and open is nobody's neighbour."""
    line = read_line(GOOD)

    assert line.neighbours("T1") == ("T2",)
    assert line.neighbours("T2") == ("T1", "T3", "T4")
    assert line.neighbours("T4") == ("T2", "T5")
    assert line.neighbours("T5") == ("T4",)
    assert line.heads_of("T2") == ("H2", "H3", "H5")
    assert line.heads_between("T4", "T5") == ("H6", "H7")
    assert line.heads_between("T5", "T4") == ("H6", "H7")
    assert line.heads_between("T1", "T5") == ()
    assert line.heads_between("T1", OPEN) == ("H1",)


def test_a_train_can_leave_only_through_an_open_head():
    """A section is open where one of its heads has no detection beyond."""
    line = read_line(GOOD)

    assert {s for s in line.sections if line.is_open(s)} == {"T1", "T3"}


def test_what_depends_on_an_evaluator_is_known():
    """An evaluator has the sections that name it; one without any has none."""
    line = read_line(GOOD)

    assert line.sections_of("EV1") == ("T1", "T2")
    assert line.sections_of("EV2") == ("T3", "T4", "T5")
    assert line.sections_of("EV3") == ()
    assert line.gateways == ("GW1", "GW2")


def test_the_digest_is_that_of_the_text():
    """Which file was in force can be proved: SHA-256 of its text."""
    assert read_line(SMALL).digest == hashlib.sha256(SMALL.encode()).hexdigest()
    assert read_line(SMALL + "# more\n").digest != read_line(SMALL).digest


def test_a_line_does_not_change():
    """What the file said is not changed by anybody afterwards."""
    line = read_line(SMALL)

    with pytest.raises(FrozenInstanceError):
        line.name = "other"  # type: ignore[misc]
    with pytest.raises(FrozenInstanceError):
        line.sections["T1"].length_m = 1  # type: ignore[misc]


def test_a_byte_order_mark_is_no_fault():
    """Some editors begin a file with a mark that nobody sees."""
    assert "T1" in read_line("\ufeff" + SMALL).sections


# What is wrong with a file.


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        pytest.param(
            '"T1", "open"',
            '"T199", "T1"',
            "[[head]] H1: between names section T199, which is not in the file",
            id="unknown section",
        ),
        pytest.param(
            'between = ["T1", "open"]',
            'between = ["T1", "open"]\n[[head]]\nid = "H2"\nbetween = ["open", "open"]',
            "[[head]] H2: both sides are open",
            id="both open",
        ),
        pytest.param(
            '"T1", "open"',
            '"T1", "T1"',
            "[[head]] H1: joins T1 to itself",
            id="to itself",
        ),
        pytest.param(
            'between = ["T1", "open"]',
            'between = ["T1", "open"]\nevaluators = ["EV1", "EV9"]',
            "[[head]] H1: evaluator EV9 is not in the file",
            id="a head's evaluator",
        ),
        pytest.param(
            'evaluator = "EV1"',
            'evaluator = "EV2"',
            "[[section]] T1: evaluator EV2 is not in the file",
            id="a section's evaluator",
        ),
        pytest.param(
            '"UTC"',
            '"Europe/Ostrel"',
            "[line] timezone: no zone is called 'Europe/Ostrel'",
            id="unknown zone",
        ),
        pytest.param(
            '"UTC"',
            '"../../etc/passwd"',
            "[line] timezone: no zone is called '../../etc/passwd'",
            id="a path as zone",
        ),
        pytest.param(
            '"UTC"',
            '"Europe"',
            "[line] timezone: no zone is called 'Europe'",
            id="a folder as zone",
        ),
        pytest.param(
            "length_m = 800",
            "length_m = 0",
            "[[section]] T1 length_m: input should be greater than 0, came '0'",
            id="no length",
        ),
        pytest.param(
            "speed_km_h = 100",
            "speed_km_h = -5.5",
            "[[section]] T1 speed_km_h: input should be greater than 0, came '-5.5'",
            id="negative speed",
        ),
        pytest.param(
            "speed_km_h = 100",
            "speed_km_h = nan",
            "[[section]] T1 speed_km_h: input should be a finite number, came 'nan'",
            id="no number",
        ),
        pytest.param(
            "length_m = 800",
            'length_m = "800"',
            "[[section]] T1 length_m: input should be a valid number, came '800'",
            id="a text for a number",
        ),
        pytest.param(
            "length_m = 800",
            "length_m = true",
            "[[section]] T1 length_m: input should be a valid number, came 'True'",
            id="true for a number",
        ),
        pytest.param(
            "length_m = 800\n",
            "",
            "[[section]] T1 length_m: missing",
            id="missing key",
        ),
        pytest.param(
            "length_m = 800",
            "length_m = 800\nnormal_ocupation_s = 900",
            "[[section]] T1 normal_ocupation_s: no such key; "
            "is it normal_occupation_s?",
            id="misspelt key",
        ),
        pytest.param(
            'site = "Room"',
            'site = "Room"\ncolour = "red"',
            "[[evaluator]] EV1 colour: no such key; "
            "there are gateway, id, rack, ref, site, supply",
            id="unknown key",
        ),
        pytest.param(
            'id = "H1"',
            'id = "H1"\nkm = 1\nlimits = { a_volts = [4.5, 2.0] }',
            "[[head]] H1 limits a_volts: the low one, 4.5, is not below 2",
            id="limits turned round",
        ),
        pytest.param(
            'id = "H1"',
            'id = "H1"\nlimits = { a_volt = [2.0, 4.5] }',
            "[[head]] H1 limits a_volt: no such value; is it a_volts?",
            id="unknown limit",
        ),
        pytest.param(
            '["T1", "open"]',
            '"T1"',
            "[[head]] H1 between: input should be a valid list, came 'T1'",
            id="between is no list",
        ),
        pytest.param(
            '["T1", "open"]',
            '["T1", "open", "open"]',
            "[[head]] H1 between: list should have at most 2 items after validation, "
            "not 3, came \"['T1', 'open', 'open']\"",
            id="three in between",
        ),
        pytest.param(
            'id = "H1"',
            "id = 107",
            "[[head]] no. 1 id: input should be a valid string, came '107'",
            id="a number for an id",
        ),
        pytest.param(
            'id = "H1"\n',
            "",
            "[[head]] no. 1 id: missing",
            id="no id",
        ),
        pytest.param(
            'name = "Small"\n',
            "",
            "[line] name: missing",
            id="no name",
        ),
    ],
)
def test_a_fault_is_named_by_file_table_and_id(old, new, fault):
    """One fault in the file gives one line, which says where it is and what it is."""
    assert faults(small(old, new)) == [f"line.toml: {fault}"]


@pytest.mark.parametrize(
    ("more", "fault"),
    [
        pytest.param(
            '[[section]]\nid = "T2"\narea = "a"\nevaluator = "EV1"\n'
            "length_m = 1\nspeed_km_h = 1\n",
            "[[section]] T2: has no head",
            id="no head",
        ),
        pytest.param(
            '[[evaluator]]\nid = "EV1"\nsite = "B"\n',
            "[[evaluator]] EV1: this id stands twice",
            id="evaluator twice",
        ),
        pytest.param(
            '[[head]]\nid = "H1"\nbetween = ["open", "T1"]\n',
            "[[head]] H1: this id stands twice",
            id="head twice",
        ),
        pytest.param(
            '[[section]]\nid = "open"\narea = "a"\nevaluator = "EV1"\n'
            "length_m = 1\nspeed_km_h = 1\n",
            "[[section]] open: open means no detection; a section cannot be so called",
            id="a section called open",
        ),
        pytest.param(
            '[[sections]]\nid = "T2"\n',
            "[sections]: no such table; is it section?",
            id="misspelt table",
        ),
        pytest.param(
            '[weather]\nid = "T2"\n',
            "[weather]: no such table; there are area, cable, evaluator, head, limits, "
            "line, section, site, unit",
            id="unknown table",
        ),
        pytest.param(
            '[site]\nid = "Room"\n',
            "[site]: write it as [[site]], one for each",
            id="one pair of brackets",
        ),
        pytest.param(
            "[limits]\na_volts = [4.5, 4.5]\n",
            "[limits] a_volts: the low one, 4.5, is not below 4.5",
            id="limits that leave nothing",
        ),
        pytest.param(
            "[limits]\nb_volts = [1.0]\n",
            "[limits] b_volts.1: missing",
            id="half a limit",
        ),
        pytest.param(
            '[[area]]\nid = "two words"\n',
            "[[area]] two words id: 'two words' has a sign that cannot stand here; "
            "an id has no spaces, slashes, + or #",
            id="space in an id",
        ),
    ],
)
def test_what_is_too_much_is_named(more, fault):
    """Whatever the file holds beyond a good one is one line, which says where and what."""
    assert faults(small(new=more)) == [f"line.toml: {fault}"]


@pytest.mark.parametrize(
    "bad",
    ["T 1", "T/1", "T+", "#", "T\\t1", "T\\n1", "\\u0007", "T\\u200b1", "\\u0085"],
)
def test_an_id_can_be_a_level_of_a_topic(bad):
    """Ids have no space, slash, wildcard or hidden sign, since topics are made of them."""
    found = faults(small(new=f'[[unit]]\nid = "{bad}"\n'))

    assert len(found) == 1
    assert "has a sign that cannot stand here" in found[0]


def test_a_fault_is_one_line_whatever_the_file_holds():
    """Line feeds and terminal codes in a file do not reach the terminal."""
    found = faults(
        small(new='[[unit]]\nid = "a\\nb\\u001b[31m"\n["x\\ny"]\n"k\\nk" = 1\n')
    )

    assert len(found) == 2
    assert all(one.isprintable() for one in found)


def test_all_faults_are_told_at_once():
    """Whoever mends the file need not come back for the next fault."""
    text = """
    [line]
    name = "Wrong"
    timezone = "Mars/Base"
    [[evaluator]]
    id = "EV1"
    [[section]]
    id = "T1"
    area = "a"
    evaluator = "EV1"
    length_m = -1
    speed_km_h = 100
    [[section]]
    id = "T1"
    area = "a"
    evaluator = "EV7"
    length_m = 1
    speed_km_h = 1
    [[head]]
    id = "H1"
    between = ["T1", "T9"]
    [limits]
    supply_volts = [9, 3]
    """
    assert faults(text) == [
        "line.toml: [line] timezone: no zone is called 'Mars/Base'",
        "line.toml: [limits] supply_volts: the low one, 9, is not below 3",
        "line.toml: [[evaluator]] EV1 site: missing",
        "line.toml: [[section]] T1 length_m: input should be greater than 0, came '-1'",
        "line.toml: [[section]] T1: this id stands twice",
        "line.toml: [[head]] H1: between names section T9, which is not in the file",
        "line.toml: [[section]] T1: evaluator EV7 is not in the file",
    ]


def test_a_fault_of_one_row_makes_none_of_another():
    """A section with a fault of its own is still there for the heads that name it."""
    assert faults(small("length_m = 800", "length_m = 800\nlenth = 1")) == [
        "line.toml: [[section]] T1 lenth: no such key; is it length_m?"
    ]


def test_nothing_in_the_file_says_what_it_needs():
    """A file without a line says that there is no line and no section."""
    assert faults("") == [
        "line.toml: [line]: missing; it gives name and timezone",
        "line.toml: [[section]]: there is none",
    ]


@pytest.mark.parametrize(
    "text",
    [
        "[line\n",
        "a = 1\na = 2\n",
        "a = " + "[" * 20_000,
        "day = 2026-02-30\n",
        "a = " + "9" * 5000,
    ],
    ids=["bracket", "key twice", "deep", "no such day", "long number"],
)
def test_what_is_no_toml_says_so(text):
    """A file that is no TOML has that one fault, with the place of it."""
    (fault,) = faults(text)

    assert fault.startswith("line.toml: not TOML: ")


@pytest.mark.parametrize("raw", ["line = 5", "[[line]]\nname = 'x'"])
def test_the_line_is_a_table(raw):
    """Where a table is expected, anything else is named."""
    assert "line.toml: [line]: expected a table" in faults(f"{raw}\n")


def test_the_file_is_named_as_the_caller_calls_it():
    """Of several files, a fault says in which it is."""
    with pytest.raises(LineFault) as caught:
        read_line("[line]\n", "north.toml")

    assert all(one.startswith("north.toml: ") for one in caught.value.faults)


KEYS = st.sampled_from(
    ["line", "section", "head", "evaluator", "site", "area", "unit", "limits", "x"]
)
VALUES = st.recursive(
    st.sampled_from(["1", "-1.5", "true", "nan", '"T1"', '"open"', "2026-05-04", "[]"]),
    lambda inner: st.lists(inner, max_size=3).map(lambda v: f"[{', '.join(v)}]"),
    max_leaves=4,
)
ROW_KEYS = st.sampled_from(["id", "between", "evaluator", "length_m", "limits", "name"])


@given(
    st.lists(
        st.tuples(KEYS, st.booleans(), st.dictionaries(ROW_KEYS, VALUES, max_size=4)),
        max_size=5,
    )
)
def test_any_file_is_read_or_its_faults_are_told(tables):
    """No file, however wrong, brings anything but a line or its faults."""
    text = "".join(
        (f"[[{key}]]\n" if many else f"[{key}]\n")
        + "".join(f"{k} = {v}\n" for k, v in row.items())
        for key, many, row in tables
    )
    told: tuple[str, ...] = ()
    try:
        line = read_line(text)
    except LineFault as fault:
        told = fault.faults
        line = None
    assert (line is None) == bool(told)
    assert all(one.startswith("line.toml: ") and one.isprintable() for one in told)
