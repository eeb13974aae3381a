"""Prices that leave an hour without one or give it two, and whatever else about a tariff cannot be: all is told."""

from datetime import date, timedelta
from decimal import Decimal as D

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wattround.config.load import examine_text
from wattround.config.pricefile import BadPrices, read_prices
from wattround.config.tariff import Band
from wattround.config.tiling import clashes
from wattround.core.tariffs import _band

HOUSE = '[house]\nid = "testhouse"\ntime_zone = "Europe/Berlin"\ncurrency = "EUR"\n'
METER = '[[meters]]\nname = "tv"\npower = { topic = "t/tv" }\n'
HEAD = HOUSE + METER  # 7 lines: what follows begins on line 8


def found(text, severity="error"):
    return [
        (each.line, each.key, each.found, each.expected) for each in examine_text(text)[0] if each.severity == severity
    ]


def bands(*lines):
    """A tariff of bands, one a line, the first of them on line 11."""
    return (
        HEAD
        + "[[tariffs]]\nholidays = [2026-05-01]\nbands = [\n"
        + "".join(f"    {{ {line} }},\n" for line in lines)
        + "]\n"
    )


@pytest.mark.parametrize(
    "text",
    [
        "[[tariffs]]\nprice_per_kwh = 0.28\n",
        "[[tariffs]]\nprice_per_kwh = 0.28\n[[tariffs]]\nfrom = 2026-04-01\nprice_per_kwh = 0.31\n",
        "[[tariffs]]\nblocks = [{ upto_kwh = 100, price_per_kwh = 0.1 }, { price_per_kwh = 0.2 }]\n[billing]\nfirst_day = 12\nmonths = 2\nfirst_month = 2\n",
        '[[tariffs]]\ndynamic = { signal = "spot", factor = 0.001, plus_per_kwh = 0.1 }\n[[signals]]\nname = "spot"\ntopic = "spot"\nbelievable = "2h"\n',
        "[[tariffs]]\nprice_per_kwh = -0.01\nnegative_prices = true\nexport = { price_per_kwh = 0.08 }\n",
    ],
)  # fmt: skip
def test_right_tariffs(text):
    problems, settings = examine_text(HEAD + text)

    assert problems == []
    assert settings.house.price_per_kwh is None


@pytest.mark.parametrize(
    "lines",
    [
        ['name = "all", price_per_kwh = 0.3'],
        ['name = "night", price_per_kwh = 0.1, between = ["22:00", "06:00"]', 'name = "day", price_per_kwh = 0.3'],
        ['name = "night", price_per_kwh = 0.1, between = ["22:00", "06:00"]', 'name = "day", price_per_kwh = 0.3, between = ["06:00", "22:00"]'],
        ['name = "week", price_per_kwh = 0.3, weekdays = ["mon", "tue", "wed", "thu", "fri"]', 'name = "end", price_per_kwh = 0.1, weekdays = ["sat", "sun"]'],
        ['name = "winter", price_per_kwh = 0.3, season = ["11-01", "02-29"]', 'name = "summer", price_per_kwh = 0.1, season = ["03-01", "10-31"]'],
        ['name = "feast", price_per_kwh = 0.1, holidays = true', 'name = "else", price_per_kwh = 0.1, holidays = false'],
    ],
)  # fmt: skip
def test_bands_that_have_a_price_for_every_hour(lines):
    assert examine_text(bands(*lines))[0] == []


