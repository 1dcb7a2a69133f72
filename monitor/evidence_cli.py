"""`tallywatch evidence` puts together what is handed on after an incident, and `tallywatch verify` checks that, or a journal."""
# ruff: noqa: PLC0415 - a command imports what it needs itself, so that help comes at once

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.options import (
    DataDirectory,
    FilesOf,
    From,
    JournalFile,
    To,
    window,
)
from monitor.past_cli import opened, version, where

if TYPE_CHECKING:
    from monitor.evidence import Evidence
    from monitor.incident.story import Story
    from monitor.past import Past
    from monitor.proof import Proof
    from monitor.store import Store

Roots = Annotated[
    list[str] | None,
    typer.Option(
        "--root",
        metavar="DIGEST",
        help="The root of a day, out of the log of the monitor; again for each day.",
    ),
]


def evidence(
    begin: From,
    end: To,
    out: Annotated[
        Path, typer.Option("--out", "-o", metavar="PACK.ZIP", help="Where it goes.")
    ],
    sections: Annotated[
        list[str] | None,
        typer.Option(
            "--section",
            "--sections",
            metavar="ID",
            help="Only of this section and those beside it; again, or with commas, for "
            "more.",
        ),
    ] = None,
    roots: Roots = None,
    files_of: FilesOf = None,
    data: DataDirectory = None,
    journal: JournalFile = None,
    *,
    roles: Annotated[
        bool, typer.Option("--roles", help="Roles in place of the names of people.")
    ] = False,
) -> None:
    """Put together what is handed on after an incident: records with proof that they stand in the journal, what was in force, concluded, told and shown.

    The same journal and the same question give the same bytes; secrets never go in.
    """
    from tempfile import TemporaryDirectory

    from monitor.bars import progress
    from monitor.evidence import Asked, Evidence
    from monitor.packing import pack

    start, stop = window(begin, end)
    files = where(files_of, data, journal)
    asked = Asked(
        begin=start,
        end=stop,
        sections=tuple(
            name.strip() for one in sections or () for name in one.split(",")
        ),
        roles=_roles(files.people) if roles else None,
        roots=tuple(one.lower() for one in roots or ()),
        version=version(),
    )
    with (
        opened(start, stop, files_of=files_of, data=data, journal=journal) as past,
        _store(files.alerts) as store,
        TemporaryDirectory(prefix="tallywatch-") as scratch,
    ):
        made = Evidence(asked, past, store, lambda events: progress(events, "packing"))
        for sentence in past.reach_of(stop):
            typer.echo(sentence, err=True)
        more = {"report.html": _report(made, past, files.alerts).encode()}
        digest = pack(out, made.files(Path(scratch), more))
    typer.echo(f"{out}: SHA-256 {digest}")


def _report(made: Evidence, past: Past, alerts: Path) -> str:
    from dataclasses import replace

    from monitor.incident.pieces import Piece
    from monitor.incident.report import pieces_of, report
    from monitor.incident.told import delivered

    wanted = made.wanted

    def handed_on(one: Piece) -> Piece:
        return replace(one, events=lambda: made.handed_on(one.events()))

    return report(
        map(handed_on, pieces_of(past)),
        window=(past.begin, past.end),
        shown=tuple(made.shown()),
        areas=past.areas,
        sent=delivered(alerts, played=past.journal.played),
        closed=made.closed,
        notes=[("In force", past.said(version())), *_spoken_of(made)],
        only=None if wanted is None else partial(_only, made, wanted),
    )


def _only(made: Evidence, wanted: frozenset[str], story: Story) -> Story:
    from monitor.incident.narrowing import narrowed

    return narrowed(story, wanted, made.speaks)


def _spoken_of(made: Evidence) -> list[tuple[str, list[str]]]:
    """That other sections are left out, where they are."""
    if made.wanted is None:
        return []
    said = (
        "Of other sections than those drawn nothing is told here, and trains only as "
        "far as they went through these; what is concluded was concluded from all."
    )
    return [("Left out", [said])]


