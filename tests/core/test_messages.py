"""What people are told: headlines of 42 characters and messages of 300, whatever names and checks there are."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given, strategies as st

from monitor.core.alerts import Alert
from monitor.core.detector import Evidence, Suspect
from monitor.core.detectors import CATALOGUE
from monitor.core.layout import read_line
from monitor.core.messages import (
    HEADLINE,
    MESSAGE,
    SAYS,
    cut,
    headline,
    message,
    plain,
    shorten,
    waiting_headline,
)
from monitor.core.moments import HOUR, SECOND, parse
from monitor.core.words import CAUTION

NOON = parse("2026-05-04T12:00:00.000Z")
LONG = "thornmere-junction-north-approach-down-fast-section-0000107x"
KINDS = [one.kind for one in CATALOGUE]
PLACES = {one.kind: one.places for one in CATALOGUE}
LOOK = "Look first at the indications of EV1: which head it rejects"


def alert(kind, subject, **more):
    """An alert of *kind* about *subject*, as far as messages look at it."""
    told = {
        "id": "0123456789abcdef",
        "kind": kind,
        "subject": subject,
        "priority": "prompt",
        "began": NOON,
        "raised": NOON + 5 * SECOND,
        "ended": None,
        "summary": "",
        "evidence": (),
        "affected": (subject,),
        "suspects": (),
        "checks": (LOOK, CAUTION),
        "parameters": {},
        **more,
    }
    return Alert(**told)


def line_of(section="T107", head="H107", site="Thornmere room", area=""):
    """A line of one section between two heads."""
    return read_line(
        '[line]\nname = "Thornmere"\ntimezone = "UTC"\n'
        f'[[evaluator]]\nid = "EV1"\nsite = "{site}"\n{area}'
        f'[[section]]\nid = "{section}"\narea = "thornmere"\nevaluator = "EV1"\n'
        "length_m = 820\nspeed_km_h = 120\n"
        f'[[head]]\nid = "{head}"\nbetween = ["open", "{section}"]\n'
        f'[[head]]\nid = "B{head[1:]}"\nbetween = ["{section}", "open"]\n'
    )


DESK = (
    '[[area]]\nid = "thornmere"\nsignaller = "Thornmere desk"\n'
    'telephone = "01632 960123"\n'
)


# Headlines.


@pytest.mark.parametrize(
    ("kind", "subject", "more", "said"),
    [
        ("section-disturbed", "section/T107", {}, "T107 disturbed"),
        (
            "vanished-train",
            "section/T107",
            {},
            "T107 cleared, its train unaccounted for",
        ),
        ("unseen-train", "section/T107", {}, "T107 shown clear, a train came out"),
        (
            "occupied-no-train",
            "section/T107",
            {},
            "T107 occupied, no train seen to enter",
        ),
        (
            "occupied-no-train",
            "section/T107",
            {"summary": "T107 still occupied 60 s after its train went on: ..."},
            "T107 still occupied, its train went on",
        ),
        ("count-mismatch", "head/H107", {}, "H107 counted otherwise than others"),
        ("evaluator-locked-out", "evaluator/EV1", {}, "Evaluator EV1 locked out"),
        ("feed-silent", "gateway/GW1", {}, "Gateway GW1 not heard"),
        ("of-a-later-version", "section/T107", {}, "T107: see its alerts"),
    ],
)
def test_a_headline_says_what_happened_and_where(kind, subject, more, said):
    """What happened and where, in the words of the kind."""
    assert headline(alert(kind, subject, **more)) == said


@pytest.mark.parametrize(
    ("kind", "names", "said"),
    [
        ("section-disturbed", ["T106", "T107"], "T106 and T107 disturbed"),
        ("section-disturbed", ["T106", "T106"], "T106 disturbed"),
        ("section-disturbed", [LONG, "T107"], "2 sections disturbed"),
        (
            "vanished-train",
            ["T1", "T2"],
            "T1 and T2 cleared, trains unaccounted for",
        ),
        (
            "vanished-train",
            ["T106", "T107"],
            "2 sections cleared, trains unaccounted for",
        ),
        (
            "vanished-train",
            [f"T{n}" for n in range(10)],
            "10 cleared, trains unaccounted for",
        ),
        (
            "unseen-train",
            [f"T{n}" for n in range(500)],
            "500 sections shown clear, trains came out",
        ),
    ],
)
def test_a_headline_of_several_sections_names_or_counts_them(kind, names, said):
    """Of one kind and as serious, in one fault: by name where they fit, else how many."""
    alike = [alert(kind, f"section/{name}") for name in names]

    assert headline(alike[0], alike) == said
    assert len(said) <= HEADLINE


@pytest.mark.parametrize(
    ("asset", "members", "seconds", "said"),
    [
        ("cable/C4", 4, 6, "Cable C4: 4 sections failed in 6 s"),
        ("site/Thornmere room", 60, 9, "Thornmere room: 60 sections failed in 9 s"),
        ("area/west", 40, 585, "Area west: 40 sections failed in 9 min"),
        ("unit/TU7", 3, 0, "Unit TU7: 3 sections failed at once"),
    ],
)
def test_a_headline_of_a_cause_says_how_many_and_how_fast(
    asset, members, seconds, said
):
    """What they share, how many failed, and within what time."""
    sections = tuple(f"section/T{number}" for number in range(members))
    evidence = tuple(
        Evidence(time=NOON + at * SECOND, text="failed") for at in (0, seconds)
    )
    found = alert("common-cause", asset, affected=(asset, *sections), evidence=evidence)

    assert headline(found) == said


def test_every_kind_has_its_words():
    """No kind falls back to what stands for those that are not known."""
    assert sorted([*SAYS, "common-cause", "occupied-no-train"]) == KINDS


@pytest.mark.parametrize("kind", KINDS)
def test_a_headline_with_the_longest_name_fits(kind):
    """Sixty characters of name leave a headline of 42 with the words whole, and both ends of the name."""
    assert len(LONG) == 60
    for summary in ("", "its train went on"):
        said = headline(
            alert(
                kind,
                f"{PLACES[kind]}/{LONG}",
                summary=summary,
                affected=tuple(f"section/T{number}" for number in range(1000)),
                evidence=(
                    Evidence(time=NOON, text=""),
                    Evidence(time=NOON + 5985 * SECOND, text=""),
                ),
            )
        )
        words = said.replace("…", " ").split()

        assert len(said) <= HEADLINE
        assert "…" in said
        assert LONG.endswith(words[1].rstrip(":"))


def test_a_headline_of_waiting_resets_fits():
    """One names its section, several say how many."""
    assert waiting_headline(["T107"]) == "T107 reset, no train has followed"
    assert len(waiting_headline([LONG])) <= HEADLINE
    assert waiting_headline(["a"] * 9999) == (
        "9999 sections reset, no train has followed"
    )
    assert len(waiting_headline(["a"] * 9999)) <= HEADLINE


# Messages.


def test_a_message_stands_alone():
    """Number, priority, what, the desk's first act, where to go, since when, trains, part, look, whom to call, caution: in this order."""
    found = alert(
        "section-disturbed",
        "section/T107",
        suspects=(Suspect(asset="head/H107", weight=0.5),),
        checks=("Do first: tell the technician on call", LOOK, CAUTION),
    )

    assert message("4K7M", found, 2, line_of(area=DESK)) == (
        "4K7M prompt: T107 disturbed. Tell the technician on call. "
        "At Thornmere room, since 12:00:00. "
        "2 trains standing. Likeliest head H107. "
        "Look first at the indications of EV1: which head it rejects. "
        "Call Thornmere desk 01632 960123. "
        "Nothing here proves a section empty."
    )