@pytest.mark.parametrize(
    ("lines", "line", "key", "what"),
    [
        (['name = "night", price_per_kwh = 0.1, between = ["22:00", "06:00"]'],
         10, "tariffs[1].bands", "no band: mon 06:00 to 22:00, and 6 more"),
        (['name = "week", price_per_kwh = 0.1, weekdays = ["mon", "tue", "wed", "thu", "fri"]', 'name = "sat", price_per_kwh = 0.1, weekdays = ["sat"]'],
         10, "tariffs[1].bands", "no band: sun 00:00 to 24:00"),
        (['name = "winter", price_per_kwh = 0.1, season = ["11-01", "02-28"]', 'name = "summer", price_per_kwh = 0.1, season = ["03-01", "10-31"]'],
         10, "tariffs[1].bands", "no band: mon 00:00 to 24:00 (on 02-29), and 6 more"),
        (['name = "else", price_per_kwh = 0.1, holidays = false'],
         10, "tariffs[1].bands", "no band: mon 00:00 to 24:00, a holiday, and 6 more"),
        (['name = "friday", price_per_kwh = 0.1, between = ["22:00", "06:00"], weekdays = ["fri"]', 'name = "saturday", price_per_kwh = 0.1, weekdays = ["sat"]', 'name = "rest", price_per_kwh = 0.2'],
         10, 'tariffs[1].bands["saturday"]', "both friday and saturday: sat 00:00 to 06:00"),
        (['name = "dear", price_per_kwh = 0.1, between = ["08:00", "12:00"]', 'name = "noon", price_per_kwh = 0.1, between = ["11:30", "14:00"]', 'name = "rest", price_per_kwh = 0.2'],
         10, 'tariffs[1].bands["noon"]', "both dear and noon: mon 11:30 to 12:00, and 6 more"),
        (['name = "one", price_per_kwh = 0.1', 'name = "two", price_per_kwh = 0.2'],
         10, 'tariffs[1].bands["two"]', "no conditions"),
        (['name = "never", price_per_kwh = 0.1, between = ["08:00", "08:00"]', 'name = "rest", price_per_kwh = 0.2'],
         10, 'tariffs[1].bands["never"].between', '"08:00" twice'),
        (['name = "long", price_per_kwh = 0.1, between = ["00:00", "25:00"]', 'name = "rest", price_per_kwh = 0.2'],
         10, 'tariffs[1].bands["long"].between', "00:00 to 25:00"),
        (['name = "gift", price_per_kwh = -0.1'],
         10, 'tariffs[1].bands["gift"].price_per_kwh', "-0.1, a negative price"),
    ],
)  # fmt: skip
def test_hours_without_a_band_and_with_two(lines, line, key, what):
    assert [each[:3] for each in found(bands(*lines))] == [(line, key, what)]


@pytest.mark.parametrize(
    ("text", "line", "key", "what"),
    [
        ('[[tariffs]]\nname = "x"\n', 8, 'tariffs["x"]', "no price"),
        ("[[tariffs]]\nprice_per_kwh = 0.2\nblocks = [{ price_per_kwh = 0.1 }]\n", 8, "tariffs[1]", "price_per_kwh and blocks"),
        ("[[tariffs]]\nprice_per_kwh = -0.2\n", 9, "tariffs[1].price_per_kwh", "-0.2, a negative price"),
        ("[[tariffs]]\nprice_per_kwh = 0.2\n[tariffs.export]\nprice_per_kwh = -0.05\n", 11, "tariffs[1].export.price_per_kwh", "-0.05, a negative price"),
        ("[[tariffs]]\nprice_per_kwh = 0.2\nexport = { blocks = [{ price_per_kwh = 0.1 }] }\n", 10, "tariffs[1].export.blocks", "blocks for what is given back"),
        ("[[tariffs]]\nprice_per_kwh = 0.2\nexport = {}\n", 10, "tariffs[1].export", "no price"),
        ("[[tariffs]]\nprice_per_kwh = 0.2\n[[tariffs]]\nprice_per_kwh = 0.3\n", 10, "tariffs[2].from", "nothing"),
        ("[[tariffs]]\nprice_per_kwh = 0.2\n[[tariffs]]\nfrom = 2026-05-01\nprice_per_kwh = 0.3\n[[tariffs]]\nfrom = 2026-04-01\nprice_per_kwh = 0.3\n", 14, "tariffs[3].from", "2026-04-01"),
        ("[[tariffs]]\nblocks = [\n{ upto_kwh = 200, price_per_kwh = 0.1 }, { upto_kwh = 100, price_per_kwh = 0.2 }, { price_per_kwh = 0.3 }]\n", 9, "tariffs[1].blocks[2].upto_kwh", "100"),
        ("[[tariffs]]\nblocks = [{ upto_kwh = 200, price_per_kwh = 0.1 }]\n", 9, "tariffs[1].blocks[1].upto_kwh", "200"),
        ("[[tariffs]]\nblocks = [{ price_per_kwh = 0.1 }, { price_per_kwh = 0.2 }]\n", 9, "tariffs[1].blocks[1]", "no upto_kwh"),
        ("[[tariffs]]\nblocks = [{ price_per_kwh = -0.1 }]\n", 9, "tariffs[1].blocks[1].price_per_kwh", "-0.1, a negative price"),
        ("[[tariffs]]\ndynamic = {}\n", 9, "tariffs[1].dynamic", "no source"),
        ('[[tariffs]]\ndynamic = { signal = "spt" }\n[[signals]]\nname = "spot"\ntopic = "spot"\n', 9, "tariffs[1].dynamic.signal", '"spt"'),
        ('[[tariffs]]\ndynamic = { signal = "spot", hold = "2h" }\n[[signals]]\nname = "spot"\ntopic = "spot"\n', 9, "tariffs[1].dynamic.hold", "hold beside signal"),
        ('[[tariffs]]\ndynamic = { signal = "spot", file = "prices.csv" }\n[[signals]]\nname = "spot"\ntopic = "spot"\n', 9, "tariffs[1].dynamic", "signal and file together"),
        ('[[tariffs]]\ndynamic = { file = "nowhere.csv" }\n', 9, "tariffs[1].dynamic.file", "No such file or directory"),
    ],
)  # fmt: skip
def test_what_a_tariff_cannot_be(text, line, key, what):
    assert (line, key, what) in [each[:3] for each in found(HEAD + text)]


