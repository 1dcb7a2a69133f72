"""What people are told of a fault: a headline of 42 characters, and a message that stands alone within 300.

Both are pure functions of what is known, so the same fault is told in the same words live and in replay.

A headline is what happened, and where: the words that the kind has, and the name of its place.
Names may be sixty characters long, and words are what one reads first; so where both do not fit, the shorter words are taken, then the name is shortened in its middle, since names in a row differ at their ends.

A message has its parts in this order, each within a room of its own, so that no name crowds out another part: number and priority, headline, what else of the fault is told with it, what the desk does first, where to go, since when, trains standing, the likeliest part, what to look at first, whom to call, the caution.
Names are shortened further where they would not all fit, and what is left over of the 300 goes to what to look at first.

Whatever comes from a file or the feed passes through `plain`: no control characters, no line breaks, nothing that turns the direction of writing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import product

from monitor.core.alerts import Alert
from monitor.core.detector import DO_FIRST
from monitor.core.layout import OPEN, Line
from monitor.core.moments import Duration, Moment
from monitor.core.words import CAUTION, clock, span

HEADLINE = 42
"""The longest headline, in characters: what fits the desk's column at a size that can be read from the chair."""

MESSAGE = 300
"""The longest message."""

SAYS: dict[str, tuple[str, ...]] = {
    # kind: what happened, "{}" being the place; the longest that fits is taken
    "clock-wrong": ("{}: clock departs from the others", "{}: clock departs"),
    "contact-disagreement": ("{}: proving contacts disagree", "{}: contacts disagree"),
    "count-mismatch": ("{} counted otherwise than others", "{} counts otherwise"),
    "evaluator-locked-out": ("Evaluator {} locked out", "{} locked out"),
    "feed-gap": ("{}: something sent never came", "{}: a message missing"),
    "feed-silent": ("Gateway {} not heard", "{} not heard"),
    "level-drift": ("{}: level on its way to a limit", "{}: level drifting"),
    "level-out": ("{}: level outside its limits", "{}: level outside"),
    "line-file-doubt": ("{}: line file in doubt",),
    "long-occupation": ("{} occupied for longer than normal", "{} occupied for long"),
    "one-sided-head": ("{} sees with one sensor",),
    "repeat-disturbance": ("{} disturbed again and again", "{} disturbed repeatedly"),
    "reset-not-held": ("{}: reset did not hold",),
    "reset-unproved": ("{} reset, no train has followed", "{} reset, no train yet"),
    "restoration-incomplete": (
        "{}: restoration not completed",
        "{}: not given back",
    ),
    "section-disturbed": ("{} disturbed",),
    "spurious-occupation": (
        "{} occupied and clear, no train seen",
        "{}: no train seen to enter",
    ),
    "unseen-train": ("{} shown clear, a train came out",),
    "vanished-train": (
        "{} cleared, its train unaccounted for",
        "{} cleared, train unaccounted for",
    ),
    "worsening": (
        "{} disturbed more and more often",
        "{} disturbed more often",
    ),
}
"""What headlines say, by kind, the longest first."""

SEVERAL = {
    "section-disturbed": "{} disturbed",
    "unseen-train": "{} shown clear, trains came out",
    "vanished-train": "{} cleared, trains unaccounted for",
}
"""What headlines say of several sections in one fault, by kind."""

OCCUPIED = (
    "{} occupied, no train seen to enter",
    "{}: no train seen to enter",
)
WENT_ON = (
    "{} still occupied, its train went on",
    "{} occupied, train went on",
)
RESET = SAYS["reset-unproved"]
OTHER = ("{}: see its alerts",)
"""Of a kind that is not known here."""


def plain(text: str) -> str:
    r"""*text* on one line, with a question mark for every character that is not one to be read.

    Example:
        >>> plain("T107\x1b[2J\r\n\u202edesk")
        'T107?[2J ?desk'
    """
    spaced = " ".join(text.split())
    return "".join(c if c.isprintable() else "?" for c in spaced)


def shorten(text: str, room: int) -> str:
    """*text* within *room* characters, its middle left out where it is longer.

    Example:
        >>> shorten("thornmere-junction-down-107", 13), shorten("T107", 13)
        ('thornm…wn-107', 'T107')
    """
    if len(text) <= room:
        return text
    tail = (room - 1) // 2
    return f"{text[: room - 1 - tail]}…{text[len(text) - tail :]}"


def cut(text: str, room: int) -> str:
    """*text* within *room* characters, its end left out where it is longer.

    Example:
        >>> cut("its supply and its cable", 12)
        'its supply…'
    """
    if len(text) <= room:
        return text
    head = text[: room - 1]
    whole = head.rpartition(" ")[0] if " " in head else head
    return f"{whole.rstrip(' ,;:')}…"


# Headlines.


