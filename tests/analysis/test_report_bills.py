"""What energy costs, through the whole report: worked examples, billing months, and what adds up to what."""

import csv
import io
import json
import subprocess
from decimal import Decimal
from itertools import pairwise
from zoneinfo import ZoneInfo

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.daemon import COMMAND
from support.history import write
from support.homes import METERS, ROLES, by_name, frame, house, ms, of, random_house, row
from wattround.ledger.batch import Batch
from wattround.ledger.writer import Writer
from wattround.metering.minute import Minute
from wattround.money.amount import to_cents
from wattround.money.twoprices import Slot, marginal

D = Decimal
BERLIN = ZoneInfo("Europe/Berlin")
HEAD = '[house]\nid = "testhouse"\ntime_zone = "Europe/Berlin"\ncurrency = "EUR"\n'
DAY_MS = 86_400_000


def local(day):
    """The first minute of a local day."""
    return int(pd.Timestamp(day, tz=BERLIN).timestamp()) // 60


def spread(meter, first, days, kwh_a_day):
    """So much on each of some days, in a minute of every hour."""
    hours = range(local(first), local(pd.Timestamp(first) + pd.Timedelta(days=days)), 60)
    uwh, begun = round(kwh_a_day * 10**9) * days, 0
    for number, minute in enumerate(hours, 1):
        upto = uwh * number // len(hours)
        yield Minute(meter, minute, upto - begun, 0, 60_000, None, None, 2)
        begun = upto


def loads(*entries):
    return "".join(f'[[meters]]\nname = "{name}"\n{more}power = {{ topic = "t/{name}" }}\n' for name, more in entries)


def file_of(folder, rows, text, roles):
    write(folder / "ledger", sorted(rows, key=lambda each: each.minute), roles)
    made = folder / "house.toml"
    made.write_text(f'{HEAD}[ledger]\nfolder = "{folder / "ledger"}"\n{text}')
    return made


def command(file, first, last, *words):
    """The rows by name, of the command as a person or a script runs it."""
    days = ("--from", first, "--to", last)
    answer = subprocess.run([*COMMAND, "report", str(file), *days, *words, "--csv"], capture_output=True, text=True)
    assert (answer.returncode, answer.stderr) == (0, "")
    return {line["name"]: line for line in csv.DictReader(io.StringIO(answer.stdout))}


# -- worked examples ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def circuits(tmp_path_factory):
    """A year and a day of circuits that draw so much a day; on one of the last days two of them draw less."""
    a_day = {"cellar": D("12.49"), "heat": D("22.67"), "pump": D("21.33"), "screens": D("5.00")}
    less = {"pump": D("21.33"), "screens": D("3.73")}
    rows = []
    for name, kwh in a_day.items():
        rows += spread(name, "2025-07-01", 364, kwh)
        rows += spread(name, "2026-06-30", 1, kwh - less.get(name, 0))
        rows += spread(name, "2026-07-01", 1, kwh)
    tariff = "[[tariffs]]\nprice_per_kwh = 0.1709\n"
    text = loads(*((name, "") for name in a_day)) + tariff
    return file_of(tmp_path_factory.mktemp("circuits"), rows, text, dict.fromkeys(a_day, "circuit"))


# common practice, no source: at 17.09 cents a kWh so much a day is about so much a day, and so much in 30 days
@pytest.mark.parametrize(("load", "kwh", "a_day", "a_month"), [("cellar", 12.49, 2.14, 64), ("heat", 22.67, 3.87, 116)])
def test_a_day_and_a_month_of_a_circuit(circuits, load, kwh, a_day, a_month):
    day = command(circuits, "2026-06-10", "2026-06-10")[load]
    month = command(circuits, "2026-05-31", "2026-06-29")[load]

    assert (float(day["energy_kwh"]), float(month["energy_kwh"])) == pytest.approx((kwh, 30 * kwh), abs=1e-8)
    assert float(day["money"]) == pytest.approx(a_day, abs=0.011)
    assert round(float(month["money"])) == a_month
    # 365.25 / 12 days
    assert float(day["money_per_month"]) == pytest.approx(float(month["money"]) * 365.25 / 12 / 30, abs=0.02)