def test_what_is_told_with_it_is_named():
    """What else somebody is needed for comes right after the headline, in its own words."""
    left = alert("occupied-no-train", "section/T107", summary="its train went on")
    others = [alert("count-mismatch", "head/H107"), alert("worsening", "section/T5")]
    said = message("4K7M", left, 0, line_of(), also=others)

    assert said.startswith(
        "4K7M prompt: T107 still occupied, its train went on. "
        "Also H107 counted otherwise than others and T5 disturbed more and more often. "
        "At Thornmere room, since 12:00:00. "
    )


def test_of_much_that_is_told_with_it_two_are_named():
    """The gravest two in words, and how many more there are."""
    others = [alert("section-disturbed", f"section/T{n}") for n in range(1, 6)]
    said = message(
        "4K7M", alert("section-disturbed", "section/T9"), 0, line_of(), also=others
    )

    assert ". Also T1 disturbed, T2 disturbed, and 3 more. " in said


def test_what_all_suspect_is_the_likeliest():
    """Two sections beside one head are disturbed: of the two heads that each suspects, it is that one."""

    def of(section, *heads):
        suspects = tuple(Suspect(asset=f"head/{one}", weight=0.5) for one in heads)
        return alert("section-disturbed", f"section/{section}", suspects=suspects)

    beside = of("T107", "H106", "H107")
    shared = message("4K7M", beside, 0, line_of(), also=[of("T106", "H105", "H106")])
    apart = message("4K7M", beside, 0, line_of(), also=[of("T101", "H100", "H101")])

    assert "Likeliest head H106." in shared
    assert "Likeliest head H106 or H107." in apart


