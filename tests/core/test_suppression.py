from __future__ import annotations

import pytest

from monitor.core.suppression import OF_A_CAUSE, Covered, Suppression

CABLE = Covered(group="0123456789abcdef", asset="cable/C2", since=0)
WORK = "under work: work W7"


@pytest.fixture
def covered():
    """T107 is a member of the cause on cable C2."""
    return Suppression(causes={"section/T107": CABLE})


@pytest.mark.parametrize("kind", sorted(OF_A_CAUSE))
def test_what_a_member_shows_keeps_quiet_and_gives_its_group(covered, kind):
    """The alert by which a member shows itself says which cause keeps it quiet, and the id of that one's alert."""
    assert covered.marks(kind, "section/T107") == {
        "group": "0123456789abcdef",
        "quiet": "a common cause covers it: cable/C2",
    }


def test_which_kinds_are_of_a_cause():
    """Members are sections newly disturbed or spuriously occupied, and evaluators locked out, and nothing else."""
    assert sorted(OF_A_CAUSE) == [
        "evaluator-locked-out",
        "section-disturbed",
        "spurious-occupation",
    ]


@pytest.mark.parametrize(
    "kind",
    ["vanished-train", "unseen-train", "occupied-no-train", "reset-not-held", "x"],
)
def test_a_cause_keeps_nothing_else_quiet(covered, kind):
    """What may be urgent, or is no sign of the cause, never waits for it."""
    assert covered.marks(kind, "section/T107") == {}


def test_a_cause_covers_its_members_alone(covered):
    """A section beside a member is none, nor is an evaluator of the same name."""
    assert covered.marks("section-disturbed", "section/T108") == {}
    assert covered.marks("evaluator-locked-out", "evaluator/T107") == {}


@pytest.mark.parametrize("kind", ["section-disturbed", "vanished-train"])
def test_work_keeps_all_about_a_section_quiet(kind):
    """Whatever is open about a section under work is quiet, with the work as the reason."""
    suppression = Suppression(work={"section/T107": WORK})

    assert suppression.marks(kind, "section/T107") == {"quiet": WORK}
    assert suppression.marks(kind, "section/T108") == {}


def test_work_is_the_reason_where_both_are(covered):
    """A member under work belongs to its group and says the work, which people have begun and will end."""
    covered.work["section/T107"] = WORK

    assert covered.marks("section-disturbed", "section/T107") == {
        "group": "0123456789abcdef",
        "quiet": WORK,
    }


def test_nothing_keeps_nothing_quiet():
    """Without work and without a cause there is no mark."""
    assert Suppression().marks("section-disturbed", "section/T107") == {}
