"""Round many amounts so that what is shown adds up to what is shown as their sum."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import ROUND_FLOOR, Decimal

from wattround.money.amount import CENT, NOTHING


def rounded(exact: Sequence[Decimal], total: Decimal) -> list[Decimal]:
    """Amounts, negative ones too, to the hundredth, so that they add up to `total` (whole hundredths).

    What rounding of the total has left is first spread over all in proportion to their size. Then each is rounded
    down, and the hundredths left over go to those that lost most by it, the first ones of equals. Where all are
    nothing, the last one has the total.
    """
    if not exact:
        return []
    off = total - sum(exact, NOTHING)
    size = sum((abs(each) for each in exact), NOTHING)
    shares = [abs(each) / size if size else Decimal(at == len(exact) - 1) for at, each in enumerate(exact)]
    meant = [each + off * share for each, share in zip(exact, shares, strict=True)]
    found = [each.quantize(CENT, ROUND_FLOOR) for each in meant]
    left = int((total - sum(found, NOTHING)) / CENT)
    # one more or less than there are amounts: the last digit of a division
    turns, left = divmod(left, len(found))
    found = [each + turns * CENT for each in found]
    for at in sorted(range(len(found)), key=lambda at: found[at] - meant[at])[:left]:
        found[at] += CENT
    return found
