from __future__ import annotations

import pytest
from typer.testing import CliRunner

from monitor.desk.people import People, read_people
from monitor.desk.people_cli import people_app
from monitor.desk.roles import Role


class Command:
    """`tallywatch people` over one file."""

    def __init__(self, path):
        self.path = path

    def __call__(self, *arguments, typed=""):
        """What it says, given what was typed."""
        whole = [*arguments, "--file", str(self.path)]
        return CliRunner().invoke(people_app, whole, input=typed)


@pytest.fixture
def people(tmp_path):
    """Runs `tallywatch people` over a file."""
    return Command(tmp_path / "people.json")


def test_somebody_is_added_with_a_password_from_stdin(people):
    """A password comes from stdin, is hashed, and is shown nowhere."""
    done = people("add", "A. Moor", "--role", "act", typed="correct horse\n")
    assert done.exit_code == 0, done.output
    assert "horse" not in done.output
    person = People(people.path).by_password("A. Moor", "correct horse")
    assert person is not None
    assert person.role is Role.ACT


def test_a_token_is_made_and_shown_once(people):
    """A token is printed once, alone, and works; the file holds only its digest."""
    done = people("add", "wall screen", "--role", "look", "--token", "wall")
    token = done.stdout.strip()
    assert token not in people.path.read_text()
    person = People(people.path).by_token(token)
    assert person is not None
    assert person.name == "wall screen"
    assert token not in people("list").stdout
    assert "token wall" in people("list").stdout


@pytest.mark.parametrize(
    ("arguments", "typed", "said"),
    [
        (("add", "A", "--role", "act"), "short\n", "10 to 1000"),
        (("add", "A", "--role", "act"), "", "10 to 1000"),
        (("add", "<b>", "--role", "act"), "correct horse\n", "a name is"),
        (("add", "A", "--role", "act", "--token", "a\nb"), "", "label"),
        (("remove", "A"), "", "nobody in it"),
    ],
)
def test_what_cannot_be_is_told_in_one_line(people, arguments, typed, said):
    """What cannot be done is told in one line, ends with 1, and leaves no file."""
    done = people(*arguments, typed=typed)
    assert done.exit_code == 1
    assert said in done.output
    assert len(done.output.strip().splitlines()) == 1
    assert not people.path.exists()


@pytest.mark.parametrize("command", ["add", "remove", "list"])
def test_every_command_shows_how_to_call_it(command):
    """The help of each command ends with an example of it."""
    told = CliRunner().invoke(people_app, [command, "--help"]).output
    assert f"tallywatch people {command}" in told


def test_a_password_is_no_argument(people):
    """There is no way to give a password where other processes could read it."""
    done = people("add", "A", "--role", "act", "--password", "correct horse")
    assert done.exit_code == 2


def test_whoever_is_removed_is_out(people):
    """Somebody who is removed, whatever the capitals, is out, and others stay."""
    people("add", "A. Moor", "--role", "act", typed="correct horse\n")
    people("add", "B", "--role", "look", typed="correct horse\n")
    assert people("remove", "a. moor").exit_code == 0
    assert [one.name for one in read_people(people.path)] == ["B"]


def test_a_broken_file_is_not_written_over(people):
    """A file that is wrong is told, and stays as it is."""
    people.path.write_text("{")
    for arguments in (("add", "A", "--role", "act"), ("remove", "A"), ("list",)):
        assert people(*arguments, typed="correct horse\n").exit_code == 1
    assert people.path.read_text() == "{"
