"""How long things took, where some are not over yet.

To leave out what is not over makes every time look shorter, and to count it as over does too.
The product-limit estimate takes each for what is known of it: that it took at least so long (Kaplan and Meier 1958).

References:
    Kaplan, E. L., and Meier, P. (1958). Nonparametric estimation from incomplete observations. Journal of the American Statistical Association 53, 457-481.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby
from operator import itemgetter


def lasting(spells: Iterable[tuple[float, bool]]) -> list[tuple[float, float]]:
    """How long, and the share that lasts longer than that, at each length at which one ended.

    Where one ends and another is lost sight of at the same length, the latter lasted at least as long.

    Args:
        spells: how long each lasted, and whether that was its end; else it lasted at least so long.

    Example:
        >>> lasting([(2, True), (3, False), (4, True)])
        [(2, 0.6666666666666667), (4, 0.0)]
    """
    ordered = sorted(spells)
    share, found = 1.0, []
    left = len(ordered)
    for length, alike in groupby(ordered, key=itemgetter(0)):
        same = [over for _, over in alike]
        ended = sum(same)
        if ended:
            share *= 1 - ended / left
            found.append((length, share))
        left -= len(same)
    return found


def within(curve: Sequence[tuple[float, float]], share: float) -> float | None:
    """The length within which *share* of them ended; None where that many are not known to have.

    Example:
        >>> curve = lasting([(2, True), (3, False), (4, True), (9, False)])
        >>> within(curve, 0.5), within(curve, 0.9)
        (4, None)
    """
    return next((at for at, lasts in curve if lasts <= 1 - share + 1e-12), None)