# common practice, no source
@pytest.mark.parametrize(("load", "less", "saved"), [("screens", 3.73, 0.64), ("pump", 21.33, 3.65)])
def test_what_less_a_day_saves_stands_beside_the_day_before(circuits, load, less, saved):
    rows = command(circuits, "2026-06-30", "2026-06-30", "--against", "previous")

    assert float(rows[load]["change_kwh"]) == pytest.approx(-less, abs=0.011)
    assert float(rows[load]["change_money"]) == pytest.approx(-saved, abs=0.011)
    total = D(rows["testhouse"]["change_money"])
    assert total == sum(D(line["change_money"]) for line in rows.values() if line["depth"] == "1")
    assert total == pytest.approx(D("-0.64") - D("3.65"), abs=D("0.011"))


def test_a_year_of_21_33_kwh_a_day(circuits):
    """Common practice, no source: at 17.09 cents about 1,331."""
    rows = command(circuits, "2025-07-01", "2026-06-29")

    assert float(rows["pump"]["money"]) * 365 / 364 == pytest.approx(1331, abs=1)
    assert float(rows["pump"]["money_per_month"]) * 12 == pytest.approx(1331, abs=1)


def test_published_examples_of_appliances(tmp_path):
    """US DOE's formula, as restated by a county utility: kWh = W x h / 1000, cost = kWh x rate.

    A window fan, 200 W, 4 h on 120 days: 96 kWh; a computer and monitor, 270 W, 4 h on 365: 394.2; at 8.5 cents 8.16
    and 33.51. A refrigerator of 1,200 W that runs for a fifth of the time: 5.76 kWh a day.
    """
    begin, rows = local("2026-01-01"), []
    for day in range(365):
        evening = begin + day * 1440 + 1080
        rows += [row("computer", evening + at, 270) for at in range(240)]
        rows += [row("fan", evening + at, 200) for at in range(240)] if 150 <= day < 270 else []
    rows += [row("fridge", begin + at, 1200 if at % 60 < 12 else 0) for at in range(1440)]
    text = loads(*((name, "active_w = 100\n") for name in ("fan", "computer", "fridge")))
    file = file_of(tmp_path, rows, text + "[[tariffs]]\nprice_per_kwh = 0.085\n",
                   dict.fromkeys(("fan", "computer", "fridge"), "appliance"))  # fmt: skip
    year, day = command(file, "2026-01-01", "2026-12-31"), command(file, "2026-01-01", "2026-01-01")

    found = {
        name: (float(line["energy_kwh"]), line["money"], float(line["running_h"]))
        for name, line in year.items()
        if line["kind"] == "load"
    }
    assert found["fan"] == pytest.approx((96, "8.16", 480), abs=1e-4)
    assert found["computer"] == pytest.approx((394.2, "33.51", 1460), abs=1e-4)
    assert float(day["fridge"]["energy_kwh"]) == pytest.approx(5.76, abs=1e-8)
    assert (day["fridge"]["money"], float(day["fridge"]["running_h"])) == ("0.49", pytest.approx(4.8))


@pytest.mark.parametrize(
    ("kwh", "cents", "bill"), [(567, "19.54", 110.79), (873, "12.29", 107.30), (883, "12.85", 113.52), (1142, "11.27", 128.64)]
)  # fmt: skip
def test_average_monthly_bills_of_american_states(tmp_path, kwh, cents, bill):
    """EIA-861, 2020: Vermont, Ohio, Kansas, Florida. The inputs are rounded: to a kWh, to a hundredth of a cent."""
    text = loads(("supply", 'role = "supply"\n')) + f"[[tariffs]]\nprice_per_kwh = {D(cents) / 100}\n"
    rows = list(spread("supply", "2026-06-01", 30, D(kwh) / 30))
    scene, tally = house(tmp_path, rows, text, HEAD, {"supply": "supply"})
    found = of(scene, ms(2026, 6, 1, zone=BERLIN), ms(2026, 7, 1, zone=BERLIN))
    tally.close()

    assert found.total.kwh == kwh
    assert float(found.account.total) == pytest.approx(bill, abs=0.5 * float(cents) / 100 + 0.00005 * kwh + 0.005)