def _roles(path: Path) -> dict[str, str]:
    """The roles of people, by name."""
    from monitor.desk.people import read_people

    try:
        return {one.name: one.role.value for one in read_people(path)}
    except FileNotFoundError:
        typer.echo(f"{path}: not there, so everybody is somebody", err=True)
        return {}


@contextmanager
def _store(path: Path) -> Iterator[Store | None]:
    import sqlite3

    from monitor.store import Store

    try:
        store = Store.to_read(path)
    except sqlite3.Error as error:
        typer.echo(f"{path}: {error}; what was told is not in the pack", err=True)
        yield None
        return
    with store:
        yield store


def verify(
    pack: Annotated[
        Path | None,
        typer.Argument(metavar="PACK.ZIP", help="Evidence; else the journal."),
    ] = None,
    roots: Roots = None,
    files_of: FilesOf = None,
    journal: JournalFile = None,
    data: DataDirectory = None,
) -> None:
    """Say whether the journal, or evidence out of one, is as it was written, and what is not.

    With --root also whether it is the journal of which that root was kept.
    """
    asked = [one.lower() for one in roots or ()]
    if pack is not None:
        from monitor.core.words import readable
        from monitor.packing import PackFault
        from monitor.proof import prove

        try:
            found = prove(pack, asked)
        except PackFault as fault:
            # Whoever made it may have put anything into it.
            raise PackFault(readable(f"{pack}: {fault}")) from None
        for text in in_words(found):
            typer.echo(readable(f"{pack}: {text}"))
        return
    from monitor.journal import JournalFault, verify as audit

    path = where(files_of, data, journal).journal
    verdict = audit(path, asked)
    if verdict.position is not None:
        raise JournalFault(f"{path}: record {verdict.position}: {verdict.what}")
    for root in asked:
        if root not in verdict.known:
            raise JournalFault(
                f"{path}: no record has the digest {root}: this is another journal than "
                "that of which it was kept, it was changed, or its end is cut off"
            )
        typer.echo(f"{path}: record {verdict.known[root]} has the digest {root}")
    typer.echo(f"{path}: {verdict.records:,} records fit; the last is {verdict.digest}")


def in_words(found: Proof) -> list[str]:
    r"""What was found, line by line.

    Example:
        >>> from monitor.proof import Proof
        >>> proof = Proof(
        ...     files=9,
        ...     first=4,
        ...     last=7,
        ...     end=9,
        ...     digest="c0ffee",
        ...     shown=3,
        ...     withheld=(5, 6),
        ...     left_out=3,
        ...     roots=(("2026-05-04", 9, "c0ffee"),),
        ...     known=("c0ffee",),
        ... )
        >>> print("\n".join(in_words(proof)))
        9 files are as they were packed
        records 4 to 7 of the journal: 3 shown, and each follows the one before it
        changed, so that their words cannot be checked, only that they stand there: 2 records, 5, 6
        record 9 gives the root of 2026-05-04, c0ffee
        that root is the one that was kept elsewhere: c0ffee
    """
    said = [f"{found.files} files are as they were packed"]
    if found.first > found.last:
        said.append("no record was written in the window")
    else:
        said.append(
            f"records {found.first} to {found.last} of the journal: {found.shown} shown, "
            "and each follows the one before it"
        )
    if found.withheld:
        said.append(
            "changed, so that their words cannot be checked, only that they stand there: "
            f"{len(found.withheld)} records, {', '.join(map(str, found.withheld))}"
        )
    said += [
        f"record {position} gives the root of {day}, {digest}"
        for day, position, digest in found.roots
    ]
    if found.end and found.end not in {one[1] for one in found.roots}:
        said.append(
            f"the last day had not ended: record {found.end} has the digest {found.digest}"
        )
    said += [
        f"that root is the one that was kept elsewhere: {one}" for one in found.known
    ]
    if not found.known:
        how = (
            "so hold a root above against the log of that day, or give it with --root"
            if found.roots
            else "and no day ends in it, so pack it again when there is a root to hold it "
            "against"
        )
        said.append(
            "checked against no root that was kept elsewhere: the chain has no key of "
            f"anybody else's, {how}"
        )
    return said
