"""`wattround report --html`: one page that needs nothing else, says what the report says, and is there whole or not at all."""

import base64
import hashlib
import json
import re
import subprocess
import sys
from datetime import date
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest

from support.daemon import COMMAND
from support.history import write
from support.homes import FLAT, METERS, ROLES, ms, random_house, row
from support.house import settings_of
from support.pages import read
from wattround.analysis.reporting.data import as_json
from wattround.analysis.reporting.inquiry import Asked, find
from wattround.cli.reportpage import page

BERLIN = ZoneInfo("Europe/Berlin")
BEGIN = ms(2026, 5, 29, zone=BERLIN) // 60_000
NOW_MS = ms(2026, 6, 30, zone=BERLIN)
BANDS = """
[[tariffs]]
from = 2026-05-30
tax_percent = 21
standing_per_day = 0.31
bands = [{ name = "peak", price_per_kwh = 0.34, between = ["07:30", "20:10"] }, { name = "else", price_per_kwh = 0.15 }]
export = { price_per_kwh = 0.085 }
"""


def made(folder, rows, text=METERS, head=FLAT, roles=ROLES):
    """Settings of a house with a ledger."""
    write(folder / "ledger", rows, roles)
    return settings_of(text, folder / "ledger", head)


def asked(first, last="", against="", load=""):
    return Asked("", date.fromisoformat(first), date.fromisoformat(last or first), against, load)


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """Five days with gaps and a sunny roof, the first without a price."""
    rows = random_house(41, 5 * 1440, begin=BEGIN, gaps=0.02)
    return made(tmp_path_factory.mktemp("page"), rows, METERS + BANDS, FLAT.replace("price_per_kwh = 0.25\n", ""))


@pytest.fixture(scope="module")
def whole(home):
    """The page of two days against the two before, and what --json says of the same."""
    question = asked("2026-05-31", "2026-06-01")
    return read(page(home, question, NOW_MS)), json.loads(
        as_json(find(home, asked("2026-05-31", "2026-06-01", "previous"), NOW_MS))
    )


def column(table, at):
    return [cells[at] for cells in table.rows()[1:]]


# -- one page, and nothing else -------------------------------------------------------------------

REFERENCES = {"src", "srcset", "href", "xlink:href", "data", "action", "formaction", "poster", "background", "cite"}
"""Attributes that name another place (HTML standard, index of attributes), those that can stand on our elements first."""


def test_the_page_asks_nothing_of_another_place(whole):
    found, _ = whole
    for element in found.walk():
        assert element.tag not in {"script", "link", "img", "iframe", "object", "embed", "base", "form", "image"}
        assert not {name for name in element.attributes if name.startswith("on")}
        assert not REFERENCES & element.attributes.keys(), element
        for value in element.attributes.values():
            assert "//" not in value
            assert "url(" not in value
    style = found.one("style").text
    assert not re.search(r"@import|url\(|//|expression|\\", style)


def test_its_policy_lets_in_its_own_style_and_nothing_more(whole):
    """CSP 3, 2.3.1: the hash is of the element's text as it stands. Attributes of style would not be let in."""
    found, _ = whole
    [policy] = [each.attributes["content"] for each in found.all("meta") if each.attributes.get("http-equiv")]
    digest = base64.b64encode(hashlib.sha256("".join(found.one("style").inside).encode()).digest()).decode()

    assert f"default-src 'none'; style-src 'sha256-{digest}';" in policy
    assert not [each for each in found.walk() if "style" in each.attributes]


def test_every_name_is_there_once_and_every_picture_speaks(whole):
    found, _ = whole
    elements = list(found.walk())
    names = [each.attributes["id"] for each in elements if "id" in each.attributes]
    assert len(names) == len(set(names))
    pictures = found.all("svg")
    assert len(pictures) > 20
    for each in pictures:
        if each.attributes.get("aria-hidden") == "true":
            continue
        assert each.attributes["role"] == "img"
        spoken = each.attributes["aria-labelledby"].split()
        texts = {inner.attributes.get("id"): inner.text for inner in each.walk()}
        assert all(texts[name] for name in spoken)
    for each in elements:
        assert set(each.attributes.get("aria-labelledby", "").split()) <= set(names)
    assert [each.tag for each in elements if each.tag in ("h1", "h2")].count("h1") == 1
    assert found.one("html").attributes["lang"] == "en"
    assert all(each.attributes.get("scope") for each in found.all("th"))


# -- the same numbers as the report ---------------------------------------------------------------


