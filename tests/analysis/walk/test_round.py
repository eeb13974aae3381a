"""A load's round, by a scripted person in a simulated house whose truth is known."""

import gzip
import random
from itertools import islice

import pytest

from simulated.round import CIRCUITS, USUAL, go_round, stated
from simulated.walk import Kind, Load, Meter, Walked, at, steady
from wattround.analysis.walk.house import House
from wattround.analysis.walk.round import Precision, Round
from wattround.config.model import CounterSource
from wattround.config.model import Meter as Stated


class Scene:
    """A quiet house with a load on the study's circuit, and somebody who switches it."""

    def __init__(self, every_ms=1000, load=None, others=None, kinds=None, silent=()):
        self.rng = random.Random(5)
        self.load = load or Load("lamp", "study", 60.0)
        self.others = others or {}
        kinds = kinds or {}
        mine = {name: [steady(30.0), *self.others.get(name, ())] for name in CIRCUITS}
        mine["study"].append(self.load)
        meters = [
            Meter(self.rng, name, kinds.get(name, Kind(every_ms, 1, noise_w=0.3)), loads)
            for name, loads in mine.items() if name not in silent
        ]  # fmt: skip
        meters.append(
            Meter(self.rng, "supply", Kind(1000, 0, noise_w=1.0), [each for of in mine.values() for each in of])
        )
        self.walked, self.house = Walked(meters), House(stated(CIRCUITS))
        self.passes(max(60_000, 4 * every_ms))
        self.house.note_quiet(0, self.now_ms)
        self.round = Round(self.house, USUAL)
        self.on = False

    @property
    def now_ms(self):
        return self.walked.now_ms

    def passes(self, span_ms):
        for word in self.walked.pass_ms(span_ms):
            self.house.take(word.meter, word.watts, word.at_ms)

    def leaves(self):
        """Leave it as it is until it was seen; how long that took, in seconds, and the repeat."""
        self.round.left(self.now_ms, on=self.on)
        begun_ms = self.now_ms
        while self.round.wait_ms(self.now_ms):
            self.passes(500)
            assert self.now_ms - begun_ms < 1_200_000
        return (self.now_ms - begun_ms) / 1000, self.round.told(self.now_ms)

    def switches(self, *, really=True):
        self.on = not self.on
        self.passes(2000)
        if really:
            self.load.switch(self.now_ms, on=self.on)
        self.passes(1000)

    def goes(self, times):
        lasted = [self.leaves()[0]]
        for _ in range(times):
            self.switches()
            lasted.append(self.leaves()[0])
        return lasted, self.round.verdict()


def test_a_lamp_is_found_where_it_hangs_with_its_watts_and_standby_and_what_it_draws_at_first():
    load = Load("lamp", "study", 58.3, 0.9, inrush_w=300.0, inrush_ms=2000, draw=[(0, 0.9)])
    _, verdict = Scene(load=load).goes(3)

    assert verdict.place.name == "study"
    assert verdict.found.watts == pytest.approx(57.4, abs=verdict.found.expanded_w)
    assert verdict.found.expanded_w < 1.0
    assert verdict.more == 0
    assert 150 < verdict.inrush_w < 320


def test_small_seeded_rounds_have_the_truth_in_their_intervals():
    """The whole of it is tools/round; of these the count is known, as all is seeded."""
    outs = [
        go_round(seed, every_ms)
        for seed, every_ms in zip(range(1000, 1016), (1000, 2000, 5000, 10_000) * 4, strict=True)
    ]
    placed = [out for out in outs if out.is_placed]

    assert len(placed) >= 15
    assert sum(out.is_within for out in placed) >= len(placed) - 1


@pytest.mark.parametrize(("every_ms", "least_s", "most_s"), [(1000, 12, 25), (5000, 30, 60), (60_000, 120, 300)])
def test_how_long_to_wait_goes_by_how_often_the_meter_comes(every_ms, least_s, most_s):
    lasted, verdict = Scene(every_ms).goes(3)

    assert verdict.place.name == "study"
    assert all(least_s <= each <= most_s for each in lasted[1:])


