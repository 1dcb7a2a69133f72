from __future__ import annotations

from monitor.desk.model import NotThere
from monitor.desk.pages.listed import RENEW_S, Listed
from monitor.desk.pages.shared import Shared


class Board:
    """Two lists of each position that there is, and a clock."""

    def __init__(self):
        self.version = 0
        self.seconds = 100.0
        self.faults = "none"
        self.moved = "no train yet"
        self.made = 0
        self.takes = 0.0
        makers = {"top": self.make_top, "faults": self.make_faults}
        shared = Shared(lambda: self.version, lambda: self.seconds)
        self.listed = Listed(shared, makers, lambda: self.seconds)

    async def make_top(self, position):
        """The top line."""
        return f"{position}: {self.moved}"

    async def make_faults(self, position):
        """The list that is dear."""
        if position == "nowhere":
            raise NotThere("there is no position nowhere")
        self.made += 1
        self.seconds += self.takes
        return f"{position}: {self.faults}"

    async def told(self):
        """By position, the text of each list that is told with its text."""
        return {
            position: {
                name: one["text"] for name, one in every.items() if "text" in one
            }
            for position, every in await self.listed.news()
        }


async def test_a_list_is_told_as_soon_as_it_is_another():
    """With its text once, to each position that somebody follows; nothing at all where nothing is another."""
    board = Board()
    assert await board.told() == {}
    with board.listed.followed(["north", "nowhere"]):
        assert await board.told() == {
            "north": {"top": "north: no train yet", "faults": "north: none"}
        }
        assert await board.told() == {}
        board.version, board.faults = 1, "W7KC"
        assert await board.told() == {"north": {"faults": "north: W7KC"}}
        # What a train does changes no fault, and the top line all the same.
        board.moved = "12:05"
        board.seconds += 0.6
        assert await board.told() == {"north": {"top": "north: 12:05"}}
    board.version += 1
    assert await board.told() == {}


async def test_a_page_is_told_what_it_should_have_whenever_it_may_have_missed_it():
    """After any change that may have been taken back since, and every few seconds: the marks alone."""
    board = Board()
    with board.listed.followed(["north"]):
        await board.told()
        board.version = 1
        [(_, first)] = await board.listed.news()
        board.seconds += RENEW_S
        [(_, second)] = await board.listed.news()
    assert all("text" not in one for one in (*first.values(), *second.values()))
    assert first["faults"]["mark"] == second["faults"]["mark"]
    assert first["faults"]["made"] < second["faults"]["made"]


async def test_a_list_that_is_dear_holds_up_no_tick():
    """In a storm it is made as often as it may be, and told then."""
    board = Board()
    board.takes = 0.1
    with board.listed.followed(["north"]):
        await board.told()
        for _ in range(5):
            board.version += 1
            board.faults = f"of version {board.version}"
            await board.told()
        assert board.made == 1
        board.seconds += 0.31
        told = await board.told()
    assert told["north"]["faults"] == "north: of version 5"
    assert board.made == 2
