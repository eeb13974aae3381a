"""Plans in words: what was asked, which way of trying is best and why, what to be wary of."""

from __future__ import annotations

from collections.abc import Iterator

from wattround.analysis.proof.planning import MOST_DAYS, Way
from wattround.analysis.proving.planned import UNITS, Planned
from wattround.analysis.proving.words import kwh, percent

DROWNS = 2
"""A comparison that takes more than this times as long drowns. Common practice, no source."""
TOLD_DAYS = 56


def headline(found: Planned) -> Iterator[str]:
    """What was asked, of which days."""
    of = found.plan
    yield (
        f"{', '.join(found.loads)}: {kwh(of.usual_wh)} a day in the mean of {of.history_days} days, "
        f"{found.first} to {found.last}."
    )
    sure = f"by a {percent(of.level)} interval, four times of five"
    yield f"To be seen: {kwh(of.effect_wh)} a day, {percent(of.effect_wh / of.usual_wh)} of that, {sure}."


def advice(found: Planned) -> Iterator[str]:
    """Which way is best, and why."""
    of, best = found.plan, found.best
    if best is None:
        least = kwh(min(found.seen_wh(way, 365) for way in UNITS))
        yield f"No way shows {kwh(of.effect_wh)} a day within {MOST_DAYS // 365} years."
        yield f"After one year {least} a day would be seen: try a larger change, or one to a steadier load."
        return
    say = _simple if best == "before and after" else _turns
    yield f"Best: {best}, {found.days(best)} days. {say(found, best)}"
    if found.weather and best == "before and after":
        yield (
            f"It uses {found.weather}, so days before and after are compared by a model of the weather; "
            "days unlike any before do not count. In turns that cannot happen."
        )
    elif found.weather:
        yield f"It uses {found.weather}: in turns, days on and days off have the same weather, whatever it will be."


def _simple(found: Planned, best: Way) -> str:
    mine = found.days(best) or 0
    quicker = min((days for way in UNITS if way != best and (days := found.days(way))), default=mine)
    turns = f"the {quicker} days that turns take gain too little" if quicker < mine else "turns are no quicker"
    return (
        f"Nothing has to be switched to and fro, and {turns}. But whatever else changes in those days is in it, too: "
        "where that is likely, take turns."
    )


def _turns(found: Planned, best: Way) -> str:
    plain, mine, weeks = (found.days(way) for way in ("before and after", best, "alternating by week"))
    said = [f"Before and after it takes {plain} days."]
    if plain is None or plain > DROWNS * (mine or 0):
        alone, in_turns = (kwh(found.seen_wh(way, TOLD_DAYS)) for way in ("before and after", best))
        takes = f"takes {plain} days" if plain is not None else f"would take more than {MOST_DAYS // 365} years"
        drowns = f"Before and after it would drown: to see {kwh(found.plan.effect_wh)} a day {takes}"
        said = [f"{drowns}, as {TOLD_DAYS // 7} weeks show no less than {alone} a day, and {in_turns} in turns."]
    if best == "alternating by day" and weeks is not None:
        said.append(f"By the week it takes {weeks} days: for what needs a day or more to work.")
    return " ".join(said)


def cautions(found: Planned) -> Iterator[str]:
    """What it rests on."""
    yield "All of it if the days to come are like those there were, in weather and habits."
    for note in found.notes:
        yield f"{note.text[0].upper()}{note.text[1:]}."