def test_the_ranked_loads_are_those_of_the_report_and_add_up(whole):
    found, facts = whole
    table = found.one("table", "strips")
    shown = {re.sub(r"^\d+\.", "", name): cells for name, *cells in table.rows()[1:]}
    total = shown.pop("testhouse")
    labels = {"remainder": "(not metered within)", "unheard": "(while a meter was silent)"}
    above = {each["parent"] for each in facts["rows"]}

    rows = [
        each
        for each in facts["rows"]
        if each["kind"] != "total" and (each["kind"] != "load" or each["name"] not in above)
    ]
    expected = {
        (f"Board {labels[each['kind']]}" if each["depth"] == 2 else labels[each["kind"]])
        if each["kind"] in labels
        else each["label"]: each
        for each in rows
    }
    assert set(shown) == set(expected)
    for name, (_, kwh, share, money) in shown.items():
        assert money == expected[name]["money"]
        assert float(kwh) == pytest.approx(expected[name]["energy_kwh"], abs=0.011)
        assert share == f"{expected[name]['share_percent']:.1f} %"
    assert sum(Decimal(cells[3]) for cells in shown.values()) == Decimal(total[3]) == Decimal(facts["rows"][0]["money"])
    assert sum(Decimal(cells[1]) for cells in shown.values()) == Decimal(total[1])
    ranked = [Decimal(cells[3]) for name, cells in shown.items() if name in ("Television", "oven")]
    assert ranked == sorted(ranked, reverse=True)


def test_the_account_is_the_report(whole):
    found, facts = whole
    table = next(each for each in found.all("table") if each.attributes.get("aria-labelledby") == "account")

    assert column(table, 8) == [each["money"] for each in facts["rows"]]
    assert column(table, 7) == [each["money_per_month"] for each in facts["rows"]]
    assert column(table, 0) == [each["label"] for each in facts["rows"]]
    for text, each in zip(column(table, 1), facts["rows"], strict=True):
        assert text == ("" if each["running_h"] is None else f"{each['running_h']:.1f} h")
    notes = found.all("section")[-1].text
    assert f"energy {facts['bill']['energy']}, standing charges {facts['bill']['standing']}" in notes
    assert f": {facts['bill']['total']} EUR." in notes


def test_the_base_load_is_the_reports(whole):
    found, facts = whole
    caption = next(each.text for each in found.all("figcaption") if each.text.startswith("Median"))

    assert caption.startswith(f"Median {facts['base_load']['mean_w']:.0f} W of {facts['base_load']['nights']} nights")


def test_the_bridge_leads_from_one_total_to_the_other(whole):
    """In the rows that are drawn and in the full table, to the last digit, and each change is that of --json."""
    found, facts = whole
    drawn = found.one("table", "bridge").rows()[1:]
    full = next(each for each in found.all("table") if "heard then" in each.text).rows()[1:]
    total = facts["rows"][0]

    for column_at, then, now in ((2, "before_kwh", "energy_kwh"), (4, "before_money", "money")):
        before, *steps, after = (Decimal(cells[column_at]) for cells in drawn)
        assert before + sum(steps) == after
        assert float(before) == pytest.approx(float(total[then]), abs=1e-9)
        assert float(after) == pytest.approx(float(total[now]), abs=0.005)
    *rows, last = full
    assert last[0] == "testhouse"
    for at in (1, 2, 3, 6, 7, 8):
        assert sum(Decimal(cells[at]) for cells in rows) == Decimal(last[at])
    by_label = {each["label"]: each for each in facts["rows"] if each["kind"] in ("load", "total")}
    for name, *cells in full:
        if name in by_label:
            each = by_label[name]
            assert [cells[5], cells[7]] == [each["before_money"], f"{Decimal(each['change_money']):+}"]
            assert float(cells[2]) == pytest.approx(each["change_kwh"], abs=1e-9)
    says = next(each.text for each in found.all("p") if each.text.startswith("Against"))
    assert "Against 2026-05-29 to 2026-05-30, 2 days:" in says
    assert "Both are equally long." in says
    assert "have no known price" in found.text


def test_a_load_by_itself_has_the_figures_of_its_profile(home):
    found = read(page(home, asked("2026-05-31", "2026-06-01", load="oven"), NOW_MS))
    facts = json.loads(as_json(find(home, asked("2026-05-31", "2026-06-01", load="oven"), NOW_MS)))
    maps = found.all("article")

    assert [each.one("h3").text for each in maps] == ["oven"]
    by_hour = {}
    for cell in facts["cells"]:
        energy, covered = by_hour.get(cell["hour"], (0.0, 0.0))
        by_hour[cell["hour"]] = energy + cell["energy_kwh"], covered + cell["covered_h"]
    for hour, mean, _, _, kwh in maps[0].one("table").rows()[1:]:
        energy, covered = by_hour[int(hour)]
        assert float(kwh) == pytest.approx(energy, abs=0.0051)
        assert float(mean) == pytest.approx(1000 * energy / covered, abs=0.51)


