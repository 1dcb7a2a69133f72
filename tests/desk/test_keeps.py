import pytest

from monitor.desk.model import KeepIn, Refused
from monitor.keeps import read_keep
from tests.desk.daemon import MOOR

HOUR = KeepIn(
    begin="2026-05-04T11:30:00Z",
    end="2026-05-04T12:30:00Z",
    reason="T107 let go of a train",
    key="12345678",
)


async def test_a_window_is_kept_on_disk_and_known_after_a_start(daemon):
    """By whom and why; sent again it is one all the same."""
    async with daemon.running() as desk:
        done = await desk.keep(MOOR, HOUR)
        again = await desk.keep(MOOR, HOUR)
        [told] = await desk.keeps()
    later = daemon.started_again()

    assert (done.again, again.again, again.id) == (False, True, done.id)
    assert (told.by, told.reason, told.begin) == (
        "A. Moor",
        "T107 let go of a train",
        "2026-05-04T11:30:00.000Z",
    )
    assert later.keeps == daemon.keeps
    assert len(daemon.written()) == 1


async def test_a_window_that_ends_before_it_begins_is_refused(daemon):
    """Nothing is written."""
    wrong = HOUR.model_copy(update={"end": "2026-05-04T11:00:00Z"})
    async with daemon.running() as desk:
        with pytest.raises(Refused):
            await desk.keep(MOOR, wrong)

    assert daemon.written() == []


def test_what_is_not_whole_is_told():
    """A window without its end."""
    with pytest.raises(ValueError, match="not whole"):
        read_keep(b'{"type":"tallywatch.window.kept","id":"1","data":{}}')
    assert read_keep(b"tallywatch.window.kept") is None
