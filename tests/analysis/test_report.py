"""Where the money goes: sums equal pandas' on the same minutes, rows add up, and the money is the invoice's."""

from datetime import date, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.homes import BEGIN, FLAT, HEAD, METERS, ROLES, by_name, frame, house, ms, of, random_house, row
from support.house import settings_of
from wattround.analysis.adding import rounded
from wattround.analysis.periods import Days, WrongPeriod, against, chosen, named
from wattround.analysis.profile import mean_w, profile
from wattround.analysis.report import Scene
from wattround.core.tariffs import schedule_of
from wattround.ledger.tally import Tally
from wattround.ledger.writer import Writer
from wattround.money.amount import to_cents
from wattround.money.invoice import Used, invoice

BERLIN = ZoneInfo("Europe/Berlin")
FROM, TO = ms(2026, 5, 29, zone=BERLIN), ms(2026, 5, 31, zone=BERLIN)
BANDS = """
[[tariffs]]
tax_percent = 21
standing_per_day = 0.31
bands = [
    { name = "peak", price_per_kwh = 0.34, between = ["07:30", "20:10"] },
    { name = "else", price_per_kwh = 0.15 },
]
export = { price_per_kwh = 0.085 }
"""
BLOCKS = """
[[tariffs]]
tax_percent = 5
standing_per_month = 4.20
blocks = [{ upto_kwh = 3, price_per_kwh = 0.12 }, { upto_kwh = 20, price_per_kwh = 0.18 }, { price_per_kwh = 0.27 }]
"""
TARIFFED = HEAD.replace("{zone}", "Europe/Berlin")
EVERY = {"flat": (FLAT, ""), "bands": (TARIFFED, BANDS), "blocks": (TARIFFED, BLOCKS)}


def adds_up(total):
    """Every row that has others under it is their sum, as shown and exactly."""
    for each in total.walk():
        if each.within:
            assert sum(part.money for part in each.within) == each.money
            assert sum(part.kwh for part in each.within) == each.kwh
            assert sum(part.per_month for part in each.within) == each.per_month
            assert sum(part.uwh for part in each.within) == each.uwh
            assert abs(sum(part.exact for part in each.within) - each.exact) < Decimal("1e-6")


