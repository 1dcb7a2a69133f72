"""What was so, in words, for a page that lists it."""

from __future__ import annotations

from monitor.desk.model import FactOut

MOMENTS = frozenset({"heard", "disturbance", "reset"})
"""Kinds that have no end."""

KNOWN = frozenset({None, "explained"})
"""What need not be said of an entry or exit."""


SAYS = {
    "disturbance": "disturbed",
    "failed": "not available",
    "no-train": "occupied, no train seen to enter",
    "held": "a train was held before it",
    "heard": "heard for the first time",
}


def in_words(fact: FactOut) -> str:
    """What was so, in a few words; nothing that was not seen.

    Example:
        >>> from monitor.desk.model import FactOut
        >>> values = {"kind": "unconditional", "step": "accepted", "by": "signaller"}
        >>> in_words(FactOut(kind="reset", began="", ended=None, values=values))
        'unconditional reset, accepted, signaller'
        >>> values = {"axles": 8, "entry": "explained", "exit": "not explained"}
        >>> in_words(FactOut(kind="occupation", began="", ended=None, values=values))
        'not clear, 8 axles; exit not explained'
    """
    values = fact.values
    if fact.kind == "reset":
        kind = str(values.get("kind", "")).replace("_", ", ")
        said = [f"{kind} reset".strip(), values.get("step"), values.get("by")]
        return ", ".join(str(one) for one in said if one)
    if fact.kind == "occupation":
        axles = f", {values['axles']} axles" if values.get("axles") else ""
        verdicts = [(end, values.get(end)) for end in ("entry", "exit")]
        odd = [f"; {end} {said}" for end, said in verdicts if said not in KNOWN]
        return f"not clear{axles}{''.join(odd)}"
    if fact.kind == "not-known" and values.get("why"):
        return f"not known: {values['why']}"
    return SAYS.get(fact.kind, fact.kind.replace("-", " "))


def has_ended(fact: FactOut) -> bool:
    """Whether it has an end, or none is to be expected."""
    return fact.ended is not None or fact.kind in MOMENTS