def test_without_a_load_the_house_and_its_dearest_are_mapped(whole):
    found, facts = whole
    above = {each["parent"] for each in facts["rows"]}
    loads = [each for each in facts["rows"] if each["kind"] == "load" and each["name"] not in above]
    dearest = sorted(loads, key=lambda each: -float(each["money"]))

    assert [each.text for each in found.all("h3")] == ["testhouse", *(each["label"] for each in dearest[:3])]


# -- what is not so, or not known -----------------------------------------------------------------


def test_times_of_unlike_length_are_scaled_and_it_is_said(home):
    found = read(page(home, asked("2026-05-31", "2026-06-02", "2026-05-29..2026-05-30"), NOW_MS))
    says = next(each.text for each in found.all("p") if each.text.startswith("Against"))

    assert "These are 3.00 days and those before 2.00, so the figures before are multiplied by 1.5000" in says


def test_where_there_was_nothing_before_it_says_so(home):
    first = read(page(home, asked("2026-05-29", "2026-05-30"), NOW_MS)).text
    most = read(page(home, asked("2026-05-31", "2026-06-04"), NOW_MS)).text

    assert "There is nothing to compare with: nothing is kept of 2026-05-27 to 2026-05-28" in first
    assert "There is little to compare with: of 2026-05-26 to 2026-05-30 the ledger has less than half" in most


def test_a_load_that_was_never_heard_is_not_drawn_as_nothing(tmp_path):
    rows = [
        row(name, BEGIN + at, of)
        for at in range(2880)
        for name, of in (("supply", 300), ("roof", 0), ("board", 100), ("oven", 20))
    ]
    found = read(page(made(tmp_path, rows), asked("2026-05-29", "2026-05-30"), NOW_MS))
    [strip] = [each for each in found.all("svg") if each.text_of("title").startswith("Television, in steps")]

    assert strip.text_of("desc") == "nothing was heard of it"
    assert [each.attributes.get("fill-opacity") for each in strip.all("path")] == [None]
    assert "not heard" in [each.text for each in found.all("li")]


HOSTILE = '</title></style><script>alert(1)</script><img src=x onerror="alert(2)">&amp; $\\frac{1}$ {{ 7*7 }} \u202etxt'


def test_names_are_text_whatever_they_are(tmp_path):
    text = METERS.replace('label = "Television"', f"label = {json.dumps(HOSTILE)}")
    head = FLAT.replace('id = "testhouse"', f'id = "testhouse"\nname = {json.dumps(HOSTILE)}')
    found = read(
        page(
            made(tmp_path, random_house(42, 4 * 1440, begin=BEGIN), text, head),
            asked("2026-05-31", "2026-06-01"),
            NOW_MS,
        )
    )

    shown = HOSTILE.replace("\u202e", "\N{REPLACEMENT CHARACTER}")
    assert not found.all("script")
    assert not found.all("img")
    assert found.one("h1").text == shown
    names = [each.text for each in found.all("bdi")]
    assert names.count(shown) >= 6  # the house and the load, in each table
    assert len([each for each in found.all("title") if shown in each.text]) >= 3  # of the page, a strip, a heat map


@pytest.mark.parametrize(
    ("day", "hours", "note"),
    [
        ("2026-03-29", 23, "the hour that the clock leaves out is a thin line"),
        ("2026-10-25", 25, "is drawn as two halves"),
    ],
)
def test_days_on_which_the_clock_is_changed(tmp_path, day, hours, note):
    """1 kW all day, and for the day around it: the energy is that of its hours."""
    begin = ms(*map(int, day.split("-")), zone=BERLIN) // 60_000
    rows = [
        row(name, begin + at, of)
        for at in range(-1440, hours * 60 + 1440)
        for name, of in (("supply", 1000), ("roof", 0), ("tv", 400))
    ]
    settings = made(tmp_path, rows)
    eve, morrow = (date.fromordinal(date.fromisoformat(day).toordinal() + on).isoformat() for on in (-1, 1))
    found = read(page(settings, asked(eve, morrow), NOW_MS))
    alone = read(page(settings, asked(day), NOW_MS))

    assert note in found.text
    by_hour = found.all("article")[0].one("table").rows()[1:]
    assert [float(kwh) for *_, kwh in by_hour] == [2 + (hours - 23 if at == 2 else 1) for at in range(24)]
    assert sum(float(kwh or 0) for *_, kwh in alone.all("article")[0].one("table").rows()[1:]) == pytest.approx(hours)
    assert alone.one("tfoot").one("tr").text.startswith(f"testhouse{hours}.00")


