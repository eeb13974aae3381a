"""A checked bill in words: one statement each of energy and tariff, and what may be behind a difference."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from wattround.analysis.billcheck import UWH_PER_KWH, Check, Side
from wattround.ledger.tally import Sum
from wattround.money.amount import amount_text

ALIKE = 0.02
"""Two bills have the same factor if theirs are no further apart."""
LEGS = {2.0: "one leg of two", 3.0: "one phase of three", 1.5: "two phases of three"}
MAKERS = ("generation", "storage")


def kwh(uwh: float) -> str:
    """An energy as people write it."""
    return f"{uwh / UWH_PER_KWH:.2f} kWh"


# -- statements -----------------------------------------------------------------------------------


def says(of: Check, currency: str) -> list[str]:
    """What there is to say of a bill: of what was bought, of what was given back, of the tariff."""
    if of.unknown:
        found = [f"Cannot tell: the settings have no meter {of.bill.supply} of role supply."]
    else:
        found = [_energy(of.bought, "Our meters show", "The bill agrees with our meters")]
    if of.given is not None:
        of_export = _energy(of.given, "our meters show", "it agrees with our meters")
        found.append(f"What was given back: {of_export[0].lower()}{of_export[1:]}")
    return [*found, *_tariff(of, currency)]


def _energy(side: Side, show: str, agrees: str) -> str:
    covered = f"{100 * side.covered:.1f} % of the time is covered"
    if side.verdict == "cannot-tell":
        if not side.covered:
            return "Cannot tell: the ledger has nothing of these days."
        most = "" if side.missed is None else f", up to {kwh(side.missed.most_uwh)} may be missing"
        return f"Cannot tell: only {covered}{most}."
    missing = side.missed is not None and side.missed.most_uwh > 0
    room = side.allowed_uwh
    allow = "the meters allow"
    if missing and side.missed is not None and side.difference_uwh < 0:
        room, allow = room + side.missed.most_uwh, "the meters, and what may be missing, allow"
    apart = abs(side.difference_uwh)
    if side.verdict == "agrees":
        return f"{agrees}: {kwh(apart)} apart, where {allow} {kwh(room)}."
    more = "more" if side.verdict == "meters-more" else "less"
    return f"{show} {more} than the bill: by {kwh(apart)}, {kwh(abs(side.beyond_uwh))} beyond what {allow}."


def _tariff(of: Check, currency: str) -> Iterator[str]:
    money = of.money
    if money.invoice is None or money.difference is None:
        return
    billed = f"{of.bill.bought_kwh} kWh"
    makes = f"the billed {billed} make {amount_text(money.billed.total, currency)} by the settings"
    came = f"the invoice has {amount_text(money.invoice, currency)}"
    if money.unpriced_uwh:
        yield f"Of the tariff nothing can be told: {kwh(money.unpriced_uwh)} have no known price in the settings."
    elif money.verdict == "agrees":
        yield f"The tariff of the settings is the invoice's: {makes}, {came}."
    else:
        off, more = abs(money.difference), "more" if money.difference > 0 else "less"
        shares = [f"{100 * off / money.billed.total:.1f} %"] if money.billed.total else []
        shares += [f"{off / of.bill.bought_kwh:.4f} a kWh"] if of.bill.bought_kwh else []
        shares += [f"{off / of.bill.days:.2f} a day"]
        yield (
            f"The tariff of the settings is not the invoice's: {makes}, {came}: {off:.2f} {more}"
            f" ({', or '.join(shares)}). Hold its lines against the prices, standing charges and tax there."
        )
    if of.bought.verdict in ("meters-more", "meters-less") and money.metered is not None and not money.unpriced_uwh:
        worth = abs(money.metered.total - money.billed.total)
        yield f"The difference in energy is worth {amount_text(worth, currency)} by the settings."


# -- what may be behind it --------------------------------------------------------------------------


def alike(checks: Sequence[Check], of: Check) -> dict[int, float]:
    """How many times what we metered the other bills of the same supply have, by their numbers; where it is known."""
    found = {each.number: each.bought.ratio for each in checks if each.bill.supply == of.bill.supply}
    return {number: ratio for number, ratio in found.items() if ratio is not None and number != of.number}


def reasons(of: Check, roles: Mapping[str, str], others: Mapping[int, float]) -> list[str]:
    """What may be behind a difference in what was bought, the likeliest first, each with how it is found.

    None where it agrees or cannot be told. `others`: see `alike`.
    """
    side = of.bought
    if side.verdict not in ("meters-more", "meters-less"):
        return []
    wiring = list(_wiring(of, made=any(role in MAKERS for role in roles.values())))
    factor = [] if wiring else list(_factor(of, others))
    days, unseen = list(_days(of)), list(_unseen(of)) if side.verdict == "meters-less" else []
    same = side.ratio is not None and any(abs(each / side.ratio - 1) <= ALIKE for each in others.values())
    found = [*factor, *unseen, *days] if same else [*days, *unseen, *factor]
    last = "wattround check FILE --history holds the meters against each other, and names a wrong factor."
    return [*wiring, *found, last]


def _near(side: Side, value_uwh: float) -> bool:
    """Whether what was billed may be this, by what the meters allow."""
    return abs(side.billed_uwh - value_uwh) <= side.allowed_uwh


def _wiring(of: Check, *, made: bool) -> Iterator[str]:
    """Faults that show by how far apart the two are."""
    side = of.bought
    out = sum(of.sums.get(name, Sum()).out_uwh for name in of.meters)
    names = ", ".join(of.meters)
    likely = side.metered_uwh + (side.missed.likely_uwh if side.missed is not None else 0)
    if side.verdict == "meters-less":
        if not of.supplied:
            yield (
                "no meter has the role supply: what no meter is around stands in the bill only."
                " A meter around all of it would show it."
            )
        elif out > side.metered_uwh and _near(side, out):
            yield f"{names} reads the wrong way round: what it has as given back was bought. sign = -1 turns it."
        else:
            yield from (
                f"{times:g} times what {names} has was billed: it reads {legs}. If the others draw the same,"
                f" factor = {times:g}; if not, a clamp for each, and sum_of."
                for times, legs in LEGS.items()
                if _near(side, times * likely)
            )
    elif made and of.given is not None and _near(side, side.metered_uwh - of.given.billed_uwh):
        yield f"what goes back counts as bought: {names} does not tell which way. A clamp with a direction does."
    elif _near(side, likely / 2):
        yield (
            f"half of what {names} has was billed: it reads double (factor = 0.5), or two meters of role supply"
            " have the same current."
        )


def _factor(of: Check, others: Mapping[int, float]) -> Iterator[str]:
    ratio = of.bought.ratio
    if ratio is None or not of.supplied:
        return
    told = f"the factor of {', '.join(of.meters)}: {ratio:.3f} times the present one would mend it."
    same = [number for number, each in others.items() if abs(each / ratio - 1) <= ALIKE]
    if same:
        yield f"{told} It would mend {_bills(same)}, too: that speaks for it."
    elif others:
        wanted = ", ".join(f"{each:.3f}" for each in others.values())
        yield f"{told} But {_bills(list(others))} would want {wanted}: that speaks against it."
    else:
        yield f"{told} A wrong factor is the same on every bill: enter another one to see."


def _bills(numbers: Sequence[int]) -> str:
    return f"bill{'s' if len(numbers) > 1 else ''} {', '.join(map(str, numbers))}"


def _days(of: Check) -> Iterator[str]:
    a_day = of.bought.billed_uwh / of.bill.days
    if abs(of.bought.beyond_uwh) <= a_day:
        yield (
            f"the days: a reading taken a day too early or too late makes some {kwh(a_day)}, one at noon half of"
            " that. The next bill then has it the other way."
        )
    else:
        yield "an estimated reading: the bill marks it as such, and the next one has it the other way."


def _unseen(of: Check) -> Iterator[str]:
    side = of.bought
    if not of.supplied or not of.meters:
        return
    uwh = -side.difference_uwh - (side.missed.likely_uwh if side.missed is not None else 0)
    yield (
        f"something that {', '.join(of.meters)} does not see: {uwh / 1e6 / of.hours:.0f} W all the time, or"
        f" {kwh(uwh / of.bill.days)} a day. What leaves before the clamp (a garage, a charger), or comes by another"
        " supply, needs a meter of role supply of its own."
    )
