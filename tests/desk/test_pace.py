from __future__ import annotations

from monitor.desk.pace import Pace


class Hand:
    """A clock that is set."""

    now = 100.0

    def __call__(self):
        """What it shows."""
        return self.now


def test_each_page_has_so_many_a_minute():
    """The next of a page may come when the first of the last minute is a minute old; another page does not wait for it."""
    hand = Hand()
    pace = Pace(hand, each=2, all=100)
    first = pace.take("a")
    hand.now += 10
    took = [first, pace.take("a"), pace.take("a"), pace.take("b")]
    hand.now += 49.5
    took.append(pace.take("a"))
    hand.now += 0.5
    took += [pace.take("a"), pace.take("a")]

    assert took == [0, 0, 50, 0, 0.5, 0, 10]


def test_made_up_names_get_no_further():
    """All pages together have so many, whatever they call themselves."""
    pace = Pace(Hand(), each=2, all=10)

    assert sum(pace.take(f"page {n}") == 0 for n in range(100)) == 10


def test_a_clock_that_is_set_back_keeps_nobody_waiting():
    """What was counted by a time that has not come yet does not count."""
    hand = Hand()
    pace = Pace(hand, each=1, all=1)
    pace.take("a")
    hand.now -= 3600

    assert pace.take("a") == 0