def test_a_house_without_loads_is_a_page_too(tmp_path):
    only = METERS.split("[[meters]]")[1]
    rows = [row("supply", BEGIN + at, 500) for at in range(3 * 1440)]
    found = read(
        page(made(tmp_path, rows, f"[[meters]]{only}", roles={"supply": "supply"}), asked("2026-05-30"), NOW_MS)
    )

    assert [each.text for each in found.all("h3")] == ["testhouse"]
    assert "12.00" in found.one("tfoot").text


# -- the command ----------------------------------------------------------------------------------


def command(*words, **more):
    return subprocess.run([*COMMAND, "report", *words], capture_output=True, text=True, timeout=60, **more)


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    folder = tmp_path_factory.mktemp("command")
    rows = [
        row(name, BEGIN + at, of) for at in range(2 * 1440) for name, of in (("supply", 300), ("roof", 0), ("tv", 90))
    ]
    write(folder / "ledger", rows, ROLES)
    settings = folder / "house.toml"
    settings.write_text(FLAT + f'[ledger]\nfolder = "{folder / "ledger"}"\n' + METERS)
    return settings


DAYS = ("--from", "2026-05-29", "--to", "2026-05-30")


def test_the_file_is_written_whole_and_the_same_each_time(file, tmp_path):
    target = tmp_path / "report.html"
    first = command(str(file), *DAYS, "--html", str(target))
    text = target.read_text()
    second = command(
        str(file),
        *DAYS,
        "--html",
        "report.html",
        cwd=tmp_path,
        env={"PYTHONHASHSEED": "5", "TZ": "Asia/Kolkata", "HOME": "/proc"},
    )

    assert (first.returncode, first.stderr, second.returncode, second.stderr) == (0, "", 0, "")
    assert first.stdout == f"{target}: written, {len(text.encode()) / 1000:.0f} kB\n"
    assert target.read_text() == text
    assert [each.name for each in tmp_path.iterdir() if each.suffix == ".html"] == ["report.html"]
    read(text)


@pytest.mark.parametrize(
    ("words", "status", "says"),
    [
        (["--html", "none/report.html"], 2, "--html: no such folder: "),
        (["--html", "."], 2, "is a folder; expected the name of a file"),
        (["--html", "/dev/null"], 2, "/dev/null is no ordinary file"),
        (["--html", "r.html", "--json"], 2, "expected one of --html and --json"),
        (["--html", "r.html", "--json", "--csv"], 2, "expected one of --html, --json and --csv"),
        (["--html", "r.html", "--load", "tvv"], 2, "did you mean tv?"),
        (["--html", "r.html", "--against", "2025-01-01..2025-01-02"], 2, "nothing is kept of 2025-01-01"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_said_and_nothing_is_written(file, tmp_path, words, status, says):
    answer = command(str(file), *DAYS, *words, cwd=tmp_path)

    assert (answer.returncode, answer.stdout) == (status, "")
    assert says in answer.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_leaves_what_was_there(tmp_path):
    """A limit on the size of files stands in for a disk that is full: the system refuses in the middle of the page."""
    (tmp_path / "report.html").write_text("of yesterday")
    code = (
        "import resource, signal, sys; from pathlib import Path; from wattround.cli.pagefile import *\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN); resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))\n"
        "try: write(examine(Path('report.html')), 'x' * 100_000)\n"
        "except WrongPlace as wrong: print(wrong)"
    )
    answer = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, cwd=tmp_path)

    assert answer.stdout.endswith("report.html: File too large; nothing was written\n"), answer
    assert [(each.name, each.read_text()) for each in tmp_path.iterdir()] == [("report.html", "of yesterday")]


WATCHED = (
    "import sys; sys.argv = ['wattround', *sys.argv[1:]]; from wattround.__main__ import main\n"
    "try: main()\nfinally: print(sorted(set(sys.modules) & {'numpy', 'wattround.pictures'}), file=sys.stderr)"
)


def test_no_other_form_of_the_report_needs_it(file):
    for form in ([], ["--json"], ["--csv"], ["--load", "tv"]):
        answer = subprocess.run(
            [sys.executable, "-c", WATCHED, "report", str(file), *DAYS, *form],
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert answer.stderr == "[]\n"