@pytest.mark.parametrize("kind", EVERY)
def test_sums_remainders_and_running_hours_equal_pandas(tmp_path, kind):
    head, tariff = EVERY[kind]
    rows = random_house(1, 3000)
    scene, tally = house(tmp_path, rows, METERS + tariff, head)
    found = of(scene, FROM, TO)
    tally.close()

    theirs = frame(rows)
    theirs = theirs[(theirs["minute"] >= FROM // 60_000) & (theirs["minute"] < TO // 60_000)]
    mine = by_name(found)
    sums = theirs.groupby("meter")[["net", "covered_ms"]].sum()
    for name in ("board", "oven", "tv"):
        assert (mine["load", name].uwh, mine["load", name].covered_ms) == tuple(sums.loc[name]), name
    assert found.total.uwh == sums.loc["supply", "net"] + sums.loc["roof", "net"]
    whole = theirs[theirs["covered_ms"] == 60_000].pivot_table(index="minute", columns="meter", values="net")
    assert mine["remainder", "board"].uwh == (whole["board"] - whole["oven"]).dropna().sum()
    rest = whole["supply"] + whole["roof"] - whole["board"] - whole["tv"]
    assert mine["remainder", "testhouse"].uwh == rest.dropna().sum()
    for name, active, standby in (("oven", 100, 1), ("tv", 40, 0.5)):
        own = theirs[theirs["meter"] == name]
        watts = own["in_uwh"] * 3.6 / own["covered_ms"]
        at_rest = (watts < active - 0.01) & (watts >= standby - 0.001)
        use = mine["load", name].use
        assert use.running_ms == own["covered_ms"][watts >= active - 0.01].sum()
        assert abs(use.standby_uwh - own["in_uwh"][at_rest].sum()) <= 1e-6 * sums.loc[name, "net"]
        assert use.known_ms == sums.loc[name, "covered_ms"]
    adds_up(found.total)


@pytest.mark.parametrize("kind", EVERY)
def test_the_money_is_the_invoices(tmp_path, kind):
    head, tariff = EVERY[kind]
    rows = random_house(2, 4320)
    scene, tally = house(tmp_path, rows, METERS + tariff, head)
    found = of(scene, FROM, TO)
    tally.close()

    schedule = schedule_of(scene.settings)
    theirs = frame(rows)
    at = theirs["minute"] * 60_000
    period = schedule.period_of(FROM)
    flows = theirs.assign(at=at).pivot_table(index="at", columns="meter", values=["in_uwh", "out_uwh", "net"]).fillna(0)

    def bought(from_ms, to_ms):
        own = flows[(flows.index >= from_ms) & (flows.index < to_ms)]
        if kind == "flat":
            return int(own["net"]["supply"].sum() + own["net"]["roof"].sum()), 0
        return int(own["in_uwh"]["supply"].sum()), int(own["out_uwh"]["supply"].sum())

    uses = [Used(span, *bought(span.from_ms, span.to_ms)) for span in schedule.spans(FROM, TO)]
    expected = invoice(schedule, FROM, TO, uses, {period: bought(period.from_ms, FROM)[0]})
    assert found.account.total == expected.total
    assert found.account.bill.lines == expected.lines
    assert found.total.money + found.account.standing + found.account.credit == expected.total
    assert found.account.credit == expected.of_kind("export")
    adds_up(found.total)


def test_with_one_flat_price_money_is_energy_times_price(tmp_path):
    scene, tally = house(tmp_path, random_house(3, 1440, gaps=0))
    found = of(scene, FROM, TO)
    tally.close()

    for each in found.total.walk():
        assert each.exact == pytest.approx(Decimal(each.uwh) * Decimal("0.25") / 10**9, abs=Decimal("1e-8"))
    assert "unheard" not in {each.kind for each in found.total.walk()}


def test_what_is_used_while_the_roof_makes_it_costs_its_part(tmp_path):
    """From 00:00: an hour in which 1000 W are bought for 1000 W; one in which the roof makes 600 of them."""
    text = METERS + "[[tariffs]]\nprice_per_kwh = 0.20\nexport = { price_per_kwh = 0.05 }\n"
    begin = FROM // 60_000
    rows = [row("supply", begin + at, 1000 if at < 60 else 400) for at in range(120)]
    rows += [row("roof", begin + at, 0 if at < 60 else 600) for at in range(120)]
    rows += [row("tv", begin + at, 250) for at in range(120)] + [row("board", begin + at, 100) for at in range(120)]
    scene, tally = house(tmp_path, rows, text, TARIFFED)
    found = by_name(of(scene, FROM, FROM + 7_200_000))
    tally.close()

    assert found["load", "tv"].money == Decimal("0.07")  # 0.25 x 0.20 + 0.25 x 0.4 x 0.20
    assert found["total", "testhouse"].money == Decimal("0.28")  # 1.4 kWh were bought
    assert found["remainder", "testhouse"].kwh == Decimal("1.30")


def test_a_battery_charged_from_the_grid_is_a_line_of_its_own(tmp_path):
    """An hour in which 1 kWh is used and 2 kWh are stored; one in which 1 kWh comes back."""
    text = METERS + '[[meters]]\nname = "battery"\nrole = "storage"\nwithin = "supply"\npower = { topic = "t/b" }\n'
    text += "[[tariffs]]\nprice_per_kwh = 0.20\n"
    begin = FROM // 60_000
    rows = [row("supply", begin + at, 3000 if at < 60 else 0) for at in range(120)]
    rows += [row("battery", begin + at, 2000 if at < 60 else -1000) for at in range(120)]
    rows += [row("roof", begin + at, 0) for at in range(120)]
    rows += [row("board", begin + at, 900) for at in range(120)] + [row("tv", begin + at, 100) for at in range(120)]
    scene, tally = house(tmp_path, rows, text, TARIFFED, {**ROLES, "battery": "storage"})
    found = by_name(of(scene, FROM, FROM + 7_200_000))
    tally.close()

    assert found["total", "testhouse"].kwh == Decimal("2.00")
    assert (found["storage", "testhouse"].kwh, found["storage", "testhouse"].money) == (0, Decimal("0.40"))
    assert (found["load", "board"].money, found["load", "tv"].money) == (Decimal("0.18"), Decimal("0.02"))


def test_hour_totals_stand_at_two_levels(tmp_path):
    """Of more than 62 days the hours are looked at: 118 W for 20 minutes of an hour, else 2 W."""
    rows = []
    for hour in range(63 * 24):
        begin = BEGIN + hour * 60
        rows += (
            [row("tv", begin + at, 118 if 10 <= at < 30 else 2, peak=None) for at in range(60)]
            if hour % 24 == 20
            else []
        )
    rows += [row("supply", BEGIN + at, 300) for at in (0, 63 * 1440 - 1)]
    scene, tally = house(tmp_path, rows)
    found = of(scene, FROM, FROM + 63 * 86_400_000)
    by_minute = of(scene, FROM, FROM + 60 * 86_400_000)
    tally.close()

    assert (found.by_minute, by_minute.by_minute) == (False, True)
    use = by_name(found)["load", "tv"].use
    assert use.running_ms == pytest.approx(63 * 1_200_000, rel=1e-6)
    assert use.standby_uwh == pytest.approx(63 * 2 * 40 / 60 * 1e6, rel=1e-6)
    assert by_name(by_minute)["load", "tv"].use.running_ms == 60 * 1_200_000


@pytest.mark.parametrize("zone", ["Europe/Berlin", "Asia/Kolkata"])
def test_a_loads_hours_and_weekdays_equal_pandas(tmp_path, zone):
    rows = random_house(4, 4000)
    scene, tally = house(tmp_path, rows, METERS, FLAT.replace("Europe/Berlin", zone))
    begin = ms(2026, 5, 29, zone=ZoneInfo(zone))
    found = profile(scene, "oven", begin, begin + 2 * 86_400_000, tally.kept())
    tally.close()

    theirs = frame(rows, zone)
    theirs = theirs[
        (theirs["meter"] == "oven") & (theirs["local"] < theirs["local"].iloc[0].normalize() + pd.Timedelta(days=2))
    ]
    theirs = theirs[theirs["minute"] * 60_000 >= begin]
    expected = theirs.groupby([theirs["local"].dt.day_of_week, theirs["local"].dt.hour])[["net", "covered_ms"]].sum()
    assert {divmod(kind, 24) for kind in found.cells} == set(expected.index)
    for kind, cell in found.cells.items():
        net, covered = expected.loc[divmod(kind, 24)]
        assert (cell.net_uwh, cell.covered_ms) == (net, covered)
        assert mean_w(cell) == pytest.approx(net * 3.6 / covered)


@pytest.mark.parametrize(("day", "hours"), [(date(2026, 3, 29), 23), (date(2026, 10, 25), 25)])
def test_a_day_on_which_the_clock_is_changed(tmp_path, day, hours):
    """1000 W all day at 0.34 from 07:30 to 20:10 and 0.15 else, 21 % tax."""
    begin = ms(day.year, day.month, day.day, zone=BERLIN)
    rows = [row("supply", begin // 60_000 + at, 1000) for at in range(hours * 60)]
    scene, tally = house(tmp_path, rows, METERS + BANDS, TARIFFED)
    found = of(scene, begin, begin + hours * 3_600_000)
    tally.close()

    assert found.total.kwh == hours
    peak = Decimal(760) / 60
    assert found.total.money == pytest.approx(
        (peak * Decimal("0.34") + (hours - peak) * Decimal("0.15")) * Decimal("1.21"), abs=Decimal("0.01")
    )


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from(sorted(EVERY)), st.booleans(), st.sampled_from([0.0, 0.01, 0.3]))
def test_shares_and_remainder_make_the_total_to_the_cent(tmp_path_factory, seed, kind, sunny, gaps):
    head, tariff = EVERY[kind]
    scene, tally = house(
        tmp_path_factory.mktemp("h"), random_house(seed, 700, sunny=sunny, gaps=gaps), METERS + tariff, head
    )
    found = of(scene, FROM, FROM + 40_000_000)
    tally.close()

    outermost = list(found.total.within)
    assert sum(each.money for each in outermost) == found.account.energy == found.total.money
    assert sum(each.uwh for each in outermost) == found.total.uwh == found.account.flow.consumed
    adds_up(found.total)


@settings(max_examples=4, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 2), st.sampled_from(["flat", "bands"]))
def test_the_report_of_a_period_is_the_sum_of_its_parts(tmp_path_factory, seed, cut, kind):
    head, tariff = EVERY[kind]
    scene, tally = house(tmp_path_factory.mktemp("h"), random_house(seed, 4320), METERS + tariff, head)
    edge, end = FROM + cut * 86_400_000, FROM + 3 * 86_400_000
    first, second, whole = (of(scene, *span) for span in ((FROM, edge), (edge, end), (FROM, end)))
    tally.close()

    parts = [by_name(each) for each in (first, second)]
    for key, each in by_name(whole).items():
        assert each.uwh == sum(part[key].uwh for part in parts)
        assert float(each.exact) == pytest.approx(sum(float(part[key].exact) for part in parts), abs=1e-6)
    together = first.account.bill.exact + second.account.bill.exact
    assert whole.account.bill.exact == pytest.approx(together, abs=Decimal("1e-20"))


@given(st.lists(st.decimals(-1000, 1000, places=5), max_size=30), st.decimals(-2, 2, places=2))
def test_rounded_amounts_add_up_and_each_is_near_its_own(exact, off):
    total = to_cents(sum(exact, Decimal(0)))
    found = rounded(exact, total)

    assert sum(found) == (total if exact else 0)
    assert all(abs(mine - each) <= Decimal("0.02") for mine, each in zip(found, exact, strict=True))
    assert sum(rounded(exact, total + off)) == (total + off if exact else 0)


def test_energy_without_a_known_price_is_told_apart(tmp_path):
    text = METERS + "[[tariffs]]\nfrom = 2026-05-30\nprice_per_kwh = 0.20\n"
    rows = random_house(5, 2880, gaps=0, sunny=False)
    scene, tally = house(tmp_path, rows, text, TARIFFED)
    before, both = of(scene, FROM, FROM + 86_400_000), of(scene, FROM, TO)
    tally.close()

    assert before.total.money == 0
    assert before.total.unpriced_uwh == before.total.uwh
    assert "have no known price and are in no amount: the first tariff is from 2026-05-30" in before.notes[0]
    assert both.total.unpriced_uwh == before.total.uwh
    second = by_name(both)["load", "tv"]
    first = by_name(before)["load", "tv"]
    assert float(second.exact) == pytest.approx((second.uwh - first.uwh) * 0.20 / 1e9, abs=1e-8)


def test_a_silent_meter_and_an_estimate_are_told(tmp_path):
    begin = FROM // 60_000
    rows = [row("supply", begin + at, 300) for at in range(180)] + [row("roof", begin + at, 0) for at in range(180)]
    rows += [row("board", begin + at, 100) for at in range(180)]
    rows += [row("tv", begin + at, 50, origin=6) for at in range(60, 180)]
    scene, tally = house(tmp_path, rows)
    found = by_name(of(scene, FROM, FROM + 10_800_000))
    tally.close()

    assert found["remainder", "testhouse"].kwh == Decimal("0.30")  # two hours in which all were heard
    assert found["unheard", "testhouse"].kwh == Decimal("0.20")  # 300 - 100 W in the first
    tv = found["load", "tv"]
    assert (tv.estimated_uwh, tv.covered_ms, tv.use.known_ms) == (120 * 833_333, 7_200_000, 0)


@pytest.mark.parametrize(("heard", "base_uwh"), [(2880, 3_840_000_000), (1800, 2_400_000_000)])
def test_the_base_load_is_the_lowest_hour_of_the_night(tmp_path, heard, base_uwh):
    """And no more of it than of the rest: over the time in which something was heard."""
    begin = FROM // 60_000
    rows = [row("supply", begin + at, 80 if at % 1440 // 60 == 3 else 200) for at in range(heard)]
    rows += [row("roof", begin + at, 0) for at in range(heard)]
    scene, tally = house(tmp_path, rows)
    found = of(scene, FROM, TO)
    tally.close()

    assert found.base is not None
    assert (round(found.base.watts, 3), found.base.nights) == (80.0, 2)
    assert found.base.uwh == pytest.approx(base_uwh, rel=1e-6)


def test_hours_whose_minutes_are_gone_still_count(tmp_path):
    rows = random_house(6, 2880, gaps=0)
    scene, tally = house(tmp_path, rows, METERS + BANDS, TARIFFED)
    whole = of(scene, FROM, TO)
    tally.close()

    writer = Writer(tmp_path / "ledger", "testhouse", TO)
    writer.prune(0, BEGIN + 1440)
    writer.close()
    tally = Tally(tmp_path / "ledger", "testhouse")
    found = of(Scene.of(tally, settings_of(METERS + BANDS, tmp_path / "ledger", TARIFFED)), FROM, TO)
    tally.close()
    assert found.total.uwh == whole.total.uwh
    assert not found.by_minute
    assert float(found.total.money) == pytest.approx(float(whole.total.money), rel=0.05)
    adds_up(found.total)


def test_days_that_a_report_is_about():
    today = date(2026, 3, 18)  # a Wednesday
    assert named("week", today) == Days(date(2026, 3, 16), date(2026, 3, 22))
    assert named("last-month", today) == Days(date(2026, 2, 1), date(2026, 2, 28))
    assert named("last7", today) == Days(date(2026, 3, 11), date(2026, 3, 17))
    assert chosen("", None, None, today) == Days(date(2026, 3, 1), date(2026, 3, 31))
    assert chosen("", today, None, today) == Days(today, today)
    assert against("previous", named("month", today)) == named("last-month", today)
    assert against("previous", named("year", today)) == Days(date(2025, 1, 1), date(2025, 12, 31))
    assert against("previous", named("last7", today)) == Days(date(2026, 3, 4), date(2026, 3, 10))
    assert against("2026-01-01..2026-01-31", named("month", today)).number == 31
    for words in ("", "2026-01-01", "2026-02-01..2026-01-01", ".."):
        with pytest.raises(WrongPeriod):
            against(words, named("month", today))
    with pytest.raises(WrongPeriod, match="after --to"):
        chosen("", today, today - timedelta(days=1), today)


@pytest.mark.parametrize("day", [date.min, date(1969, 12, 31), date(3000, 1, 1), date.max])
def test_days_that_no_ledger_can_have_are_told(day):
    """A fuzzer found the first of them: there are no days before it to compare with."""
    today = date(2026, 3, 18)
    with pytest.raises(WrongPeriod, match="1970-01-01 and 2999-12-31"):
        chosen("", min(day, today), max(day, today), today)
    with pytest.raises(WrongPeriod, match="1970-01-01 and 2999-12-31"):
        against(f"{min(day, today)}..{max(day, today)}", Days(today, today))
