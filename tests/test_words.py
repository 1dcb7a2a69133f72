from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from monitor.core.words import CAUTION

ROOT = Path(__file__).parent.parent

FORBIDDEN = re.compile(
    r"\b(empty|emptied|emptiness|free|freed|safe|safely|vacant|unoccupied"
    r"|can be reset|may be reset|no train can|cleared alerts?|alerts? (?:is|are|was|were|has been|have been) cleared?)\b",
    re.IGNORECASE,
)
"""What a person could take for proof that nothing stands in a section.

A section is "clear" where its evaluator says so; an alert is "over".
"""

ALLOWED = {
    # text as it stands, in lower case: why nobody can take it for a section
    "must not be empty": "of a text in the line file or the settings",
    "the file is empty": "of a recording, a line file or settings",
    "the recording is empty": "of a file without a line",
    "free port": "of a port of this machine",
    "free space": "of a disk",
    "free memory": "of a machine",
    "free bytes": "of a disk",
}

PAGES = {".html", ".j2", ".jinja", ".txt", ".md"}
DATA = {".toml", ".yaml", ".yml", ".json", ".conf", ".service"}


def sources():
    """Every Python file that makes something a person reads."""
    return sorted(
        path for part in ("monitor", "replay") for path in (ROOT / part).rglob("*.py")
    )


def texts():
    """Every file that a person reads as it is."""
    found = [
        path
        for part in ("monitor", "replay", "deploy")
        for path in (ROOT / part).rglob("*")
        if path.is_file()
        and "__pycache__" not in path.parts
        and (path.suffix in PAGES | DATA or part == "deploy")
        and path.suffix != ".lock"
    ]
    return sorted([*found, ROOT / "README.md"])


def docstrings(tree):
    """The string constants that are docstrings or stand alone like one."""
    return {
        id(node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }


def strings(tree):
    """The texts of a module, an f-string being one text with its values left out."""
    inside = {
        id(part)
        for node in ast.walk(tree)
        if isinstance(node, ast.JoinedStr)
        for part in node.values
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            parts = (
                part.value if isinstance(part, ast.Constant) else " … "
                for part in node.values
            )
            yield node.lineno, node, "".join(map(str, parts))
        elif (
            isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and id(node) not in inside
        ):
            yield node.lineno, node, node.value


def said_in_code(text):
    """What the code of a module makes people read: every text but its docstrings."""
    tree = ast.parse(text)
    described = docstrings(tree)
    for number, node, said in strings(tree):
        if id(node) not in described:
            yield number, said


def shown_docstrings(text):
    """The docstrings that become pages: those of modules, classes and commands."""
    tree = ast.parse(text)
    shown = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
    for node in ast.walk(tree):
        if isinstance(node, shown):
            said = ast.get_docstring(node)
            if said:
                yield getattr(node, "lineno", 1), said


def faults(text):
    """The forbidden words of *text*, with the caution and the allowed uses left out."""
    plain = " ".join(text.split())
    plain = plain.replace(CAUTION, "").replace("proves a section empty", "")
    for allowed in ALLOWED:
        plain = re.sub(rf"\b{re.escape(allowed)}\b", "", plain, flags=re.IGNORECASE)
    return [found.group() for found in FORBIDDEN.finditer(plain)]


def named(paths):
    """Paths as parameters that are read in a report."""
    return [pytest.param(path, id=str(path.relative_to(ROOT))) for path in paths]


@pytest.mark.parametrize("path", named(sources()))
def test_no_message_says_that_a_section_is_empty(path):
    """No text that the code shows could be taken for proof of an empty section."""
    text = path.read_text(encoding="utf-8")

    wrong = [
        f"{path.name}:{number}: {word!r} in {said.strip()[:80]!r}"
        for number, said in said_in_code(text)
        for word in faults(said)
    ]

    assert wrong == []


@pytest.mark.parametrize(
    "path",
    named(
        path
        for path in sources()
        if "detectors" in path.parts
        or path.name == "cli.py"
        or "settings" in path.parts
    ),
)
def test_no_docstring_that_becomes_a_page_says_so(path):
    """The docstrings of detections are pages, and those of commands are help: same rule."""
    text = path.read_text(encoding="utf-8")

    wrong = [
        f"{path.name}:{number}: {word!r}"
        for number, said in shown_docstrings(text)
        for word in faults(said)
    ]

    assert wrong == []


@pytest.mark.parametrize("path", named(texts()))
def test_no_page_or_file_says_so(path):
    """Templates, pages, example files and the README keep to the same words."""
    text = path.read_text(encoding="utf-8")

    wrong = [
        f"{path.name}:{number}: {word!r}"
        for number, line in enumerate(text.splitlines(), 1)
        for word in faults(line)
    ]

    assert wrong == []


@pytest.mark.parametrize(
    "said",
    [
        "T107 is free",
        "T107 is empty",
        "the section can be reset",
        "Safe to pass",
        "no train can be in it",
        "the alert is cleared",
        "T107 found\nempty",
        "nothing here proves T107 empty",
    ],
)
def test_the_check_sees_what_it_looks_for(said):
    """A sentence that says what must not be said is found, in code and in f-strings."""
    assert faults(said)
    assert [w for _, text in said_in_code(f"x = {said!r}") for w in faults(text)]
    spoken = ast.unparse(ast.parse(f"x = f'{{name}}' + {said!r}"))
    assert [w for _, text in said_in_code(spoken) for w in faults(text)]


@pytest.mark.parametrize(
    "said",
    [
        CAUTION,
        "T107 clear since 05:58",
        "line.toml: name must not be empty",
        "a freely chosen name",
    ],
)
def test_the_check_lets_pass_what_may_be_said(said):
    """What the evaluator shows, the caution, and faults of files may be said."""
    assert faults(said) == []


def test_the_caution_is_whole():
    """The caution says what proves nothing, who decides, and what never to do."""
    assert CAUTION == (
        "Nothing here proves a section empty. An alert is advice to qualified staff: "
        "never reset, restore or pass a train on the strength of it; the local rules, "
        "the signaller and licensed practice decide."
    )


def test_the_readme_carries_the_caution():
    """Whoever sets the monitor up has read what it is no proof of."""
    text = " ".join((ROOT / "README.md").read_text(encoding="utf-8").split())

    assert CAUTION in text.replace("> ", "")