@pytest.mark.parametrize(
    ("text", "key", "expected"),
    [
        ('from = "May"\nprice_per_kwh = 1\n', "from", "a date such as 2026-01-01"),
        ("from = 2026-05-01T00:00:00\nprice_per_kwh = 1\n", "from", "a date such as 2026-01-01"),
        ("price_per_kwh = nan\n", "price_per_kwh", "a finite number"),
        ("price_per_kwh = 0.12345678901\n", "price_per_kwh", "at most 9 decimals"),
        ("price_per_kwh = 1e7\n", "price_per_kwh", "an amount of at most 1000000"),
        ('price_per_kwh = "0.2"\n', "price_per_kwh", "a number"),
        ("price_per_kwh = 1\nstanding_per_day = -1\n", "standing_per_day", "at least 0"),
        ("price_per_kwh = 1\ntax_percent = -1\n", "tax_percent", "at least 0"),
        ('price_per_kwh = 1\nholidays = ["05-01"]\n', "holidays[1]", "a date such as 2026-01-01"),
        ("price_per_kwh = 1\nstanding_per_week = 1\n", "standing_per_week", "only keys that wattround knows"),
        ('bands = [{ name = "a", price_per_kwh = 1, season = ["02-30", "03-01"] }]\n', 'bands["a"].season[1]', 'a day of the year such as "03-15", month first'),
        ('bands = [{ name = "a", price_per_kwh = 1, between = ["8", "9"] }]\n', 'bands["a"].between[1]', 'a time such as "23:00"; after midnight of that evening, "24:30" (up to "29:59")'),
        ('dynamic = { signal = "x", factor = 0 }\n', "dynamic.factor", "more than 0"),
    ],
)  # fmt: skip
def test_values_that_are_no_prices_dates_or_times(text, key, expected):
    assert (f"tariffs[1].{key}", expected) in [(each[1], each[3]) for each in found(HEAD + "[[tariffs]]\n" + text)]


def test_a_house_has_one_price_or_tariffs():
    negative = found(HOUSE + "price_per_kwh = -0.2\n" + METER)
    assert [(each[0], each[1], each[3]) for each in negative] == [(5, "house.price_per_kwh", "at least 0")]
    assert [each[:3] for each in found(HEAD)] == [(1, "house", "no price")]
    both = HOUSE + "price_per_kwh = 0.25\n" + METER + "[[tariffs]]\nprice_per_kwh = 0.3\n"
    assert [each[:3] for each in found(both)] == [(5, "house.price_per_kwh", "a price beside [[tariffs]]")]


def test_billing_periods_divide_a_year():
    (problem,) = found(HOUSE + "price_per_kwh = 0.25\n" + METER + "[billing]\nmonths = 5\n")
    assert problem[:3] == (10, "billing.months", "5")


def test_what_is_only_doubtful_is_a_warning():
    first = found(HEAD + "[[tariffs]]\nfrom = 2026-05-01\nprice_per_kwh = 0.2\n", "warning")
    assert [each[:3] for each in first] == [(9, "tariffs[1].from", "2026-05-01")]
    stale = found(
        HEAD + '[[tariffs]]\ndynamic = { signal = "spot" }\n[[signals]]\nname = "spot"\ntopic = "spot"\n', "warning"
    )
    assert [each[1:] for each in stale] == [
        ("tariffs[1].dynamic.signal", '"spot"', "its last word is taken as the price for 7 d, if no other comes")
    ]
    lone = found(
        HEAD
        + '[[tariffs]]\nbands = [{ name = "feast", price_per_kwh = 1, holidays = true }, { name = "r", price_per_kwh = 1 }]\n',
        "warning",
    )
    assert [each[1] for each in lone] == ['tariffs[1].bands["feast"].holidays']


