"""How far a count of coincidences is beyond chance, and which of many such counts may be believed."""

from __future__ import annotations

from collections.abc import Sequence


def tail(shares: Sequence[float], hits: int) -> float:
    """Probability of at least so many hits among independent trials, each with its own probability.

    The upper tail of the Poisson binomial distribution, exactly, by adding one trial after the other
    (Howard, "Discussion on Professor Cox's paper", 1972, from memory). With equal shares it is the binomial's.
    """
    if hits <= 0:
        return 1.0
    # below[k]: exactly k hits so far; the last entry gathers `hits` and more
    below = [1.0] + [0.0] * hits
    for share in shares:
        below[hits] += below[hits - 1] * share
        for count in range(hits - 1, 0, -1):
            below[count] += share * (below[count - 1] - below[count])
        below[0] *= 1.0 - share
    return min(1.0, below[hits])


def believable(chances: Sequence[float], rate: float, tests: int) -> float:
    """The largest chance (p-value) that may be believed, 0 if none: of those at most `rate` are false in the mean.

    Benjamini and Yekutieli (Annals of Statistics 29, 2001): holds however the tests depend on each other.
    `tests` counts all that were made, also those that are not among `chances` because they were hopeless.
    """
    harmonic = sum(1 / rank for rank in range(1, tests + 1))
    found = 0.0
    for rank, chance in enumerate(sorted(chances), 1):
        if chance <= rank * rate / (tests * harmonic):
            found = chance
    return found