def test_a_slow_meter_elsewhere_is_not_waited_for_once_it_is_seen_where_the_load_hangs():
    lasted, verdict = Scene(kinds={"bath": Kind(60_000)}).goes(2)

    assert verdict.place.name == "study"
    assert all(each < 40 for each in lasted[1:])


def test_a_meter_that_speaks_only_when_it_changes_is_followed():
    kind = Kind(60_000, 1, mean=False, at_changes_w=3.0, noise_w=0.0)
    scene = Scene(
        kinds=dict.fromkeys(CIRCUITS, kind),
        others={"study": [[(0, 10.0)] + [(at * 7000, 10.0 + 4 * (at % 2)) for at in range(1, 9)]]},
    )
    _, verdict = scene.goes(4)

    assert verdict.place.name == "study"
    assert verdict.found.watts == pytest.approx(60.0, abs=1.5)


def test_what_else_switches_meanwhile_is_named_and_does_not_change_the_watts():
    scene = Scene()
    fridge = [(0, 0.0)]
    scene.walked.meters[CIRCUITS.index("kitchen")]._loads.append(fridge)
    scene.goes(2)
    scene.switches()
    fridge.append((scene.now_ms, 90.0))
    _, repeat = scene.leaves()

    others = scene.round.others(scene.round.repeats[-1])
    assert [(each.name, round(each.watts, -1)) for each in others] == [("kitchen", 90)]
    assert repeat.steps["study"].watts == pytest.approx(60, abs=1)


def test_a_step_of_another_load_on_the_same_circuit_while_it_is_left_alone_does_not_count():
    scene = Scene()
    heater = [(0, 0.0)]
    scene.walked.meters[CIRCUITS.index("study")]._loads.append(heater)
    scene.leaves()
    scene.switches()
    heater.append((scene.now_ms + 8000, 400.0))
    scene.leaves()
    scene.switches()
    scene.leaves()
    verdict = scene.round.verdict()

    assert [each.steps["study"].watts for each in scene.round.repeats] == pytest.approx([60, 60], abs=1.5)
    assert verdict.place.name == "study"


def test_a_step_of_another_load_just_while_it_is_switched_is_set_aside():
    scene = Scene()
    heater = [(0, 0.0)]
    scene.walked.meters[CIRCUITS.index("study")]._loads.append(heater)
    scene.goes(2)
    scene.switches()
    heater.append((scene.now_ms, 400.0))
    scene.leaves()
    scene.switches()
    scene.leaves()
    verdict = scene.round.verdict()

    assert verdict.found.aside == (2,)
    assert verdict.found.watts == pytest.approx(60, abs=1)
    assert verdict.remarks == ("1 repeat does not count: something else switched on study",)


def test_a_load_that_hangs_on_no_meter_moves_nothing_and_it_says_what_would_have_been_seen():
    scene = Scene()
    scene.round.left(scene.now_ms, on=False)
    scene.leaves()
    for _ in range(3):
        scene.switches(really=False)
        scene.leaves()
    verdict = scene.round.verdict()

    assert verdict.found is None
    assert 0.1 < verdict.blind_w < 5


def test_a_load_below_the_noise_cannot_be_told():
    noisy = {"study": Kind(1000, 1, noise_w=8.0), **{name: Kind(1000, 1, noise_w=8.0) for name in CIRCUITS}}
    _, verdict = Scene(load=Load("led", "study", 1.5), kinds=noisy).goes(3)

    assert verdict.found is None
    assert verdict.blind_w > 1.5


def test_a_load_that_draws_less_when_it_is_warm_is_told():
    load = Load("kettle", "study", 100.0)
    scene = Scene(load=load)
    scene.leaves()
    for _ in range(4):
        scene.switches()
        if scene.on:  # it has warmed up before it is switched off
            scene.leaves()
            load.draw.append((scene.now_ms, 70.0))
            scene.round.break_off()
        scene.leaves()
    remarks = scene.round.verdict().remarks

    assert any("its draw changes while it is on" in remark for remark in remarks)