# -- files of prices --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "line", "what"),
    [
        ("", 1, "no prices"),
        ("time,price_per_kwh\n", 2, "no prices"),
        ("when,price\n2026-03-01T00:00:00Z,0.2\n", 1, '"when,price"'),
        ("time,price_per_kwh\n2026-03-01T00:00:00Z\n", 2, "1 columns"),
        ("time,price_per_kwh\n2026-03-01T00:00:00,0.2\n", 2, '"2026-03-01T00:00:00"'),
        ("time,price_per_kwh\nyesterday,0.2\n", 2, '"yesterday"'),
        ("time,price_per_kwh\n2026-03-01T00:00:00Z,cheap\n", 2, '"cheap"'),
        ("time,price_per_kwh\n2026-03-01T00:00:00Z,nan\n", 2, '"nan"'),
        ('time,price_per_kwh\n2026-03-01T00:00:00Z,"0,2"\n', 2, '"0,2"'),
        ("time,price_per_kwh\n2026-03-01T01:00:00Z,0.2\n2026-03-01T02:00:00+01:00,0.3\n", 3, 'the time "2026-03-01T02:00:00+01:00"'),
        ('time,price_per_kwh\n2026-03-01T00:00:00Z,"0.2\n', 2, "unexpected end of data"),
    ],
)  # fmt: skip
def test_a_file_of_prices_says_which_line_is_wrong(tmp_path, text, line, what):
    file = tmp_path / "prices.csv"
    file.write_text(text)

    with pytest.raises(BadPrices) as bad:
        read_prices(file)
    assert (bad.value.line, bad.value.found) == (line, what)
    (problem,) = found(HEAD + f'[[tariffs]]\ndynamic = {{ file = "{file}" }}\n')
    assert problem[:3] == (9, "tariffs[1].dynamic.file", f"line {line} of it: {what}")


def test_bytes_that_are_no_text_are_no_prices(tmp_path):
    file = tmp_path / "prices.csv"
    file.write_bytes(b"time,price_per_kwh\n\xff\xfe")

    with pytest.raises(BadPrices, match="bytes that are no text"):
        read_prices(file)


def test_a_right_file_of_prices(tmp_path):
    file = tmp_path / "prices.csv"
    file.write_text(
        "\ufeffregion,price_per_kwh,time\nx,0.2,1970-01-01T01:00:00+01:00\n\nx,-0.03,1970-01-01T01:00:00Z\n"
    )

    assert [(at_ms, str(price)) for at_ms, price in read_prices(file)] == [(0, "0.2"), (3_600_000, "-0.03")]
    tariff = f'[[tariffs]]\ndynamic = {{ file = "{file}" }}\n'
    assert [each[:3] for each in found(HEAD + tariff)] == [
        (9, "tariffs[1].dynamic.file", "a negative price, -0.03, its number 2")
    ]
    assert found(HEAD + tariff + "negative_prices = true\n") == []
    assert found(HEAD + f'[[tariffs]]\ndynamic = {{ file = "{file}", plus_per_kwh = 0.05 }}\n') == []


CLOCK = st.integers(0, 9).map(lambda part: f"{part * 3:02}:00")
STATED = st.builds(
    lambda begins, ends, days, season, holidays: Band(
        name="b",
        price_per_kwh=D("0.1"),
        between=None if begins == ends else (begins, ends),
        weekdays=days,
        season=season,
        holidays=holidays,
    ),
    CLOCK,
    CLOCK,
    st.none() | st.sampled_from([("mon", "tue", "wed", "thu", "fri"), ("sat", "sun"), ("sun",)]),
    st.sampled_from([None, None, ("04-01", "09-30"), ("10-01", "03-31"), ("10-01", "02-28")]),
    st.sampled_from([None, None, True, False]),
)


@settings(max_examples=80, deadline=None)
@given(
    st.lists(STATED, min_size=1, max_size=4),
    st.lists(
        st.tuples(st.dates(date(2024, 1, 1), date(2052, 1, 1)), st.integers(0, 1439), st.booleans()),
        min_size=20,
        max_size=60,
    ),
)
def test_bands_that_pass_the_check_have_one_price_at_any_time_whatsoever(bands, moments):
    """Beside the pricing's own idea of a band, asked at random times of random days that may follow a holiday."""
    bands = [band for band in bands if band.minutes[1] - band.minutes[0] <= 1440]
    wrong = clashes(bands, has_holidays=True)
    for day, minute, is_holiday in moments:
        holidays = frozenset({day, day - timedelta(days=2)} if is_holiday else {day - timedelta(days=1)})
        priced = [_band(band) for band in bands]
        owners = {
            at
            for at, band in enumerate(priced)
            for back in range(3)
            if band.begins <= minute + 1440 * back < band.ends and band.is_of(day - timedelta(days=back), holidays)
        }
        has_rest = any(band.is_rest for band in bands)
        conditioned = {at for at in owners if not bands[at].is_rest}
        if len(conditioned) > 1 or not (conditioned or has_rest):
            assert wrong
