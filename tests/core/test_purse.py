"""What a running house says that things cost: by the minute of the ledger, by what it exchanged, by what prices say."""

import json
from decimal import Decimal

import pytest

from support.house import HouseRun
from support.prices import BERLIN, HOUR, KWH, MINUTE, D, ms
from support.rehearsing import rehearsed
from wattround.config.load import examine_text
from wattround.core.purse import Drawers, Purse
from wattround.core.view import view
from wattround.ingest.delivery import LIVE
from wattround.ledger.energies import HOUR as BY_HOUR
from wattround.ledger.energies import Energy
from wattround.ledger.reader import Reader
from wattround.ledger.totals import Sums
from wattround.metering.consumption import Sources

HEAD = '[house]\nid = "testhouse"\ntime_zone = "Europe/Berlin"\ncurrency = "EUR"\n'
METERS = """
[[meters]]
name = "supply"
role = "supply"
power = { topic = "t/supply" }
[[meters]]
name = "tv"
label = "Television"
role = "appliance"
within = "supply"
standby_w = 20
active_w = 40
power = { topic = "t/tv" }
[[signals]]
name = "spot"
topic = "t/spot"
believable = "1h"
[[rules]]
name = "long"
load = "tv"
lasting = "20m"
release = "1s"
[[channels]]
name = "hub"
mqtt = true
"""
BANDS = """
[[tariffs]]
tax_percent = 10
bands = [
    { name = "night", price_per_kwh = 0.10, between = ["22:00", "06:00"] },
    { name = "day", price_per_kwh = 0.30 },
]
export = { price_per_kwh = 0.08 }
"""
DYNAMIC = '[[tariffs]]\ndynamic = { signal = "spot" }\n'


def settings_of(text):
    problems, settings = examine_text(text)
    assert [each for each in problems if each.severity == "error"] == []
    return settings


class Run(HouseRun):
    """A house whose prices are those of its text."""

    def __init__(self, folder, tariffs, now_ms):
        super().__init__(folder, METERS + tariffs, now_ms, HEAD)

    def minutes(self, minutes, tv, supply, spot=None):
        """Time passes, with a reading of both meters every half minute."""
        for _ in range(minutes * 2):
            self.clock.pass_ms(30_000)
            for topic, watts in (("t/tv", tv), ("t/supply", supply)):
                self.inbox.put((topic, str(watts).encode(), self.clock.mono_ms(), LIVE, None))
            if spot is not None:
                self.inbox.put(("t/spot", str(spot).encode(), self.clock.mono_ms(), LIVE, None))
            self.core.turn()

    def episodes(self):
        reader = Reader(self.folder, "testhouse")
        try:
            return reader.episodes(0, 1 << 50)
        finally:
            reader.close()

    def told(self):
        return [json.loads(waiting.message.facts) for waiting in self.mail.told]


@pytest.fixture
def run(tmp_path):
    runs = []

    def start(tariffs, at):
        runs.append(Run(tmp_path, tariffs, ms(at)))
        return runs[-1]

    yield start
    for each in runs:
        each.close()


def test_an_episode_costs_what_each_of_its_minutes_cost(run):
    """120 W, 20 W of them standby: from 21:30 to 22:00 at 0.33, to 22:30 at 0.11, tax included."""
    house = run(BANDS, "2026-06-01 21:30")
    house.minutes(60, 120, 500)
    house.minutes(2, 0, 400)

    (row,) = house.episodes()
    assert row.settled_ms is not None
    assert row.waste_uwh == pytest.approx(0.1 * KWH, rel=0.02)
    assert float(row.cost) == pytest.approx(0.05 * 0.33 + 0.05 * 0.11, rel=0.03)
    assert row.unpriced_uwh == 0
    raised, settled = house.told()
    assert float(raised["cost"]) == pytest.approx(0.1 * 20 / 60 * 0.33, rel=0.06)
    assert float(settled["cost"]) == pytest.approx(float(row.cost), abs=1e-4)
    # 120 W for 24 h: 16 hours of day, 8 of night
    assert float(raised["cost_per_day"]) == pytest.approx(0.12 * (16 * 0.33 + 8 * 0.11), rel=1e-3)


def test_while_the_house_gives_back_waste_costs_the_forgone_credit_only(run):
    house = run(BANDS, "2026-06-01 12:00")
    house.minutes(60, 120, -1500)
    house.minutes(2, 0, -1600)

    (row,) = house.episodes()
    assert float(row.cost) == pytest.approx(0.1 * 0.08, rel=0.03)