def test_the_last_one_can_be_struck_out():
    scene = Scene()
    scene.goes(2)
    scene.switches(really=False)
    scene.leaves()
    assert len(scene.round.repeats) == 3

    scene.round.again()
    assert len(scene.round.repeats) == 2
    scene.on = at(scene.load.draw, scene.now_ms) > 0
    _, repeat = scene.leaves()
    assert repeat is None
    scene.switches()
    scene.leaves()
    assert scene.round.verdict().found.watts == pytest.approx(60, abs=1)


def test_a_round_goes_on_from_what_an_earlier_session_has_kept():
    first = Scene()
    first.goes(2)
    begun = first.round.verdict() and first.round.repeats
    scene = Scene()
    scene.round = Round(scene.house, USUAL, begun)
    scene.goes(1)
    verdict = scene.round.verdict()

    assert verdict.found.repeats == 3
    assert verdict.place.name == "study"


def test_without_anything_heard_there_is_no_end_of_waiting_to_name():
    house = House(stated(CIRCUITS))
    own = Round(house, USUAL)
    own.left(1000, on=False)

    assert own.wait_ms(2000) is None
    assert {each.trouble for each in house.heard(2000)} == {"not heard yet"}
    house.take_retained("study")
    assert any("retained" in each.trouble for each in house.heard(2000))


def test_a_meter_slower_than_a_minute_and_a_half_is_not_waited_for_and_it_says_so():
    scene = Scene(kinds={"bath": Kind(300_000)})
    scene.passes(900_000)
    trouble = {each.name: each.trouble for each in scene.house.heard(scene.now_ms)}

    assert "too seldom for a round" in trouble["bath"]
    assert "bath" not in scene.house.usable(scene.now_ms)
    assert scene.goes(2)[1].place.name == "study"


def test_what_a_round_can_never_see_is_not_waited_for_before_it_begins():
    """A meter with a register alone; one that is only silent may still come."""
    boiler = Stated(name="boiler", counter=CounterSource(topic="t/boiler"))
    house, silent = (House({**stated(names), "boiler": boiler}) for names in (CIRCUITS, (*CIRCUITS, "attic")))
    for at_ms in range(0, 20_000, 1000):
        for each in (house, silent):
            assert not each.is_ready(at_ms, 20)
            for name in ("supply", *CIRCUITS):
                each.take(name, 50.0, at_ms)

    assert house.is_ready(20_000, 20)
    assert not silent.is_ready(20_000, 20)
    assert not house.is_ready(20_000, 21)


def recorded(folder, plug, day, begin, seconds):
    """Watts of a plug by the second; -1, which is missing, is the one before."""
    (file,) = folder.glob(f"{plug}_*_{day}.csv.gz")
    with gzip.open(file, "rt") as lines:
        watts = [float(line) for line in islice(lines, begin, begin + seconds)]
    draw, last = [], 0.0
    for second, each in enumerate(watts):
        last = each if each >= 0 else last
        draw.append((second * 1000, last))
    return draw


@pytest.mark.parametrize("begin", [8 * 3600, 12 * 3600, 19 * 3600, 21 * 3600])
def test_lamps_on_circuits_of_a_real_household_are_found_with_the_truth_in_the_interval(open_data, begin):
    """ECO, household 4 (CC BY 4.0, Beckel et al. 2014): plugs at 1 Hz make the circuits, the lamp is ours."""
    folder = open_data / "eco_house4" / "raw_1hz"
    circuits = dict(zip(CIRCUITS, (("01", "02", "08"), ("04", "06"), ("07",), ("05", "03")), strict=True))
    others = {
        name: [recorded(folder, plug, "2012-07-27", begin, 1200) for plug in plugs] for name, plugs in circuits.items()
    }
    _, verdict = Scene(load=Load("lamp", "study", 42.0), others=others).goes(4)

    assert verdict.place.name == "study"
    assert verdict.found.watts == pytest.approx(42.0, abs=verdict.found.expanded_w)
    assert verdict.found.expanded_w < 12


def test_a_stated_precision_asks_for_more_repeats():
    scene = Scene(kinds={name: Kind(1000, 1, noise_w=1.5) for name in CIRCUITS})
    scene.goes(3)
    usual = scene.round.verdict()
    strict = Round(scene.house, Precision(0.0, 0.5), scene.round.repeats).verdict()

    assert usual.more == 0
    assert strict.more is None or strict.more > 0
