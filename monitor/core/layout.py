"""The line file as a graph: sections are nodes, heads are edges, and what depends on what.

The file is read once, before anything starts.
Every fault in it is reported at once, with file, table and id, so that whoever mends it need not come back for the next.
What is offered is frozen and plain; pydantic is used only to read.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from typing import Annotated, Any, TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    TypeAdapter,
    ValidationError,
)

OPEN = "open"
"""In `between`: no detection beyond."""

Limits = Mapping[str, tuple[float, float]]

MEASURED = ("a_volts", "b_volts", "a_hertz", "b_hertz", "supply_volts")
"""What limits may be set for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A length of track whose occupation is proved by counting axles in and out."""

    id: str
    area: str
    evaluator: str
    length_m: float
    speed_km_h: float
    track: str | None = None
    normal_occupation_s: float | None = None
    ref: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """One detection point, at the boundary of two sections; forward is out of the first, into the second."""

    id: str
    between: tuple[str, str]
    km: float | None = None
    unit: str | None = None
    cable: str | None = None
    evaluators: tuple[str, ...] = ()
    limits: Limits = field(default_factory=dict)
    ref: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluator:
    """What keeps the tallies of some sections."""

    id: str
    site: str
    supply: str | None = None
    gateway: str | None = None
    rack: str | None = None
    ref: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """Where people go: how to come there, how to come in, and which room it is; `geo` is latitude and longitude in degrees (WGS 84)."""

    id: str
    access: str | None = None
    telephone: str | None = None
    route: str | None = None
    room: str | None = None
    geo: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Area:
    """Whom to speak to about a part of the line."""

    id: str
    signaller: str | None = None
    telephone: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Asset:
    """A trackside unit or a cable, with its number in the owner's register."""

    id: str
    ref: str | None = None


class LineFault(Exception):
    """A line file is wrong.

    Attributes:
        faults: every fault, one line each.
    """

    def __init__(self, faults: Iterable[str]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(self.faults))


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A line as a graph.

    Args:
        digest: SHA-256 of the file's text, in hexadecimal.
    """

    name: str
    timezone: str
    zone: ZoneInfo
    sections: Mapping[str, Section]
    heads: Mapping[str, Head]
    evaluators: Mapping[str, Evaluator]
    sites: Mapping[str, Site]
    areas: Mapping[str, Area]
    units: Mapping[str, Asset]
    cables: Mapping[str, Asset]
    limits: Limits
    digest: str
    _neighbours: Mapping[str, tuple[str, ...]]
    _heads_of: Mapping[str, tuple[str, ...]]
    _sections_of: Mapping[str, tuple[str, ...]]
    _open: frozenset[str]

    def neighbours(self, section: str) -> tuple[str, ...]:
        """The sections that share a head with *section*, each once."""
        return self._neighbours[section]

    def is_open(self, section: str) -> bool:
        """Whether a train can leave *section* to where there is no detection."""
        return section in self._open

    def heads_of(self, section: str) -> tuple[str, ...]:
        """The heads at the boundary of *section*, in the order of the file."""
        return self._heads_of[section]

    def heads_between(self, a: str, b: str) -> tuple[str, ...]:
        """The heads shared by sections *a* and *b*."""
        return tuple(h for h in self._heads_of[a] if b in self.heads[h].between)

    def sections_of(self, evaluator: str) -> tuple[str, ...]:
        """The sections whose tally *evaluator* keeps."""
        return self._sections_of.get(evaluator, ())

    def sections_about(self, subjects: Iterable[str]) -> tuple[str, ...]:
        """The sections that *subjects* are, or whose heads, evaluators or gateways they are, each once."""
        found: dict[str, None] = {}
        for subject in subjects:
            kind, _, name = subject.partition("/")
            if kind == "section":
                found[name] = None
            elif kind == "head" and name in self.heads:
                found |= dict.fromkeys(self.heads[name].between)
            elif kind == "evaluator":
                found |= dict.fromkeys(self.sections_of(name))
            elif kind == "gateway":
                for one in self.evaluators.values():
                    if one.gateway == name:
                        found |= dict.fromkeys(self.sections_of(one.id))
        return tuple(name for name in found if name in self.sections)

    def with_what_was(self, former: Line) -> Line:
        """This line, and besides what stands only in a *former* file of it: to be drawn where a file was changed meanwhile."""
        if former.digest == self.digest:
            return self
        named = ("sections", "heads", "evaluators", "sites", "areas", "units", "cables",
                 "_neighbours", "_heads_of", "_sections_of")  # fmt: skip
        both: dict[str, Any] = {
            name: {**getattr(former, name), **getattr(self, name)} for name in named
        }
        # In the order of this file, what is only in the former one after it.
        ordered: dict[str, Any] = {
            name: {key: both[name][key] for key in (*getattr(self, name), *both[name])}
            for name in named
        }
        return replace(self, _open=self._open | former._open, **ordered)

    def part(self, sections: Iterable[str]) -> Line:
        """This line with no more than *sections*, to be drawn: what joins them to others, and what those are, is left out."""
        names = dict.fromkeys(sections)
        heads = {
            name: head
            for name, head in self.heads.items()
            if all(side in names or side == OPEN for side in head.between)
        }
        evaluators = {self.sections[name].evaluator for name in names}
        return replace(
            self,
            sections={name: self.sections[name] for name in names},
            heads=heads,
            evaluators={
                name: one for name, one in self.evaluators.items() if name in evaluators
            },
            _neighbours={
                name: tuple(one for one in self._neighbours[name] if one in names)
                for name in names
            },
            _heads_of={
                name: tuple(one for one in self._heads_of[name] if one in heads)
                for name in names
            },
            _sections_of={
                name: tuple(one for one in of if one in names)
                for name, of in self._sections_of.items()
                if name in evaluators
            },
            _open=self._open & frozenset(names),
        )

    @property
    def gateways(self) -> tuple[str, ...]:
        """The gateways that speak for some evaluator, in order of their ids."""
        named = {one.gateway for one in self.evaluators.values()}
        return tuple(sorted(one for one in named if one is not None))


# Reading.

T = TypeVar("T")

Id = Annotated[
    str,
    StringConstraints(
        strict=True, min_length=1, max_length=60, pattern=r"^[^\s/+#\p{Cc}\p{Cf}]+$"
    ),
]
"""An id becomes a level of a topic and a part of an alert's subject."""

