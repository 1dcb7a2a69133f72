from __future__ import annotations

import asyncio
import json
import re
from contextlib import aclosing

from hypothesis import given, strategies as st

from monitor.desk.stream import Stream


async def told(stream, last_id, wanted):
    """The next *wanted* events that a reader is told, as (id, kind, values)."""
    found = []
    async with aclosing(stream.read(last_id)) as reading:
        async for text in reading:
            for block in text.split("\n\n"):
                if block.startswith("id: "):
                    lines = dict(line.split(": ", 1) for line in block.split("\n"))
                    values = json.loads(lines["data"])
                    found.append((lines["id"], lines["event"], values))
            if len(found) >= wanted:
                return found
    return found


async def test_a_reader_that_was_cut_off_misses_nothing():
    """Whoever names the last event they had is told all that came since, in order, each once."""
    stream = Stream(run="0000abcd")
    for number in range(1, 251):
        stream.put("alert", number)
    found = await told(stream, "0000abcd-7", 243)
    assert found[0] == ("0000abcd-8", "alert", 8)
    assert [values for _, _, values in found] == list(range(8, 251))


async def test_whoever_comes_first_is_told_what_comes():
    """A reader without a last event is told only what comes from then on."""
    stream = Stream(run="0000abcd")
    stream.put("alert", 1)
    async with asyncio.TaskGroup() as group:
        reading = group.create_task(told(stream, None, 1))
        await asyncio.sleep(0)
        stream.put("alert", 2)
    assert reading.result() == [("0000abcd-2", "alert", 2)]


async def test_what_is_no_longer_here_is_said():
    """A reader whose last event is too old, of another run, not yet, or nonsense is told `gone` first, with words, and then goes on."""
    for last in ("0000abcd-6", "0000ffff-9", "0000abcd-11", "x\ny", "0000abcd-1"):
        stream = Stream(kept=3, run="0000abcd")
        for number in range(1, 11):
            stream.put("alert", number)
        async with asyncio.TaskGroup() as group:
            reading = group.create_task(told(stream, last, 2))
            await asyncio.sleep(0.01)
            stream.put("alert", "next")
        (_, first, values), (_, _, after) = reading.result()
        assert first == "gone"
        assert "no longer here" in values["text"]
        assert after == "next"
        assert values["last"] in (last, None)


async def test_what_is_just_still_here_is_given():
    """With three kept of ten, whoever had the seventh misses nothing, whoever had the sixth does."""
    stream = Stream(kept=3, run="0000abcd")
    for number in range(1, 11):
        stream.put("alert", number)
    found = await told(stream, "0000abcd-7", 3)
    assert [values for _, _, values in found] == [8, 9, 10]
    [(identity, kind, _)] = await told(stream, "0000abcd-6", 1)
    assert (identity, kind) == ("0000abcd-10", "gone")


async def test_a_slow_reader_is_told_what_it_missed():
    """A reader that is overtaken by what comes is told so, and is not given a hole in silence."""
    stream = Stream(kept=5, run="0000abcd")
    async with aclosing(stream.read(None)) as reading:
        assert (await anext(reading)).startswith("retry")
        for number in range(1, 21):
            stream.put("alert", number)
        assert "event: gone" in await anext(reading)
        stream.put("alert", 21)
        assert "data: 21" in await anext(reading)


async def test_silence_is_told_as_silence():
    """Where nothing comes a line says that the stream is still there, so that whoever reads knows a quiet desk from a dead one."""
    stream = Stream(beat_s=0.01)
    async with aclosing(stream.read(None)) as reading:
        await anext(reading)
        assert await anext(reading) == ": still here\n\n"


async def test_whoever_may_no_longer_is_told_no_more():
    """A reader whose session ended is let go at the next thing that is sent."""
    stream = Stream(beat_s=0.01)
    may = {"look"}
    async with aclosing(stream.read(None, lambda: bool(may))) as reading:
        await anext(reading)
        may.clear()
        rest = [text async for text in reading]
    assert rest in ([], [": still here\n\n"])


async def test_the_end_lets_everybody_go():
    """At the end of the daemon every reader is let go at once."""
    stream = Stream(beat_s=60)
    async with asyncio.TaskGroup() as group:
        reading = group.create_task(told(stream, None, 1))
        await asyncio.sleep(0.01)
        stream.close()
    assert reading.result() == []
    assert not stream._waiting


async def test_readers_are_counted():
    """As many read as may, and one who left makes room."""
    stream = Stream(readers=1, beat_s=0.01)
    assert not stream.is_full()
    async with aclosing(stream.read(None)) as reading:
        await anext(reading)
        assert stream.is_full()
    assert not stream.is_full()


@given(st.text())
def test_no_text_breaks_the_frame(text):
    """Whatever stands in an event, it is one line of data and comes back as it was."""
    stream = Stream(run="0000abcd")
    stream.put("note", {"text": text.encode(errors="replace").decode()})
    [(_, block, _)] = stream._events
    lines = block.rstrip("\n").replace("\r", "\n").split("\n")
    assert len(lines) == 3
    values = json.loads(lines[2].removeprefix("data: "))
    assert values["text"] == text.encode(errors="replace").decode()


@given(st.integers(1, 6), st.integers(0, 12), st.integers(0, 14))
async def test_nothing_is_lost_in_silence(kept, came, last):
    """Whatever was kept and wherever a reader was: it is told all that came since, or that it missed something."""
    stream = Stream(kept=kept, run="0000abcd", beat_s=60)
    for number in range(1, came + 1):
        stream.put("alert", number)
    found = []
    async with aclosing(stream.read(f"0000abcd-{last}")) as reading:
        await anext(reading)
        if last != came:
            text = await anext(reading)
            found = [line for line in text.split("\n") if line.startswith("data")]
    since = list(range(last + 1, came + 1))
    if last <= came and len(since) <= kept:
        assert found == [f"data: {number}" for number in since]
    else:
        assert "no longer here" in found[0]


async def test_what_concerns_some_readers_is_told_to_those_alone():
    """Whoever follows one thing is not told of another, and misses nothing that is for everybody."""
    stream = Stream(run="0000abcd")
    for number, to in enumerate((None, "north", "south", None, "south"), 1):
        stream.put("lists", number, to=to)

    async def heard(*of):
        found = []
        async with aclosing(stream.read("0000abcd-0", of=of)) as reading:
            async with asyncio.timeout(5):
                async for text in reading:
                    found += re.findall(r"data: (\d)", text)
                    if "4" in found:
                        break
        return "".join(found)

    assert await heard() == "14"
    assert await heard("north") == "124"
    assert await heard("north", "south") == "12345"