def headline(alert: Alert, alike: Sequence[Alert] = ()) -> str:
    """What happened and where, of the alert that is most serious, within 42 characters; where *alike*, of its kind and as serious, are of several sections, of them all."""
    if alert.kind == "common-cause":
        return _cause(alert)
    places = dict.fromkeys(one.subject for one in alike)
    if alert.kind in SEVERAL and len(places) > 1:
        names = " and ".join(map(_name, places))
        for one in (names, f"{len(places)} sections"):
            said = SEVERAL[alert.kind].format(one)
            if len(said) <= HEADLINE:
                return said
        return SEVERAL[alert.kind].format(len(places))
    return _fit(_words(alert), _name(alert.subject))


def waiting_headline(sections: Sequence[str]) -> str:
    """The headline of a fault of which nothing is open but resets that wait for a train.

    Example:
        >>> waiting_headline(["T103"]), waiting_headline(["T103", "T104"])
        ('T103 reset, no train has followed', '2 sections reset, no train has followed')
    """
    if len(sections) > 1:
        return f"{len(sections)} sections reset, no train has followed"
    return _fit(RESET, plain(sections[0]))


def _words(alert: Alert) -> tuple[str, ...]:
    if alert.kind == "occupied-no-train":
        return WENT_ON if "went on" in alert.summary else OCCUPIED
    return SAYS.get(alert.kind, OTHER)


def _name(subject: str) -> str:
    return plain(subject.partition("/")[2] or subject)


def _fit(words: tuple[str, ...], name: str) -> str:
    for one in words:
        said = one.format(name)
        if len(said) <= HEADLINE:
            return said
    shortest = words[-1]
    return shortest.format(shorten(name, HEADLINE - len(shortest) + 2))


def _cause(alert: Alert) -> str:
    kind, _, name = alert.subject.partition("/")
    sections = [one for one in alert.affected if one.startswith("section/")]
    members = [one for one in alert.affected if one != alert.subject]
    what = "sections" if len(sections) == len(members) else "places"
    times = [one.time for one in alert.evidence]
    spread = max(times) - min(times) if times else 0
    how = f"in {span(spread)}" if spread else "at once"
    failed = f"{len(members)} {what} failed {how}"
    whole = "{}" if kind == "site" else f"{kind.capitalize()} {{}}"
    return _fit((f"{whole}: {failed}", f"{{}}: {failed}"), plain(name))


# Messages.


def message(
    number: str,
    alert: Alert,
    standing: int,
    line: Line,
    at: Moment | None = None,
    *,
    also: Sequence[Alert] = (),
    late: Duration = 0,
) -> str:
    """What is told of a fault when somebody is needed, within 300 characters.

    Args:
        number: the fault's, to say on the telephone.
        alert: because of which somebody is needed.
        standing: how many trains stand before or in it.
        line: the line file, for where to go and whom to call.
        at: when it is told; else when the alert was raised.
        also: what else somebody is needed for in the fault and is told with it, the gravest first; where all suspect one part, that is the likeliest.
        late: so long after it was due, where that is to be said.
    """
    alert = _shared(alert, also)
    told = alert.raised if at is None else at
    since = clock(alert.began, line.zone, told)
    trains = {0: "No train seen standing", 1: "1 train standing"}.get(
        standing, f"{standing} trains standing"
    )
    if late:
        trains += f". Told {span(late)} after it was due"
    before: list[str] = []
    after: list[str] = []
    # That it is late is worth more than which part it is likeliest.
    bare = replace(alert, suspects=())
    ways = [*product((WIDE, NARROW, LEAST), _also(also), (alert,))]
    ways += [(LEAST, _also(also)[-1], bare)] if late else []
    for rooms, more, said in ways:
        before, after = _parts(number, said, (since, trains), line, rooms)
        before[1:1] = more
        if len(_joined([*before, *after])) <= MESSAGE:
            break
    room = MESSAGE - len(_joined([*before, *after])) - 2
    look = _look(alert)
    if not look or room < WORTH:
        return _joined([*before, *after])
    return _joined([*before, cut(look, room), *after])


def _also(others: Sequence[Alert]) -> list[list[str]]:
    """What is told with an alert, in fewer and fewer words: what happened, where, how many."""
    if not others:
        return [[]]
    said = [headline(one) for one in others[:SAID_ALSO]]
    places = list(dict.fromkeys(_name(one.subject) for one in others))
    short = [shorten(one, 12) for one in places[:SAID_ALSO]]
    left = len(others) - len(said)
    fewer = len(places) - len(short)
    return [
        [f"Also {_listed(said, left)}"],
        [f"Also {_listed(short, fewer)}"],
        [f"Also {len(others)} more"],
    ]


def _listed(said: list[str], left: int) -> str:
    return f"{', '.join(said)}, and {left} more" if left else " and ".join(said)


def _shared(alert: Alert, others: Sequence[Alert]) -> Alert:
    """*alert* with those suspects alone that all of *others* have too, if any."""
    if not others:
        return alert
    held = [{one.asset for one in other.suspects} for other in others]
    shared = tuple(
        one for one in alert.suspects if all(one.asset in assets for assets in held)
    )
    return replace(alert, suspects=shared) if shared else alert