def test_a_price_that_a_signal_says_and_one_that_it_does_not(run):
    house = run(DYNAMIC, "2026-06-01 12:00")
    house.minutes(30, 120, 500, spot="0.40")
    house.minutes(30, 120, 500, spot="none today")
    shown = view(house.house, house.clock.now_ms)
    house.minutes(2, 0, 400)

    (row,) = house.episodes()
    assert float(row.cost) == pytest.approx(0.05 * 0.40, rel=0.06)
    assert row.unpriced_uwh == pytest.approx(0.05 * KWH, rel=0.06)
    raised, settled = house.told()
    assert settled["unpriced_wh"] == pytest.approx(50, rel=0.06)
    assert raised["cost_per_day"] is None  # neither the next nor the last 24 hours have prices
    assert "a day" not in raised["text"]
    assert "kWh without a known price" in settled["text"]
    tv = next(meter for meter in shown["meters"] if meter["name"] == "tv")
    assert float(tv["today_cost"]) == pytest.approx(0.06 * 0.40, rel=0.1)
    assert tv["today_unpriced_wh"] == pytest.approx(60, rel=0.1)
    (episode,) = shown["episodes"]
    assert episode["unpriced_wh"] == pytest.approx(50, rel=0.06)


def test_what_was_taken_today_is_priced_by_the_hours_in_which_it_was(run):
    house = run(BANDS, "2026-06-01 05:00")
    house.minutes(120, 1000, 1000)
    shown = view(house.house, house.clock.now_ms)

    costs = {meter["name"]: float(meter["today_cost"]) for meter in shown["meters"]}
    assert costs["tv"] == pytest.approx(1 * 0.11 + 1 * 0.33, rel=0.01)
    assert shown["currency"] == "EUR"


def test_a_flat_tariff_is_priced_as_ever(run):
    house = run("[[tariffs]]\nprice_per_kwh = 0.25\n", "2026-06-01 12:00")
    house.minutes(60, 120, 500)
    house.minutes(2, 0, 400)

    (row,) = house.episodes()
    assert Decimal(row.cost) == pytest.approx(D("0.25") * row.waste_uwh / KWH, rel=D("1e-9"))


