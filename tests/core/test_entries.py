from __future__ import annotations

CLEAR = "\n".join(f"05:00:00 T{number} clear" for number in range(1, 6))


def said(day, section):
    """What is explained of the last entry into *section*."""
    return [one for one in day.engine.explain(section) if "The last entry" in one]


def test_the_last_entry_is_explained(run):
    """How an entry was judged is said: by a neighbour, by an open end, or by none; and nothing where there was none."""
    day = (
        run()
        .tell(
            f"""{CLEAR}
        06:00:00 T1 occupied
        06:01:00 T2 occupied
        06:05:00 T4 occupied
        06:06:00 T1 clear
        """
        )
        .until("06:10:00")
    )

    assert said(day, "T3") == []
    assert said(day, "T1")[0].endswith(
        "a train may have come in from where there is no detection."
    )
    assert "T1 was not clear or not known, which explains it" in said(day, "T2")[0]
    assert "no neighbour explains it: all were known clear" in said(day, "T4")[0]


def test_a_clear_that_lasts_ends_what_was_occupied_though_its_judgement_waits(run):
    """T3 has been clear for the skew: what was said of its being occupied is over, also while nobody can say yet whether T4 explains the exit."""
    day = run().tell(
        f"""{CLEAR}
        06:00:00 T3 occupied
        06:09:50 GW1 online
        06:09:50 GW2 online
        06:10:00 T3 clear
        06:10:20 GW1 online
        """
    )

    assert day.brief() == [
        "occupied-no-train section/T3 prompt 06:00:00 06:02:00 06:10:00"
    ]
    waits = "T3 cleared at 06:10:00, and whether a neighbour explains that"
    assert any(waits in one for one in day.engine.explain("T3"))
