"""The letter of a house with a known past: its figures, its reasons, its two forms, what it must not do."""

import json
import re
import shutil
import sqlite3
import subprocess
import sys
from datetime import date, timedelta
from decimal import Decimal
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from support.letters import END, HOSTILE, NOW_MS, WATCHED, WEEK, letter_house
from support.pages import read
from wattround.analysis.letter.page import blended, page
from wattround.analysis.letter.text import text
from wattround.analysis.letter.writing import told, written
from wattround.analysis.periods import WrongPeriod
from wattround.analysis.reporting.data import as_json
from wattround.analysis.reporting.inquiry import Asked, find
from wattround.ledger.state import packed
from wattround.metering.localtime import instant_ms
from wattround.pictures.ink import INKS, LIGHT, UNKNOWN

MONDAY = END - timedelta(days=7)


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    return letter_house(tmp_path_factory.mktemp("letter") / "ledger")


@pytest.fixture(scope="module")
def of(house):
    return told(house, WEEK, NOW_MS)


@pytest.fixture(scope="module")
def report(house):
    asked = Asked("", MONDAY, END - timedelta(days=1), "previous")
    return json.loads(as_json(find(house, asked, NOW_MS)))


def changed(house, folder, *statements):
    """The same house, with something else in its ledger."""
    shutil.copytree(house.ledger.folder, folder, dirs_exist_ok=True)
    ledger = sqlite3.connect(folder / "ledger.sqlite3")
    for statement, *values in statements:
        ledger.execute(statement, values)
    ledger.commit()
    ledger.close()
    return house.model_copy(update={"ledger": house.ledger.model_copy(update={"folder": str(folder)})})


def by_label(of):
    return {move.label: move for move in of.moves}


# -- figures --------------------------------------------------------------------------------------


def test_the_totals_are_those_of_the_report_to_the_cent(of, report):
    whole = report["rows"][0]
    assert [tuple(line) for line in of.sums[:3]] == [
        ("This week", f"{whole['energy_kwh']:.2f}", whole["money"]),
        ("The week before", f"{whole['before_kwh']:.2f}", whole["before_money"]),
        ("More than then", f"{whole['change_kwh']:+.2f}", f"{Decimal(whole['change_money']):+}"),
    ]
    assert f"the week's bill is {report['bill']['total']} EUR." in " ".join(of.says)


def test_the_loads_that_moved_most_are_those_of_the_report(of, report):
    rows = [row for row in report["rows"] if row["kind"] == "load"]
    most = sorted(rows, key=lambda row: -abs(Decimal(row["change_money"])))[:3]

    assert [(move.label, move.kwh, move.money) for move in of.moves] == [
        (row["label"], f"{row['change_kwh']:+.2f}", f"{Decimal(row['change_money']):+}") for row in most
    ]


def test_a_cold_week_is_held_against_days_as_cold(of):
    """By the house's own law: the heater goes with the cold, and the television ran 27 hours more at 116 W."""
    usual, this = (Decimal(of.sums[at].kwh) for at in (3, 0))

    assert Decimal(of.sums[1].kwh) + 20 < usual < this
    assert "6.1 colder than the week before" in " ".join(of.says)
    assert "such weeks seldom differ by so much" in " ".join(of.says)
    assert re.search(r"\d+ earlier days stand behind that", " ".join(of.says))


def test_without_temperatures_it_says_that_only_weekdays_are_alike(house, tmp_path):
    deaf = changed(house, tmp_path, ["DELETE FROM signal_word"])
    says = " ".join(told(deaf, WEEK, NOW_MS).says)

    assert "the same weekdays, as outdoor temperatures are not known." in says
    assert "outside in the mean" not in says


# -- why ------------------------------------------------------------------------------------------


def test_reasons_are_a_change_the_weather_waste_and_hearing(of):
    heater, tv, freezer = (" ".join(move.why) for move in of.moves)

    assert 'It was changed on 25 Mar: "New timer' in heater
    assert "It was 6.1 degrees colder" in heater
    assert tv.startswith("Episodes (tv-nobody-home): 3 that began this week wasted 3.13 kWh, 1 the week before 0.12.")
    assert freezer == (
        "It was heard 100 % of the week before and 86 % of this one: some of this may be a change of hearing."
    )


def test_what_is_not_explained_has_no_reason(house, tmp_path):
    found = told(changed(house, tmp_path, ["DELETE FROM episode"]), WEEK, NOW_MS)

    assert by_label(found)["Television"].why == ["No reason is known."]
    assert found.waste_says == "No rule was raised."


def test_waste_is_that_of_the_episodes(of):
    assert [tuple(each) for each in of.waste] == [("tv-nobody-home", "3", "3.13", "0.96")]


def test_changes_that_stand_say_whether_their_saving_holds(of, house, tmp_path):
    assert (
        of.savings[0]
        == '"Door seal" (freezer), since 20 Feb 2026: 0.41 kWh a day were proven, and still hold after 24 days.'
    )
    assert "not watched" in of.savings[1]

    lost = [{**WATCHED[0], "state": {**WATCHED[0]["state"], "worn_off": True}}]
    worse = changed(house, tmp_path, ["UPDATE state SET body = ? WHERE kind = 'watches'", packed(lost)])
    found = told(worse, WEEK, NOW_MS)
    assert "at least partly lost" in found.savings[0]


def test_it_names_what_was_not_seen(of):
    assert "Nothing was heard of shed." in of.unseen
    assert "Heard in part: freezer (86 %)." in of.unseen


