"""A window of a journal for the desk's page, made in a process of its own so that the daemon goes on: `python -m monitor.incident`.

It reads the journal alone, and writes a line of JSON with what stands in the page, then the packed document of the diagram.
What cannot be done is one line on stderr, and ends it with 1.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path

from monitor.acts import acts
from monitor.core.layout import LineFault
from monitor.core.moments import Moment, exact
from monitor.incident.beside import Beside
from monitor.incident.desks import Desks
from monitor.incident.document import document, packed
from monitor.incident.page import parts
from monitor.incident.pieces import gathered
from monitor.incident.report import kept_about, pieces_of
from monitor.incident.stepping import Walk
from monitor.incident.story import Story
from monitor.incident.told import Sent, delivered
from monitor.incident.when import window
from monitor.journal import Journal, JournalFault
from monitor.painted import Painting, paintings
from monitor.past import Past, PastFault
from monitor.shown import shown_in
from monitor.standing import closings

MOST = 400_000
"""Events that are gone through at most, lead-in included: so many take about a minute and a half of one core, and somebody waits for them."""


def made(
    journal: Path,
    begin: Moment,
    end: Moment,
    section: str,
    at: Moment | None,
    *,
    alerts: Path | None = None,
    tried: Callable[[Past, Story], Beside] | None = None,
    most: int | None = None,
) -> tuple[dict[str, object], bytes]:
    """What stands in the page, and the packed document.

    Args:
        journal: of the monitor.
        begin: of the window.
        end: of the window.
        section: to be stepped through, or "".
        at: from when.
        alerts: the store of the monitor, of what was delivered.
        tried: gives what would have been concluded by something else.
        most: events that are gone through at most, instead of MOST.

    Raises:
        JournalFault, PastFault, LineFault: it cannot be made.
    """
    with Journal.read(journal) as book:
        past = Past(book, begin, end)
        _bearable(book.count(past.lead_in, end), past, most or MOST)
        done = tuple(acts(kept_about(past)))
        found = gathered(pieces_of(past), (begin, end))
        found = replace(found, story=found.story.settled(closings(done)))
        first: tuple[Walk, ...] = ()
        if section in found.story.line.sections:
            since = begin if at is None else at
            first = (Walk(section=section, begin=since, end=end),)
        story, steps = found.story, found.steps(first)
        sent = delivered(alerts, played=book.played)
        shown = tuple(shown_in(kept_about(past)))
        desks = Desks(shown=shown, areas=past.areas)
        told: tuple[Painting | Sent, ...] = (
            *paintings(shown),
            *sent.sent,
        )
        said = past.said(version("tallywatch"))
        other = None if tried is None else tried(past, story)
        return (
            {
                "window": window(story),
                "rehearsal": story.rehearsal,
                "parts": parts(
                    story,
                    told=told,
                    untold=sent.why,
                    acts=done,
                    steps=steps,
                    notes=[("In force", said)],
                    beside=other,
                    desks=desks,
                ),
            },
            packed(document(story, told=told, steps=steps, beside=other, desks=desks)),
        )


def _bearable(events: int, past: Past, most: int) -> None:
    """Whether somebody may wait for so many *events*.

    Raises:
        PastFault: nobody may; the text says the way round.
    """
    if events > most:
        raise PastFault(
            f"{events:,} events came in this window and the {past.lead_in_h:g} h before it, "
            f"which are gone through too; a page waits for {most:,} at most. Ask for less, or let "
            f"tallywatch replay --from {exact(past.begin)} --to {exact(past.end)} "
            "--report FILE make it, however much it is"
        )


def asked(prog: str) -> argparse.ArgumentParser:
    """What *prog* is told: of which journal, and which window."""
    parser = argparse.ArgumentParser(prog=prog)
    parser.add_argument("journal", type=Path)
    parser.add_argument("begin", type=int, help="microseconds since 1970, UTC")
    parser.add_argument("end", type=int)
    parser.add_argument("--section", default="")
    parser.add_argument("--at", type=int)
    parser.add_argument("--alerts", type=Path)
    return parser


def answer(
    given: argparse.Namespace,
    tried: Callable[[], Callable[[Past, Story], Beside]] | None = None,
    *,
    most: int | None = None,
) -> int:
    """Make what is *given* and write it to stdout, or on stderr why that cannot be; the exit code.

    Args:
        given: as `asked` has it.
        tried: gives what tells what would have been concluded by something else.
        most: events that are gone through at most, instead of MOST.
    """
    try:
        head, body = made(
            given.journal,
            given.begin,
            given.end,
            given.section,
            given.at,
            alerts=given.alerts,
            tried=None if tried is None else tried(),
            most=most,
        )
    except (JournalFault, PastFault, LineFault) as error:
        sys.stderr.write(f"{str(error).splitlines()[0]}\n")
        return 1
    sys.stdout.buffer.write(json.dumps(head).encode() + b"\n" + body)
    return 0


def main() -> int:
    """Make it and write it to stdout."""
    return answer(asked("python -m monitor.incident").parse_args())


if __name__ == "__main__":
    sys.exit(main())
