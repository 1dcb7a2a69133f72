import pytest

from monitor.desk.pages.sounding import GONE_BLOCKED_S, GONE_S, Sounding


class Hand:
    """A clock that is set by hand."""

    now = 0.0

    def __call__(self):
        """Now."""
        return self.now


@pytest.fixture
def hand():
    """Stands at nought."""
    return Hand()


def test_one_page_of_a_position_makes_its_sounds(hand):
    """The first that can, however many there are."""
    pages = Sounding(hand)

    assert [pages.beat("north", name, able=True) for name in ("a", "b", "a")] == [
        True,
        False,
        True,
    ]
    assert pages.pages("north") == 2


def test_each_position_has_its_own(hand):
    """A page at another desk is not kept quiet."""
    pages = Sounding(hand)

    assert pages.beat("north", "a", able=True)
    assert pages.beat("south", "b", able=True)


def test_a_page_whose_browser_blocks_sounds_is_not_chosen(hand):
    """Another one is, and it goes back to none where no page can."""
    pages = Sounding(hand)

    assert not pages.beat("north", "a", able=False)
    assert pages.beat("north", "b", able=True)
    assert not pages.beat("north", "b", able=False)


def test_when_the_page_is_gone_another_takes_over(hand):
    """After three and a half seconds without a sign of life."""
    pages = Sounding(hand)
    pages.beat("north", "a", able=True)
    hand.now = 3.0
    assert not pages.beat("north", "b", able=True)
    hand.now = 4.0
    assert pages.beat("north", "b", able=True)


def test_what_is_silenced_is_silenced_on_every_page_and_nothing_else_is(hand):
    """At its position alone, until it is let sound again; no other page takes over."""
    pages = Sounding(hand)
    pages.beat("north", "a", able=True)
    pages.silence("north", ["f1 urgent", "f2 prompt"])
    pages.silence("north", ["f1 urgent"])

    assert pages.silenced("north") == ["f1 urgent", "f2 prompt"]
    assert pages.silenced("south") == []
    assert not pages.beat("north", "b", able=True)
    pages.let_sound("north")
    assert pages.silenced("north") == []


def test_what_was_silenced_long_before_sounds_again(hand):
    """Or memory would grow for ever; it is the oldest that goes."""
    pages = Sounding(hand)
    pages.silence("north", [f"f{i} prompt" for i in range(501)])

    assert len(pages.silenced("north")) == 500
    assert "f0 prompt" not in pages.silenced("north")


def test_a_page_that_makes_no_sound_may_be_heard_more_seldom(hand):
    """Nobody waits for it; one that does is missed at once, so that another takes over."""
    pages = Sounding(hand)
    pages.beat("north", "a", able=True)
    pages.beat("north", "wall", able=False)
    hand.now += GONE_S + 0.1

    assert pages.beat("north", "b", able=True)
    assert pages.pages("north") == 2
    hand.now += GONE_BLOCKED_S
    assert pages.beat("north", "b", able=True)
    assert pages.pages("north") == 1