def test_it_says_what_is_worth_doing_next(of):
    assert re.fullmatch(r"Television: no standby saves some [\d.]+ EUR a year \([\d.]+ to [\d.]+\)\.", of.next[0])


def test_a_first_week_has_nothing_to_be_compared_with(house):
    found = told(house, "2026-W07", NOW_MS)

    assert [line.label for line in found.sums] == ["This week"]
    assert found.unmoved.startswith("There is nothing to compare with")
    assert "too few earlier ones are like them" in " ".join(found.says)


def test_a_week_that_runs_says_how_far_it_is_known(house, tmp_path):
    thursday = instant_ms(date(2026, 3, 26), 0, ZoneInfo("Europe/Berlin"))
    running = changed(
        house, tmp_path,
        ["DELETE FROM minute_row WHERE place >= ?", thursday // 60_000 * 65_536],
        ["DELETE FROM hour WHERE hour >= ?", thursday // 3_600_000],
    )  # fmt: skip
    found = told(running, WEEK, thursday)

    assert "The ledger has this week up to Wed so far." in found.says
    assert "The ledger has 3.0 days of this week and 7.0 of the one before, which is scaled to that." in found.says
    assert found.sums[3].label == "Days like these *"
    assert any(line.startswith("* Mon, Tue, Wed together, which took ") for line in found.says)
    assert by_label(found)["Television"].strips.hours[5] == [UNKNOWN] * 24


@pytest.mark.parametrize("week", ["2026-W30", "2025-W01"])
def test_a_week_of_which_nothing_is_known_has_no_letter(house, week):
    with pytest.raises(WrongPeriod):
        told(house, week, NOW_MS)


# -- how ------------------------------------------------------------------------------------------


def test_the_page_says_what_the_text_says(of):
    def words(found):
        return re.findall(r"[\w.]+", found.replace("\N{MINUS SIGN}", "-").lower())

    page_words = {
        word
        for element in read(page(of)).walk()
        for each in element.inside
        if isinstance(each, str)
        for word in words(each)
    }
    for line in text(of).splitlines():
        for word in words(line):
            assert word in page_words, (word, line)


def test_the_hour_that_the_clock_left_out_is_no_hour(of):
    """Europe/Berlin, 2026-03-29: 02:00 becomes 03:00 (IANA time zone database)."""
    for move in of.moves:
        assert [len(hours) for hours in move.strips.hours] == [24] * 7
        assert [
            (day, hour) for day, hours in enumerate(move.strips.hours) for hour, ink in enumerate(hours) if ink is None
        ] == [(6, 2)]


def test_a_strip_has_the_hours_that_were_not_heard_hatched(of):
    freezer = by_label(of)["freezer"].strips.hours

    assert freezer[4] == [UNKNOWN] * 24
    assert UNKNOWN not in freezer[3]


def test_a_strip_is_as_dark_as_its_watts(of):
    tuesday = by_label(of)["Television"].strips.hours[1]
    # 4 W and 120 W on the scale 1, 5, 20, 100, 500, 2000 W
    assert tuesday == [1] * 9 + [4] * 9 + [1] + [4] * 3 + [1] * 2


def test_names_are_text_and_nothing_else(of):
    found = page(of)

    assert "<script" not in found
    assert HOSTILE in read(found).text
    assert "Sons</b>\N{REPLACEMENT CHARACTER}" in of.house
    assert "\n" not in of.title


def test_the_page_asks_nothing_of_another_place_and_runs_nothing(of):
    for element in read(page(of)).walk():
        assert element.tag not in {"script", "link", "img", "iframe", "object", "embed", "base", "form", "svg"}
        assert not {"src", "href", "style", "background", "srcset"} & element.attributes.keys()
        assert not {name for name in element.attributes if name.startswith("on")}


def test_a_mail_client_shows_all_of_it(of):
    """Some cut a mail off beyond 102 kB (common practice, no source)."""
    assert len(page(of).encode()) < 60_000


def _luminance(colour):
    """Relative luminance (WCAG 2.2)."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _contrast(one, other):
    dark, light = sorted((_luminance(one), _luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_inks_can_be_read_and_told_apart():
    """WCAG 2.2, 1.4.3: text at least 4.5; that neighbours differ by 1.15 at least is ours."""
    assert _contrast(LIGHT["soft"], LIGHT["paper"]) >= 4.5
    inks = [blended(at) for at in range(len(INKS))]
    assert inks[-1] == LIGHT["ink"]
    assert all(_contrast(one, other) >= 1.15 for one, other in pairwise(inks))


def test_a_letter_that_is_late_says_since_when(house):
    due_ms = instant_ms(date(2026, 3, 29), 7 * 60, ZoneInfo("Europe/Berlin"))  # on the day of the clock change
    found = told(house, WEEK, NOW_MS, due_ms=due_ms)

    assert found.late.startswith("This letter is late: it was due on Sun, 29 Mar, at 07:00")
    assert found.late.split(":")[0] in text(found)
    assert found.late in read(page(found)).text


def test_who_stops_the_daemon_does_not_wait_for_a_letter(house):
    with pytest.raises(sqlite3.OperationalError, match="interrupted"):
        written(house, WEEK, NOW_MS, is_over=lambda: True)


def test_it_is_written_without_the_analysis_stack():
    code = (
        "import sys, wattround.analysis.letter.writing\n"
        "print(sorted({'numpy', 'scipy', 'statsmodels', 'pandas', 'typer'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout == "[]\n"
