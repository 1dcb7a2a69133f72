"""What was counted at a section, or at something that several sections need, in a period: plain values.

A number without how long was watched is no number: with each stands what it had to happen in.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from monitor.core.moments import DAY, Duration, Moment
from monitor.core.statistics.comparing import Counted, Ratio
from monitor.core.statistics.fleets import Trend
from monitor.core.statistics.ranking import Carried, Expected

Kind = Literal["section", "head", "unit", "cable", "evaluator", "site"]
KINDS: tuple[Kind, ...] = ("section", "head", "unit", "cable", "evaluator", "site")
"""What a report has a table of, in this order."""

FULLY = 0.95
"""Observed for less than this share, trains are "at least"."""

MANY = 5
"""With fewer occasions nothing is said of when they came."""

SHORT: Duration = 7 * DAY
"""Of what was watched for less nothing is told for 90 days: not even each day of the week was seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Apart:
    """What is counted, and counts for nothing.

    Args:
        under_work: disturbances between the beginning of work and its end.
        after_work: within an hour after it.
        at_start: when an evaluator came into service.
        failed: not available, from such a disturbance until it was given back, outside work.
        held: trains held by that.
    """

    under_work: int = 0
    after_work: int = 0
    at_start: int = 0
    failed: Duration = 0
    held: int = 0

    @property
    def total(self) -> int:
        """All the disturbances."""
        return self.under_work + self.after_work + self.at_start


@dataclass(frozen=True, slots=True, kw_only=True)
class Resets:
    """Accepted resets of one kind.

    Args:
        kind: the way of giving back.
        accepted: how many that count.
        followed: of those, how many a train followed since.
        apart: how many more are counted apart.
    """

    kind: str
    accepted: int
    followed: int
    apart: int


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenBack:
    """How long sections were not available.

    Args:
        number: how often.
        going_on: of those, how many were not seen to be given back.
        median_s: within so many seconds half were given back; None where that is not known.
        most_s: within so many nine in ten.
    """

    number: int
    going_on: int
    median_s: float | None
    most_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """One row of the report.

    Args:
        subject: `section/T107`, or `line`.
        place: where, in words.
        ref: its number in the owner's register, or "".
        sections: what it is made of, by id.
        period: how long the period is.
        watched: how much of it was observed; of several sections the mean.
        dark_longest: the longest spell in it that was not observed, of any of its sections.
        heard: whether any of it was ever heard by the end.
        new: it was heard first within the period.
        disturbances: that count.
        spurious: of those, occupations that nothing explains and that ended by themselves.
        occasions: disturbances that came together as one (`planner.occasions`).
        apart: what does not count; all that follows leaves it out.
        resets: by kind.
        no_train: occupied with no train seen.
        failed: not available; of several sections the sum.
        failed_busy: of that, in hours with trains.
        trains: worked through; of several sections the sum, of a head those that passed it.
        by: of a head, whether these are its own passages (`head`) or the trains of the busier section beside it (`section`); else "".
        counted: of those, the ones whose axles were told.
        axles: of those.
        held: trains that stood before it longer than usual while it was not available.
        still: it, or one of its sections, had not been given back by the end.
        given_back: how long it took.
        alerts: raised about it itself.
    """

    subject: str
    place: str = ""
    ref: str = ""
    sections: tuple[str, ...] = ()
    period: Duration
    watched: Duration
    dark_longest: Duration
    heard: bool
    new: bool = False
    disturbances: int = 0
    spurious: int = 0
    occasions: int = 0
    apart: Apart = Apart()
    resets: tuple[Resets, ...] = ()
    no_train: Duration = 0
    failed: Duration = 0
    failed_busy: Duration = 0
    trains: int = 0
    by: Literal["", "head", "section"] = ""
    counted: int = 0
    axles: int = 0
    held: int = 0
    still: bool = False
    given_back: GivenBack
    alerts: int = 0

    @property
    def name(self) -> str:
        """Its id."""
        return self.subject.partition("/")[2] or self.subject

    @property
    def share(self) -> float:
        """The share of the period that was observed."""
        return self.watched / self.period if self.period else 0.0

    @property
    def at_least(self) -> bool:
        """Whether there were more trains than were seen, as far as anybody can tell."""
        return self.share < FULLY

    def per_trains(self) -> Counted:
        """Its occasions in so many thousand trains."""
        return Counted(self.occasions, self.trains / 1000)

    def per_axles(self) -> Counted:
        """Its occasions in so many hundred thousand axles; where not all axles were told, as many for the others."""
        axles = self.axles * self.trains / self.counted if self.counted else 0.0
        return Counted(self.occasions, axles / 100_000)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rank:
    """How a row stands among those of its kind.

    Args:
        subject: whose.
        expected: occasions to expect per thousand trains, drawn towards the fleet's; None where nothing is known of any.
        quarter: occasions to expect in 90 days, by the year up to the end of the period (`planner.expected`); None where none of it was watched in that year.
        quarter_low: the lower end of what that may be.
        quarter_high: the upper end.
        thin: too little is known to tell it.
        more: how often it would have as many by its share of trains alone, adjusted for how many were asked about.
        trend: whether they came faster and faster, of several sections each against its own time, bursts taken for what they are; None where there were too few.
        rising: how often chance departs so far once all of its kind were asked about; None likewise.
        against: the rate against that of the period before.
        hours: when more of them came than trains would explain, in words, or "".
        months: likewise.
        seasons: likewise, or None where too little of the year was seen.
    """

    subject: str
    expected: Expected | None = None
    quarter: float | None = None
    quarter_low: float | None = None
    quarter_high: float | None = None
    thin: bool = False
    more: float | None = None
    trend: Trend | None = None
    rising: float | None = None
    against: Ratio | None = None
    hours: str = ""
    months: str = ""
    seasons: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """An hour of the day, or a month, over all sections.

    Args:
        name: `14`, or `2026-05`.
        disturbances: that count.
        occasions: on which they came, over all sections.
        trains: worked through.
        share: of it that was observed.
    """

    name: str
    disturbances: int
    occasions: int
    trains: int
    share: float

    @property
    def heard(self) -> bool:
        """Whether anybody listened, in any of it."""
        return self.share > 0

    def told(self, count: int) -> int | None:
        """A count of it; None where nobody listened and none came all the same."""
        return count if self.heard or count else None

    def per_trains(self) -> Counted:
        """Its occasions in so many thousand trains."""
        return Counted(self.occasions, self.trains / 1000)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonYear:
    """A season of one year, over all sections.

    Args:
        year: in which it ends.
        disturbances: that count.
        occasions: on which they came.
        trains: worked through.
        days: observed of it, on average.
    """

    year: int
    disturbances: int
    occasions: int
    trains: int
    days: float

    def per_trains(self) -> Counted:
        """Its occasions in so many thousand trains."""
        return Counted(self.occasions, self.trains / 1000)


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """A season, over all years and sections.

    Args:
        name: its months.
        years: of each.
    """

    name: str
    years: tuple[SeasonYear, ...]

    def per_trains(self) -> Counted:
        """Its occasions in so many thousand trains, of all years."""
        occasions = sum(one.occasions for one in self.years)
        return Counted(occasions, sum(one.trains for one in self.years) / 1000)