@pytest.mark.parametrize(
    ("weights", "said"),
    [
        ({"head/H106": 0.5, "head/H107": 0.5}, "Likeliest head H106 or H107."),
        ({"head/H106": 0.2, "head/H107": 0.8}, "Likeliest head H107."),
        (
            {"head/H1": 0.3, "head/H2": 0.3, "head/H3": 0.3},
            "Likeliest head H1, H2 or H3.",
        ),
        ({f"head/H{n}": 0.25 for n in range(4)}, "Likeliest one of 4 heads."),
        ({"head/H106": 0.5, "unit/TU7": 0.5}, "Likeliest one of 2 parts."),
    ],
    ids=["two", "one", "three", "four", "of two kinds"],
)
def test_parts_that_are_as_likely_are_all_said(weights, said):
    """Where two are tied neither is likelier; where they are many, how many is said."""
    suspects = tuple(Suspect(asset=one, weight=w) for one, w in weights.items())
    found = alert("section-disturbed", "section/T107", suspects=suspects)

    assert said in message("4K7M", found, 0, line_of())


@pytest.mark.parametrize(
    ("standing", "said"),
    [(0, "No train seen standing."), (1, "1 train standing."), (3, "3 trains")],
)
def test_how_many_trains_stand(standing, said):
    """None, one, or so many."""
    found = alert("section-disturbed", "section/T107")

    assert said in message("4K7M", found, standing, line_of())


def test_whom_to_call_where_the_line_file_does_not_say():
    """Then it is the signaller of the area, without a telephone."""
    found = alert("section-disturbed", "section/T107")

    assert "Call the signaller of thornmere." in message("4K7M", found, 0, line_of())


def test_what_began_on_another_day_carries_its_date():
    """A message read after midnight does not mistake yesterday's time."""
    found = alert("section-disturbed", "section/T107", raised=NOON + 86400 * SECOND)

    assert "since 2026-05-04 12:00:00" in message("4K7M", found, 0, line_of())


def test_what_is_told_on_another_day_carries_its_date():
    """What was raised before midnight and is told after it does not say the bare time of yesterday."""
    night = parse("2026-05-04T23:59:50Z")
    found = alert("section-disturbed", "section/T107", began=night, raised=night)

    before = message("4K7M", found, 0, line_of(), night + 5 * SECOND)
    after = message("4K7M", found, 0, line_of(), night + 20 * SECOND)

    assert "since 23:59:50." in before
    assert "since 2026-05-04 23:59:50." in after