def test_a_rehearsal_finds_the_same_cost_as_the_day_itself(run):
    house = run(BANDS, "2026-06-01 20:00")
    house.minutes(30, 120, -500)
    house.minutes(30, 0, 500)
    house.minutes(120, 120, 500)
    house.minutes(20, 0, 400)
    house.commit(house.clock.now_ms)

    lived = house.episodes()
    (part,) = rehearsed(house, ms("2026-06-01 20:00"), house.clock.now_ms // MINUTE * MINUTE).scenes[0].parts.values()
    assert len(lived) == len(part.episodes) == 2
    for row, episode in zip(lived, part.episodes, strict=True):
        assert float(episode.worth.amount) == pytest.approx(float(row.cost), rel=0.02)
    assert part.worth.amount == sum(episode.worth.amount for episode in part.episodes)


# -- the purse by itself ----------------------------------------------------------------------------


class Ledger:
    """Rows of meters that draw the same all the time, and words of signals."""

    def __init__(self, watts, words=()):
        self.watts, self.words, self.asked = watts, words, []

    def of_meter(self, name, from_minute, to_minute, every):
        self.asked.append((name, every, to_minute - from_minute))
        if name not in self.watts:
            return []
        into, out = (round(max(0, sign * self.watts[name]) * every * 1e6 / 60) for sign in (1, -1))
        return [Energy(at, into, out, 60_000 * every) for at in range(from_minute, to_minute, every)]

    def sums(self, from_minute, to_minute):
        span = to_minute - from_minute
        return {
            name: Sums(round(max(0, watts) * span * 1e6 / 60), 0, span * 60_000) for name, watts in self.watts.items()
        }

    def said(self, signal, from_ms, to_ms):
        return [(at_ms, word) for name, at_ms, word in self.words if name == signal and from_ms <= at_ms < to_ms]


def purse(tariffs, watts, words=(), standby_w=0.0, generators=()):
    of = Sources(("supply",), tuple(generators), ())
    ledger = Ledger(watts, words)
    drawers = Drawers(dict.fromkeys(watts, standby_w), of, supplied=True)
    return Purse(settings_of(HEAD + METERS + tariffs), lambda: drawers, ledger), ledger


BLOCKS = "[[tariffs]]\nblocks = [{ upto_kwh = 100, price_per_kwh = 0.20 }, { price_per_kwh = 0.40 }]\n"


def test_with_blocks_waste_costs_the_block_that_the_house_has_come_to():
    cheap, _ = purse(BLOCKS, {"tv": 100, "supply": 60})  # 60 W since the first: 24 kWh
    dear, _ = purse(BLOCKS, {"tv": 100, "supply": 600})
    at = ms("2026-06-17 16:00")

    assert cheap.waste(("tv",), at - HOUR, at, KWH).amount == D("0.20")
    assert dear.waste(("tv",), at - HOUR, at, KWH).amount == D("0.40")


def test_an_episode_of_weeks_is_looked_at_by_the_hour_and_only_lately_by_the_minute():
    of, ledger = purse(BANDS, {"tv": 100, "supply": 600})
    at = ms("2026-06-30 12:00")
    worth = of.waste(("tv",), at - 20 * 24 * HOUR, at, 48 * KWH)

    assert worth.amount == pytest.approx(D(48) * (D("0.33") * 2 + D("0.11")) / 3, rel=D("0.01"))
    assert max(minutes for _, every, minutes in ledger.asked if every == 1) <= 3 * 1440 + 60
    assert {every for _, every, _ in ledger.asked} == {1, BY_HOUR}


def test_what_is_asked_again_within_a_minute_is_not_worked_out_again():
    of, ledger = purse(BANDS, {"tv": 100, "supply": 600})
    at = ms("2026-06-30 12:00")
    first = of.waste(("tv",), at - HOUR, at, KWH)
    asked = len(ledger.asked)
    later = of.waste(("tv",), at - HOUR, at + 10_000, 2 * KWH)

    assert len(ledger.asked) == asked
    assert later.amount == 2 * first.amount


def test_what_the_roof_gave_the_load_would_have_been_given_back():
    """The load takes 1000 W above standby, 250 of them bought."""
    of, _ = purse(BANDS, {"tv": 1000, "supply": 250, "roof": 900}, generators=["roof"])
    at = ms("2026-06-30 12:00")

    assert of.waste(("tv",), at - HOUR, at, KWH).amount == pytest.approx(D("0.33") / 4 + D("0.08") * 3 / 4)


def test_a_load_that_the_ledger_does_not_have_yet_is_priced_by_time():
    of, _ = purse(BANDS, {"supply": 250})
    at = ms("2026-06-30 22:30")

    assert of.waste(("tv",), at - HOUR, at, KWH).amount == (D("0.33") + D("0.11")) / 2


def test_a_days_draw_takes_yesterdays_prices_where_tomorrows_are_not_known():
    at = ms("2026-06-30 12:00")
    words = [("spot", at - ago * HOUR // 2, "0.30" if ago > 24 else "0.10") for ago in range(48, 0, -1)]
    known, _ = purse(DYNAMIC, {}, words)
    partly, _ = purse(DYNAMIC, {}, words[:-5])

    assert known.a_day(1000, at) == pytest.approx(D("4.8"), rel=D("0.01"))
    assert partly.a_day(1000, at) is None


def test_a_rule_about_money_takes_the_mean_price_of_its_period():
    of, _ = purse(BANDS, {})
    begin, at = ms("2026-06-30 00:00"), ms("2026-06-30 12:00")

    assert of.share_cost(KWH, begin, at) == pytest.approx((D("0.33") * 16 + D("0.11") * 8) / 24)
    assert of.share_text(KWH, begin, at) == "about 0.26 EUR"
    blocks, _ = purse(BLOCKS, {"supply": 1000})
    # 14 days at 24 kWh before today: 100 of 336 kWh at 0.20, the rest at 0.40
    assert blocks.share_cost(KWH, ms("2026-06-15 00:00"), ms("2026-06-15 12:00")) == pytest.approx(
        D(100 * 20 + 236 * 40) / 33600, rel=D("0.01")
    )
    unknown, _ = purse(DYNAMIC, {})
    assert unknown.share_cost(KWH, begin, at) == 0


def test_prices_of_a_file_are_read_again_when_it_has_changed(tmp_path):
    file = tmp_path / "prices.csv"
    at = ms("2026-06-30 12:00", BERLIN)
    file.write_text("time,price_per_kwh\n2026-06-30T12:00:00+02:00,0.20\n")
    of, _ = purse(f'[[tariffs]]\ndynamic = {{ file = "{file}", hold = "2h" }}\n', {})

    assert of.waste(("tv",), at, at + HOUR, KWH).amount == D("0.20")
    file.write_text("time,price_per_kwh\n2026-06-30T12:00:00+02:00,0.2500\n")
    assert of.waste(("tv",), at, at + HOUR + MINUTE, KWH).amount == D("0.25")
    file.write_text("somebody spilled coffee on it")
    assert of.waste(("tv",), at, at + HOUR + 2 * MINUTE, KWH).amount == D("0.25")
    assert of.schedule(at, at + 3 * HOUR).import_at(at + 2 * HOUR).per_kwh is None
