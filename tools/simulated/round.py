"""One load of an invented house measured by a scripted person, with the truth about it."""

from __future__ import annotations

import random
from typing import NamedTuple

from simulated.walk import Draw, Kind, Load, Meter, Walked, cycling, restless, steady, wandering
from wattround.analysis.walk.house import House
from wattround.analysis.walk.round import Precision, Round, Verdict
from wattround.config.model import Meter as Stated
from wattround.config.model import PowerSource

CIRCUITS = ("kitchen", "study", "living", "bath")
UNTIL_MS = 7_200_000
MOST_SWITCHES = 8
MOST_TURNS = 4000
TURN_MS = 500
USUAL = Precision(0.05, 1.0)
WATTS = (6, 9, 15, 40, 60, 100, 250, 800, 2000)
CADENCES_MS = (1000, 1000, 2000, 5000, 10_000, 60_000)


class Outcome(NamedTuple):
    """What a round made of a load: `true_w` is its step, `None` verdicts are of silent houses."""

    load: Load
    true_w: float
    every_ms: int
    verdict: Verdict
    switches: int
    lasted_s: float
    round: Round

    @property
    def is_placed(self) -> bool:
        """Whether it was found where it hangs."""
        return self.verdict.found is not None and self.verdict.place.name == self.load.circuit

    @property
    def is_within(self) -> bool:
        """Whether the truth lies in the stated interval."""
        found = self.verdict.found
        return found is not None and abs(found.watts - self.true_w) <= found.expanded_w


def stated(names: tuple[str, ...]) -> dict[str, Stated]:
    """Settings of a supply and circuits within it."""
    supply = Stated(name="supply", role="supply", power=PowerSource(topic="t/supply"))
    inside = {name: Stated(name=name, within="supply", power=PowerSource(topic=f"t/{name}")) for name in names}
    return {"supply": supply, **inside}


def any_load(rng: random.Random) -> Load:
    """A lamp, a heater, something between; on any circuit, some with a standby or an inrush, some that flicker."""
    load = Load("load", rng.choice(CIRCUITS), rng.choice(WATTS) * rng.uniform(0.8, 1.2), rng.choice((0, 0, 0.5, 2)))
    if rng.random() < 0.4:
        load.inrush_w, load.inrush_ms = load.on_w * rng.uniform(0.3, 4), rng.choice((300, 1000, 2500))
    load.flicker_w = rng.choice((0, 0, 0.01)) * load.on_w
    load.draw = [(0, load.standby_w)]
    return load


def any_others(rng: random.Random) -> list[Draw]:
    """What else is on a circuit: something steady, and up to two that are not."""
    found: list[Draw] = [steady(rng.uniform(0, 100))]
    for _ in range(rng.randint(0, 2)):
        kind = rng.choice(("wandering", "restless", "cycling", "calm"))
        if kind == "wandering":
            spread_w, over_ms = rng.choice((0.5, 2, 6)), rng.choice((3000, 20_000, 60_000))
            found.append(wandering(rng, UNTIL_MS, rng.uniform(30, 120), spread_w, over_ms))
        elif kind == "restless":
            found.append(restless(rng, UNTIL_MS, 95, rng.uniform(100, 140), 240_000))
        elif kind == "cycling":
            found.append(cycling(rng, UNTIL_MS, rng.uniform(60, 120), 1_200_000, 1_800_000))
    return found


def any_house(rng: random.Random, load: Load, every_ms: int) -> Walked:
    """Four circuits and a supply around a load."""
    everything: list[Load | Draw] = [load]
    meters = []
    for name in CIRCUITS:
        others = any_others(rng)
        everything += others
        kind = Kind(every_ms, rng.choice((0, 1, 1, 2)), rng.random() < 0.5, 0, rng.choice((0.05, 0.3, 1.0)))
        meters.append(Meter(rng, name, kind, [load, *others] if name == load.circuit else others))
    meters.append(Meter(rng, "supply", Kind(rng.choice((1000, 10_000)), 0, True, 0, 2.0), everything))
    return Walked(meters)


def go_round(seed: int, every_ms: int | None = None, precision: Precision = USUAL) -> Outcome:
    """Measure one load as a person would: as often as it is asked for."""
    rng = random.Random(seed)
    load = any_load(rng)
    every_ms = every_ms or rng.choice(CADENCES_MS)
    walked = any_house(rng, load, every_ms)
    house = House(stated(CIRCUITS))

    def pass_ms(span_ms: int) -> None:
        for word in walked.pass_ms(span_ms):
            house.take(word.meter, word.watts, word.at_ms)

    pass_ms(max(60_000, 3 * every_ms))
    house.note_quiet(0, walked.now_ms)
    own, is_on, begun_ms = Round(house, precision), False, walked.now_ms
    own.left(walked.now_ms, on=False)
    while True:
        turns = 0
        while own.wait_ms(walked.now_ms) and turns < MOST_TURNS:
            pass_ms(TURN_MS)
            turns += 1
        own.told(walked.now_ms)
        verdict = own.verdict()
        if len(own.repeats) >= MOST_SWITCHES or (verdict.found is not None and verdict.more == 0):
            lasted_s = (walked.now_ms - begun_ms) / 1000
            return Outcome(load, load.on_w - load.standby_w, every_ms, verdict, len(own.repeats), lasted_s, own)
        is_on = not is_on
        pass_ms(rng.randrange(800, 6000))
        load.switch(walked.now_ms, on=is_on)
        pass_ms(rng.randrange(300, 4000))
        own.left(walked.now_ms, on=is_on)