@pytest.mark.parametrize("others", [False, True])
def test_the_longest_names_leave_room_for_every_part(others):
    """With all names at their longest every part is there whole but for names, and what to look at first is left out for the desk's first act."""
    area = (
        f'[[area]]\nid = "thornmere"\nsignaller = "{"s" * 300}"\n'
        f'telephone = "{"5" * 300}"\n'
    )
    act = "tell the signaller: a train may be in a section shown clear"
    found = alert(
        "vanished-train",
        f"section/{LONG}",
        priority="urgent",
        suspects=(
            Suspect(asset=f"head/{LONG[:-1]}y", weight=0.5),
            Suspect(asset=f"head/{LONG[:-1]}z", weight=0.5),
        ),
        checks=(
            f"Do first: {act}",
            "Look first at " + "the cable and its joints, " * 20,
            CAUTION,
        ),
        began=parse("2026-10-25T00:30:00Z"),  # the clocks go back that night
        raised=parse("2026-10-26T00:30:00Z"),
    )
    line = line_of(LONG, f"{LONG[:-1]}y", "r" * 120, area)
    line = replace(line, timezone="Europe/Berlin", zone=ZoneInfo("Europe/Berlin"))
    also = [alert("count-mismatch", f"head/{LONG}")] * (2 if others else 0)
    said = message("4K7M3", found, 999, line, also=also)
    late = message("4K7M3", found, 999, line, also=also, late=99 * HOUR)

    assert len(late) <= MESSAGE
    assert "999 trains standing. Told 4 d 3 h after it was due. " in late
    assert len(said) <= MESSAGE
    for part in (
        "4K7M3 urgent: ",
        "Also 2 more. " if others else "",
        f"T{act[1:]}. At rrr",
        "train unaccounted for. ",
        "since 2026-10-25 02:30:00 (+02:00). ",
        "999 trains standing. Likeliest head th",
        "…7y or tho…7z. Call sss" if not others else "…y or th…z. Call sss",
        "555. Nothing here proves a section empty.",
    ):
        assert part in said


def test_what_to_look_at_first_breaks_off_where_there_is_no_room():
    """It has what the other parts leave, and breaks off between two words."""
    look = "Look first at " + "the cable and its joints, " * 20
    found = alert("section-disturbed", "section/T107", checks=(look, CAUTION))
    said = message("4K7M", found, 0, line_of())

    assert MESSAGE - 20 < len(said) <= MESSAGE
    assert "Look first at the cable and its joints" in said
    assert "… Call the signaller of thornmere." in said


SIGNS = st.characters(exclude_categories=["Cs"])
HOSTILE = ["\x1b[2J", "\r\n\r\n", "\u202e", "\x00", "<script>", "a" * 500, "\u200b"]
ANYTHING = st.text(SIGNS, max_size=80) | st.sampled_from(HOSTILE)


TEXTS = st.fixed_dictionaries(
    {"name": ANYTHING, "asset": ANYTHING, "check": ANYTHING, "summary": ANYTHING}
)
ESCAPES = {
    "name": "\x1b]0;x\x07",
    "asset": "\x1b/\n",
    "check": "\r\n\x1b[2J",
    "summary": "\x00",
}


@given(
    st.sampled_from([*KINDS, "later"]), TEXTS, st.integers(0, 999), st.integers(0, 4)
)
@example("section-disturbed", ESCAPES, 0, 1)
def test_hostile_texts_cannot_break_it(kind, texts, standing, many):
    """Whatever names and checks hold, it is one printable line of at most 300 characters that begins with the number and ends with the caution."""
    found = alert(
        kind,
        f"section/{texts['name']}",
        summary=texts["summary"],
        suspects=(Suspect(asset=texts["asset"], weight=1.0),),
        checks=(
            texts["check"],
            f"Do first: {texts['check']}",
            f"Look first at {texts['check']}",
            CAUTION,
        ),
    )
    said = message("4K7M", found, standing, line_of(), also=[found] * many)

    assert said.isprintable()
    assert len(said) <= MESSAGE
    assert said.startswith("4K7M prompt: ")
    assert said.endswith("Nothing here proves a section empty.")
    assert headline(found).isprintable()
    assert len(headline(found)) <= HEADLINE


@given(st.text(max_size=90), st.integers(3, 60))
def test_shortened_names_keep_both_ends(text, room):
    """What fits is unchanged; what does not fills the room and keeps its beginning and its end."""
    said = shorten(text, room)

    assert len(said) == min(len(text), room)
    if len(text) <= room:
        assert said == text
    else:
        assert said[0] == text[0]
        assert said[-1] == text[-1]


@given(st.text(st.sampled_from("ab ,"), max_size=90), st.integers(3, 60))
def test_cut_sentences_break_off_between_words(text, room):
    """What fits is unchanged; what does not ends with an ellipsis within the room."""
    said = cut(text, room)

    assert len(said) <= room
    assert said == text or said.endswith("…")


@given(st.text(max_size=60))
def test_plain_text_is_one_line_that_can_be_read(text):
    """No control character, line break or turn of the direction of writing gets through, and doing it again changes nothing."""
    assert plain(text).isprintable()
    assert plain(plain(text)) == plain(text)