@dataclass(frozen=True, slots=True, kw_only=True)
class Detail:
    """What else is known of a row, for its own page.

    Args:
        months: of the period.
        hours: of the day.
        disturbed: the moments of its disturbances that count, each with its section and whether it was a spurious occupation, in order of time.
    """

    months: tuple[Slot, ...]
    hours: tuple[Slot, ...]
    disturbed: tuple[tuple[Moment, str, bool], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """What a period was like.

    Args:
        line: the line's name.
        timezone: in which its times are told.
        begin: of the period.
        end: of it.
        reached: up to when anything is known; before *end* where the period is not over.
        made: when, or None for one that is made of a recording.
        rehearsal: none of it is so.
        whole: the line.
        before: the line in the period before, as long.
        ever: whether any section had been heard by its end.
        rows: by kind.
        ranks: by subject; that of the line says what needs no comparison with others.
        carried: sections, by disturbances.
        most: sections that carry four in five of them.
        months: of the period.
        seasons: of the period; () where too little of the year was seen.
        hours: of the day.
        fleet: whether disturbances came faster and faster, over all sections.
        against: the line against the period before.
        notes: what is not in the feed, and what else one should know.
        detail: gives what else is known of a subject that has a row.
    """

    line: str
    timezone: str
    begin: Moment
    end: Moment
    reached: Moment
    made: Moment | None
    rehearsal: bool
    whole: Figures
    before: Figures
    ever: bool
    rows: dict[Kind, tuple[Figures, ...]]
    ranks: dict[str, Rank]
    carried: tuple[Carried, ...]
    most: tuple[str, ...]
    months: tuple[Slot, ...]
    seasons: tuple[Season, ...]
    hours: tuple[Slot, ...]
    fleet: Trend | None
    against: Ratio | None
    notes: tuple[str, ...]
    detail: Callable[[str], Detail] = field(compare=False, repr=False)