SAID_ALSO = 2
"""So much of what is told with an alert is named; more is counted."""

Rooms = tuple[int, int, int, int]
"""Rooms for the site, the likeliest parts, the signaller and the telephone."""

WIDE: Rooms = (24, 24, 24, 20)
NARROW: Rooms = (12, 16, 12, 12)
LEAST: Rooms = (8, 12, 8, 12)
"""The narrower ones where all else would not fit."""

WORTH = 24
"""What to look at first is left out where less room than this is left for it."""


def _parts(
    number: str, alert: Alert, stands: tuple[str, str], line: Line, rooms: Rooms
) -> tuple[list[str], list[str]]:
    """The parts before what to look at first, and those after it; *stands*: since when, and how many trains."""
    site, part, who, telephone = rooms
    since, trains = stands
    before = [f"{number} {alert.priority}: {headline(alert)}"]
    act = do_first(alert)
    if act:
        before.append(cut(plain(f"{act[0].upper()}{act[1:]}"), LONGEST_ACT))
    before += [_where(alert, line, since, site), trains]
    if alert.suspects:
        before.append(f"Likeliest {_likeliest(alert, part)}")
    caution = f"{CAUTION.partition('. ')[0]}."
    return before, [*_call(alert, line, who, telephone), caution]


LONGEST_ACT = 60
"""Characters of what the desk does first; the detections say no more."""


def do_first(alert: Alert) -> str:
    """What the desk does first about *alert*, as its detection says; "" where it says nothing."""
    acts = [
        one.removeprefix(DO_FIRST) for one in alert.checks if one.startswith(DO_FIRST)
    ]
    return acts[0] if acts else ""


def _likeliest(alert: Alert, room: int) -> str:
    """The likeliest part, or all that are as likely; where they are many, how many."""
    most = max(one.weight for one in alert.suspects)
    tied = [one.asset for one in alert.suspects if one.weight == most]
    kinds = {one.partition("/")[0] for one in tied}
    if len(tied) > SAID_TIED or (len(tied) > 1 and len(kinds) > 1):
        (kind,) = kinds if len(kinds) == 1 else ("part",)
        return f"one of {len(tied)} {kind}s"
    if len(tied) == 1:
        return _asset(tied[0], room)
    # With the names that are left of the room: "head H107 or H108".
    (kind,) = kinds
    each = max(4, (room + 4 - 4 * len(tied)) // len(tied))
    *others, last = [shorten(plain(one.partition("/")[2]), each) for one in tied]
    return f"{kind} {', '.join(others)} or {last}"


SAID_TIED = 3
"""So many parts that are as likely are named; more are counted."""


def _joined(parts: Sequence[str]) -> str:
    """*parts* as sentences; one that breaks off, or has its full stop, gets none."""
    ended = [one if one.endswith((".", "…")) else f"{one}." for one in parts]
    return " ".join(ended)


def _asset(subject: str, room: int) -> str:
    kind, _, name = subject.partition("/")
    return shorten(plain(name if kind == "site" else f"{kind} {name}"), room)


def _where(alert: Alert, line: Line, since: str, room: int) -> str:
    site = site_of(alert, line)
    at = f"At {shorten(plain(site), room)}, " if site else ""
    return f"{at}{'since' if at else 'Since'} {since}"


def _look(alert: Alert) -> str:
    looks = [one for one in alert.checks if one.startswith("Look first")]
    return plain(looks[0]) if looks else ""


def _call(alert: Alert, line: Line, room: int, digits: int) -> list[str]:
    """Whom to call: the signaller of the area, as far as the line file says."""
    areas = dict.fromkeys(line.sections[one].area for one in sections_of(alert, line))
    if not areas:
        return []
    known = line.areas.get(next(iter(areas)))
    if known is None or not (known.signaller or known.telephone):
        return [f"Call the signaller of {shorten(plain(next(iter(areas))), room)}"]
    who = shorten(plain(known.signaller or "the signaller"), room)
    telephone = shorten(plain(known.telephone or ""), digits)
    return [f"Call {who} {telephone}".rstrip()]


def site_of(alert: Alert, line: Line) -> str:
    """Where people go about *alert*: the site of the evaluator concerned, or "" where the line file tells none."""
    kind, _, name = alert.subject.partition("/")
    if kind == "site":
        return name
    if kind == "evaluator" and name in line.evaluators:
        return line.evaluators[name].site
    sections = sections_of(alert, line)
    return (
        line.evaluators[line.sections[sections[0]].evaluator].site if sections else ""
    )


def sections_of(alert: Alert, line: Line) -> list[str]:
    """The sections that *alert* is about, its own first."""
    found: list[str] = []
    for subject in (alert.subject, *alert.affected):
        kind, _, name = subject.partition("/")
        if kind == "section" and name in line.sections:
            found.append(name)
        elif kind == "head" and name in line.heads:
            found += [one for one in line.heads[name].between if one != OPEN]
    return list(dict.fromkeys(found))