# -- billing months -------------------------------------------------------------------------------

NIGHT = """
[[tariffs]]
tax_percent = 10
standing_per_month = 6.20
bands = [
    { name = "night", price_per_kwh = 0.10, between = ["22:00", "06:00"] },
    { name = "day", price_per_kwh = 0.30 },
]
"""


@pytest.mark.parametrize(("first", "after", "hours"), [
    ("2026-03-01", "2026-04-01", 743), ("2026-10-01", "2026-11-01", 745), ("2028-02-01", "2028-03-01", 696),
])  # fmt: skip
def test_a_month_with_a_change_of_the_clock_or_a_29_february(tmp_path, first, after, hours):
    """1 kW all the time: each hour of the clock on the wall, counted by pandas, in its band; one month's charge."""
    text = loads(("supply", 'role = "supply"\n'), ("heater", 'within = "supply"\nactive_w = 300\n')) + NIGHT
    span = range(local(first), local(after))
    rows = [row("supply", at, 1000) for at in span] + [row("heater", at, 400) for at in span]
    scene, tally = house(tmp_path, rows, text, HEAD, {"supply": "supply", "heater": "circuit"})
    found = of(scene, span.start * 60_000, span.stop * 60_000)
    tally.close()

    wall = pd.date_range(first, after, freq="h", inclusive="left", tz="Europe/Berlin")
    night = int(((wall.hour >= 22) | (wall.hour < 6)).sum())
    assert len(wall) == hours
    lines = {(line.kind, line.name): line for line in found.account.bill.lines}
    assert lines["energy", "night"].quantity == pytest.approx(night, abs=D("1e-5"))
    assert lines["energy", "day"].quantity == pytest.approx(hours - night, abs=D("1e-5"))
    assert (lines["standing", "per month"].quantity, lines["standing", "per month"].amount) == (1, D("6.20"))
    energy = to_cents(night * D("0.10")) + to_cents((hours - night) * D("0.30"))
    assert found.account.total == energy + D("6.20") + to_cents((energy + D("6.20")) * D("0.10"))
    rows = by_name(found)
    assert rows["load", "heater"].kwh == to_cents(D(hours) * D("0.4"))
    assert rows["load", "heater"].use.running_ms == hours * 3_600_000
    assert rows["load", "heater"].money == pytest.approx(found.total.money * D("0.4"), abs=D("0.01"))
    assert found.elapsed_ms == hours * 3_600_000


def test_a_quarter_of_a_leap_year_from_hour_totals(tmp_path):
    """January to March 2028: 91 days, an hour less; a minute in each hour."""
    text = loads(("supply", 'role = "supply"\n')) + NIGHT.replace(
        "standing_per_month = 6.20", "standing_per_day = 0.20"
    )
    rows = [row("supply", at, 60_000) for at in range(local("2028-01-01"), local("2028-04-01"), 60)]
    scene, tally = house(tmp_path, rows, text, HEAD, {"supply": "supply"})
    found = of(scene, local("2028-01-01") * 60_000, local("2028-04-01") * 60_000)
    tally.close()

    assert (found.by_minute, found.total.kwh) == (False, 91 * 24 - 1)
    assert next(line for line in found.account.bill.lines if line.kind == "standing").amount == D("18.20")