Place = Annotated[
    str,
    StringConstraints(
        strict=True, min_length=1, max_length=120, pattern=r"^[^/\p{Cc}]+$"
    ),
]
"""Where people go, in words; a part of an alert's subject too."""

Name = Annotated[
    str,
    StringConstraints(
        strict=True, min_length=1, max_length=120, pattern=r"^[^\p{Cc}]+$"
    ),
]
Text = Annotated[
    str, StringConstraints(strict=True, max_length=300, pattern=r"^[^\p{Cc}]*$")
]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False, strict=True)]
Finite = Annotated[float, Field(allow_inf_nan=False, strict=True)]
Range = tuple[Finite, Finite]
Latitude = Annotated[float, Field(ge=-90, le=90, strict=True)]
Longitude = Annotated[float, Field(ge=-180, le=180, strict=True)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid")


class _LineTable(_Table):
    name: Name
    timezone: Text


class _SectionTable(_Table):
    id: Id
    area: Id
    evaluator: Id
    length_m: Positive
    speed_km_h: Positive
    track: Text | None = None
    normal_occupation_s: Positive | None = None
    ref: Text | None = None


class _HeadTable(_Table):
    id: Id
    between: Annotated[list[Id], Field(min_length=2, max_length=2)]
    km: Finite | None = None
    unit: Id | None = None
    cable: Id | None = None
    evaluators: list[Id] = []
    ref: Text | None = None
    limits: dict[str, Range] = {}


class _EvaluatorTable(_Table):
    id: Id
    site: Place
    supply: Id | None = None
    gateway: Id | None = None
    rack: Text | None = None
    ref: Text | None = None


class _SiteTable(_Table):
    id: Place
    access: Text | None = None
    telephone: Text | None = None
    route: Text | None = None
    room: Text | None = None
    geo: tuple[Latitude, Longitude] | None = None


class _AreaTable(_Table):
    id: Id
    signaller: Text | None = None
    telephone: Text | None = None


class _AssetTable(_Table):
    id: Id
    ref: Text | None = None


_TABLES: dict[str, type[_Table]] = {
    "evaluator": _EvaluatorTable,
    "section": _SectionTable,
    "head": _HeadTable,
    "site": _SiteTable,
    "area": _AreaTable,
    "unit": _AssetTable,
    "cable": _AssetTable,
}


_LIMITS = TypeAdapter(dict[str, Range])

_NO_ID = "; an id has no spaces, slashes, + or #"


def read_line(text: str, name: str = "line.toml") -> Line:
    """The line that *text* describes.

    Raises:
        LineFault: with every fault of the file *name*, each on a line that names file, table and id.
    """
    try:
        raw = tomllib.loads(text.removeprefix("\ufeff"))
    except (ValueError, RecursionError) as error:
        raise LineFault([f"{name}: not TOML: {error}"]) from None
    reading = _Reading(name)
    head = reading.line(raw.get("line"))
    limits = reading.limits(raw.get("limits", {}), "[limits]")
    tables = {table: reading.rows(raw, table) for table in _TABLES}
    known = (*_TABLES, "line", "limits")
    for key in raw.keys() - set(known):
        reading.fault(f"[{key}]", f"no such table{_hint(key, known)}")
    reading.graph(tables)
    if reading.faults or head is None:
        raise LineFault(reading.faults)
    digest = hashlib.sha256(text.encode()).hexdigest()
    read = {table: rows.read for table, rows in tables.items()}
    return _build(head, limits, read, digest)


def _hint(key: str, known: Iterable[str]) -> str:
    known = sorted(known)
    near = get_close_matches(key, known, n=1)
    return f"; is it {near[0]}?" if near else f"; there are {', '.join(known)}"


@dataclass(frozen=True, slots=True)
class _Rows:
    """The rows of one table.

    Args:
        read: by id, those without a fault in themselves.
        ids: of all that have one, so that a row with a fault is not called missing besides.
        between: what heads name, of all where it can be read.
    """

    read: dict[str, Any] = field(default_factory=dict)
    ids: set[str] = field(default_factory=set)
    between: list[list[str]] = field(default_factory=list)


class _Reading:
    """The faults of one file as they are found."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.faults: list[str] = []

    def fault(self, where: str, what: str) -> None:
        # What a file holds may hold line feeds; a fault is one line all the same.
        line = f"{self.name}: {where}: {what}"
        self.faults.append("".join(c if c.isprintable() else "?" for c in line))

    def line(self, raw: object) -> _LineTable | None:
        if raw is None:
            self.fault("[line]", "missing; it gives name and timezone")
            return None
        table: _LineTable | None = self._validate(_LineTable, raw, "[line]")
        if table is not None:
            try:
                ZoneInfo(table.timezone)
            except (ZoneInfoNotFoundError, ValueError, OSError):
                self.fault("[line] timezone", f"no zone is called {table.timezone!r}")
        return table

    def limits(self, raw: object, where: str) -> Limits:
        try:
            found = _LIMITS.validate_python(raw)
        except ValidationError as error:
            self._explain(error, where, MEASURED)
            return {}
        self._bounds(found, where)
        return found

    def _bounds(self, limits: Limits, where: str) -> None:
        for measured, (low, high) in limits.items():
            if measured not in MEASURED:
                self.fault(
                    f"{where} {measured}", f"no such value{_hint(measured, MEASURED)}"
                )
            if low >= high:
                self.fault(
                    f"{where} {measured}",
                    f"the low one, {low:g}, is not below {high:g}",
                )

    def rows(self, raw: dict[str, Any], table: str) -> _Rows:
        found = _Rows()
        given = raw.get(table, [])
        if not isinstance(given, list):
            self.fault(f"[{table}]", f"write it as [[{table}]], one for each")
            return found
        if not given and table == "section":
            self.fault("[[section]]", "there is none")
        for number, row in enumerate(given, 1):
            self._row(row, number, table, found)
        return found

    def _row(self, row: object, number: int, table: str, found: _Rows) -> None:
        raw = row if isinstance(row, dict) else {}
        named = raw.get("id")
        where = f"[[{table}]] {named if isinstance(named, str) else f'no. {number}'}"
        read = self._validate(_TABLES[table], row, where)
        between = raw.get("between")
        sides = between if isinstance(between, list) else [between]
        found.between.append([one for one in sides if isinstance(one, str)])
        if not isinstance(named, str):
            return
        if named in found.ids:
            self.fault(where, "this id stands twice")
        if named == OPEN and table == "section":
            self.fault(where, "open means no detection; a section cannot be so called")
        found.ids.add(named)
        if read is not None:
            found.read[named] = read

    def graph(self, tables: dict[str, _Rows]) -> None:
        """What the tables say of one another."""
        sections, evaluators = tables["section"].ids, tables["evaluator"].ids
        for head in tables["head"].read.values():
            where = f"[[head]] {head.id}"
            self._between(where, head.between, sections)
            for evaluator in head.evaluators:
                if evaluator not in evaluators:
                    self.fault(where, f"evaluator {evaluator} is not in the file")
            self._bounds(head.limits, f"{where} limits")
        bounded = {side for between in tables["head"].between for side in between}
        for section in sorted(sections - bounded - {OPEN}):
            self.fault(f"[[section]] {section}", "has no head")
        for section in tables["section"].read.values():
            if section.evaluator not in evaluators:
                where = f"[[section]] {section.id}"
                self.fault(where, f"evaluator {section.evaluator} is not in the file")

    def _between(self, where: str, between: list[str], sections: set[str]) -> None:
        one, other = between
        if one == other:
            what = "both sides are open" if one == OPEN else f"joins {one} to itself"
            self.fault(where, what)
        for side in dict.fromkeys(between):
            if side != OPEN and side not in sections:
                self.fault(
                    where, f"between names section {side}, which is not in the file"
                )

    def _validate(self, model: type[_Table], raw: object, where: str) -> Any:
        try:
            return model.model_validate(raw)
        except ValidationError as error:
            self._explain(error, where, model.model_fields)
            return None

    def _explain(
        self, error: ValidationError, where: str, known: Iterable[str]
    ) -> None:
        for one in error.errors(include_url=False):
            key = ".".join(str(part) for part in one["loc"])
            if one["type"] == "extra_forbidden":
                what = f"no such key{_hint(key, known)}"
            elif one["type"] == "missing":
                what = "missing"
            elif one["type"] == "string_pattern_mismatch":
                what = f"{one['input']!r} has a sign that cannot stand here{_NO_ID}"
            elif one["type"] == "model_type":
                what = "expected a table"
            else:
                what = f"{one['msg'].lower()}, came {str(one['input'])[:40]!r}"
            self.fault(f"{where} {key}".rstrip(), what)


def _build(
    head: _LineTable,
    limits: Limits,
    tables: dict[str, dict[str, Any]],
    digest: str,
) -> Line:
    heads = {
        one.id: Head(
            **{
                **one.model_dump(),
                "between": tuple(one.between),
                "evaluators": tuple(one.evaluators),
            }
        )
        for one in tables["head"].values()
    }
    neighbours: dict[str, list[str]] = {section: [] for section in tables["section"]}
    heads_of: dict[str, list[str]] = {section: [] for section in tables["section"]}
    for edge in heads.values():
        for side, other in (edge.between, edge.between[::-1]):
            if side != OPEN:
                heads_of[side].append(edge.id)
                if other != OPEN and other not in neighbours[side]:
                    neighbours[side].append(other)
    sections = _rows(Section, tables["section"])
    sections_of: dict[str, list[str]] = {}
    for section in sections.values():
        sections_of.setdefault(section.evaluator, []).append(section.id)
    return Line(
        name=head.name,
        timezone=head.timezone,
        zone=ZoneInfo(head.timezone),
        sections=sections,
        heads=heads,
        evaluators=_rows(Evaluator, tables["evaluator"]),
        sites=_rows(Site, tables["site"]),
        areas=_rows(Area, tables["area"]),
        units=_rows(Asset, tables["unit"]),
        cables=_rows(Asset, tables["cable"]),
        limits=limits,
        digest=digest,
        _neighbours={key: tuple(value) for key, value in neighbours.items()},
        _heads_of={key: tuple(value) for key, value in heads_of.items()},
        _sections_of={key: tuple(value) for key, value in sections_of.items()},
        _open=frozenset(
            side
            for one in heads.values()
            if OPEN in one.between
            for side in one.between
        ),
    )


def _rows(kind: type[T], rows: dict[str, Any]) -> dict[str, T]:
    return {key: kind(**row.model_dump()) for key, row in rows.items()}