@settings(max_examples=15, deadline=None)
@given(st.integers(2, 30), st.integers(0, 1000), st.sampled_from(["flat", "bands"]))
def test_a_tariff_that_changes_within_a_month(tmp_path_factory, day, seed, kind):
    """Each day at its tariff's price, as pandas has it; a monthly charge by the days of each."""
    energy = "price_per_kwh = 0.20" if kind == "flat" else NIGHT[NIGHT.index("bands") :]
    text = METERS + f'[[tariffs]]\nname = "old"\ntax_percent = 10\nstanding_per_month = 6.00\n{energy}\n'
    text += f'[[tariffs]]\nname = "new"\nfrom = 2026-06-{day:02}\nstanding_per_month = 9.00\nprice_per_kwh = 0.40\n'
    span = range(local("2026-06-01"), local("2026-07-01"))
    rows = [
        each._replace(minute=span.start + (each.minute - span.start) * 20)
        for each in random_house(seed, len(span) // 20, span.start, sunny=False)
    ]
    scene, tally = house(tmp_path_factory.mktemp("h"), rows, text, HEAD)
    found = of(scene, span.start * 60_000, span.stop * 60_000)
    tally.close()

    theirs = frame(rows)
    hour = theirs["local"].dt.hour
    old = 0.22 if kind == "flat" else (0.33 + 0 * hour).mask((hour >= 22) | (hour < 6), 0.11)
    theirs["money"] = theirs["net"] / 1e9 * (0.40 + 0 * hour).mask(theirs["local"].dt.day < day, old)
    sums = theirs.groupby("meter")["money"].sum()
    for name in ("board", "oven", "tv"):
        assert float(by_name(found)["load", name].exact) == pytest.approx(sums[name], abs=1e-6)
    assert float(found.account.exact) == pytest.approx(sums["supply"], abs=1e-6)
    standing = {line.tariff: line.exact for line in found.account.bill.lines if line.kind == "standing"}
    assert standing == {"old": pytest.approx(D(day - 1) / 30 * 6), "new": pytest.approx(D(31 - day) / 30 * 9)}
    assert sum(each.money for each in found.total.within) == found.total.money == found.account.energy


# -- what adds up ---------------------------------------------------------------------------------

FLAT = "[[tariffs]]\nprice_per_kwh = 0.23\ntax_percent = 19\nstanding_per_day = 0.40\n"
BLOCKS = """
[[tariffs]]
tax_percent = 5
standing_per_month = 4.20
blocks = [{ upto_kwh = 30, price_per_kwh = 0.12 }, { upto_kwh = 60, price_per_kwh = 0.18 }, { price_per_kwh = 0.27 }]
"""


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([FLAT, BLOCKS]))
def test_everything_off_would_have_saved_the_variable_part_of_the_bill(tmp_path_factory, seed, tariff):
    """All that the house used, minute by minute of the ledger, at its marginal price: the bill without its charges."""
    begin = local("2026-06-01")
    rows = [
        each._replace(minute=begin + (each.minute - begin) * 30)
        for each in random_house(seed, 1440, begin, sunny=False)
    ]
    scene, tally = house(tmp_path_factory.mktemp("h"), rows, METERS + tariff, HEAD)
    span = (begin * 60_000, local("2026-07-01") * 60_000)
    found = of(scene, *span)
    used = tally.energies.of_meter("supply", begin, local("2026-07-01"), 1)
    slots = [Slot(each.minute * 60_000, each.minute * 60_000 + 60_000, each.in_uwh) for each in used]
    worth = marginal(scene.purse.schedule(*span), slots, span[1], lambda first, last: sum(
        each.in_uwh for each in used if first <= each.minute * 60_000 < last
    ))  # fmt: skip
    tally.close()

    assert worth.unknown_uwh == 0
    assert worth.amount == pytest.approx(found.account.exact, abs=D("1e-15"))
    assert to_cents(worth.amount) == pytest.approx(found.account.total - found.account.standing, abs=D("0.02"))
    assert found.account.standing > 0


HALVES = """
[[tariffs]]
tax_percent = 21
bands = [
    { name = "peak", price_per_kwh = 0.34, between = ["07:30", "20:10"] },
    { name = "else", price_per_kwh = 0.15 },
]
export = { price_per_kwh = 0.085 }
"""


@pytest.fixture(scope="module")
def summer(tmp_path_factory):
    """Twelve weeks of every fifth minute, of a house whose price changes within hours."""
    begin = local("2026-06-01")
    rows = random_house(3, 84 * 288, begin, gaps=0.01)
    rows = [each._replace(minute=begin + (each.minute - begin) * 5) for each in rows]
    scene, tally = house(tmp_path_factory.mktemp("summer"), rows, METERS + HALVES, HEAD)
    yield scene, rows
    tally.close()


def test_a_long_report_is_the_sum_of_its_months(summer):
    scene, _ = summer
    edges = [local(day) * 60_000 for day in ("2026-06-01", "2026-07-01", "2026-08-01", "2026-08-24")]
    whole = of(scene, edges[0], edges[-1])
    months = [of(scene, *span) for span in pairwise(edges)]

    assert (whole.by_minute, {month.by_minute for month in months}) == (False, {True})
    assert whole.total.uwh == sum(month.total.uwh for month in months)
    assert whole.account.bill.exact == pytest.approx(sum(month.account.bill.exact for month in months), abs=D("1e-20"))
    assert whole.account.exact == pytest.approx(sum(month.account.exact for month in months), abs=D("1e-20"))
    for key, each in by_name(whole).items():
        if each.kind == "load":
            parts = [by_name(month)[key] for month in months]
            assert (each.uwh, each.covered_ms) == (
                sum(part.uwh for part in parts),
                sum(part.covered_ms for part in parts),
            )
            # the months have the prices of minutes, the whole those of hours
            assert float(each.exact) == pytest.approx(sum(float(part.exact) for part in parts), rel=0.005)


def test_in_a_long_report_what_was_bought_in_an_hour_is_shared_by_who_used_how_much_in_it(summer):
    """By pandas, of the same minutes: of an hour with two prices, what was paid in it, over what was used in it."""
    scene, rows = summer
    found = of(scene, local("2026-06-01") * 60_000, local("2026-08-24") * 60_000)

    theirs = frame(rows)
    clock = theirs["local"].dt.hour * 60 + theirs["local"].dt.minute
    theirs["price"] = (0.15 + 0 * clock).mask((clock >= 450) & (clock < 1210), 0.34) * 1.21 / 1e9
    theirs["hour"] = theirs["minute"] // 60
    pieces = theirs.pivot_table(
        index=["hour", "price"], columns="meter", values=["in_uwh", "net"], aggfunc="sum"
    ).fillna(0)
    used = pieces["net"]["supply"] + pieces["net"]["roof"]
    part = (pieces["in_uwh"]["supply"] / used).clip(upper=1).where(used > 0, 1)
    paid = (part * used.clip(lower=0) * pieces.index.get_level_values("price")).groupby("hour").sum()
    rate = paid / used.clip(lower=0).groupby("hour").sum()
    for name in ("board", "oven", "tv"):
        own = theirs[theirs["meter"] == name]
        expected = (own["net"] * own["hour"].map(rate)).sum()
        assert float(by_name(found)["load", name].exact) == pytest.approx(expected, rel=1e-9)


def test_what_the_daemon_writes_meanwhile_is_not_half_in_it(tmp_path):
    rows = random_house(7, 1440, gaps=0)
    scene, tally = house(tmp_path, rows)
    span = (rows[0].minute * 60_000, rows[0].minute * 60_000 + DAY_MS)
    kept = tally.kept()
    before = of(scene, *span)
    writer = Writer(tmp_path / "ledger", "testhouse", span[1])
    writer.register(ROLES)
    changed = [each._replace(in_uwh=each.in_uwh + 1_000_000) for each in rows]
    writer.commit(Batch(rows=changed), span[1], lambda _name: (1 << 31, 60_000))
    writer.close()
    during, kept_during = of(scene, *span), tally.kept()
    tally.close()

    assert kept_during == kept
    assert json.dumps([each.uwh for each in during.total.walk()]) == json.dumps(
        [each.uwh for each in before.total.walk()]
    )
