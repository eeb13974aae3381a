"""The page in a real browser: it lives, it can be used by keyboard and on a phone, and it asks nothing of anybody else."""

import os
import re
import sys
from pathlib import Path

import pytest

from support.paper import Paper
from support.servers import until

sys.path.insert(0, str(Path(__file__).parents[2] / "tools"))
from chromium import CHROMIUM, launch

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
expect = sync_api.expect
AXE = Path(__file__).parents[2] / ".venv" / "axe" / "node_modules" / "axe-core" / "axe.min.js"
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
PAGES = ["/", "/?by=watts", "/load/tv", "/load/tv?span=month", "/load/freezer?span=year", "/load/tv/costs", "/episodes",
         "/account?period=today", "/proofs", "/letters", "/upkeep", "/nothing", "/account?from=2026-06-02&to=2026-06-01"]  # fmt: skip
WIDE, PHONE = {"width": 1100, "height": 800}, {"width": 390, "height": 760}
NARROWEST = {"width": 320, "height": 640}
"""WCAG 2.2, 1.4.10: at this width nothing but what is two-dimensional may need scrolling sideways."""

pytestmark = [pytest.mark.server, pytest.mark.timeout(240)]


@pytest.fixture(scope="module")
def browser():
    if CHROMIUM is None:
        (pytest.fail if os.environ.get("CI") else pytest.skip)("chromium is not installed")
    with sync_api.sync_playwright() as playwright:
        found = launch(playwright)
        yield found
        found.close()


class Tab:
    """A tab that remembers what it has asked for, and what it complained of."""

    def __init__(self, browser, house, size=WIDE, **more):
        self.context = browser.new_context(viewport=size, **more)
        self.page, self.house = self.context.new_page(), house
        self.asked, self.complaints = [], []
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.on("console", lambda message: self._console(message))
        self.page.on("pageerror", lambda error: self.complaints.append(f"{error}"))

    def _console(self, message):
        if message.type in ("error", "warning") and "status of 40" not in message.text:
            self.complaints.append(message.text)

    def open(self, path):
        self.page.goto(self.house.url + path, wait_until="load")
        return self.page

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.context.close()


@pytest.fixture
def tab(browser, house):
    with Tab(browser, house) as made:
        yield made
        assert made.complaints == []
        assert [url for url in made.asked if not url.startswith(house.url + "/")] == []


def text(page, name, column):
    return page.inner_text(f'tr[data-m="{name}"] [data-c="{column}"]')


# -- it lives ---------------------------------------------------------------------------------------


def test_a_load_that_is_switched_off_is_seen_falling(browser, tmp_path):
    with Paper(tmp_path, release="2s") as made, Tab(browser, made) as tab:
        page = tab.open("/")
        watts = page.locator('tr[data-m="tv"] [data-c="0"]')
        expect(watts).to_have_text("120")
        expect(page.locator("#notes")).to_contain_text("Television is on")
        made.draw("tv", 0)
        expect(watts).to_have_text("0", timeout=10_000)
        assert watts.get_attribute("data-move") == "down"
        assert text(page, "tv", 1) == "off"
        expect(page.locator("tr.open")).to_have_count(0, timeout=20_000)  # settled: the note is gone, too
        assert "Television is on" not in page.inner_text("#notes")
        assert tab.complaints == []


def test_a_page_says_so_when_nothing_comes_any_more(browser, tmp_path):
    with Paper(tmp_path, hours=0) as made:
        tab = Tab(browser, made)
        page = tab.open("/")
        page.wait_for_timeout(1200)
    expect(page.locator("#pulse")).to_contain_text("last figures heard", timeout=20_000)
    tab.context.close()


def test_what_takes_longer_is_put_in_place_by_itself_and_is_there_without_a_script(browser, house):
    with Tab(browser, house) as tab:
        page = tab.open("/load/tv")
        expect(page.locator("[data-later]")).to_have_count(0, timeout=10_000)
        assert "Levels: off below 1 W" in page.inner_text("#costs")
    with Tab(browser, house, java_script_enabled=False) as tab:
        page = tab.open("/")
        assert text(page, "tv", 0) in ("120", "0")
        page.click("text=Episodes")
        assert page.inner_text("h1") == "Episodes"


@pytest.mark.parametrize("script", [True, False])
def test_proofs_that_are_asked_for_come_by_themselves_or_with_a_look(browser, forgotten, script):
    change = {"name": "dimmed", "on": ["tv"], "at": "2026-06-01T11:00:00+02:00"}
    request = {"do": "add", "kind": "change", "entry": change}
    forgotten.run.inbox.ask("book", request=request).result(timeout=30)
    with Tab(browser, forgotten, java_script_enabled=script) as tab:
        page = tab.open("/proofs")
        page.focus("text=Work them out")
        page.keyboard.press("Enter")
        page.wait_for_url("**/proofs")
        if not script:
            until(lambda: "It is being worked out" not in forgotten.get("/proofs").text, 90)
            page.click("#worked >> text=Look")
        expect(page.locator("#worked")).to_contain_text("Nothing to add up yet", timeout=90_000)
        if script:
            expect(page.locator("#pulse")).to_have_text("The proofs are worked out.")
        assert tab.complaints == []


def test_a_load_is_drawn_from_second_to_second_while_its_page_is_open(browser, forgotten):
    with Tab(browser, forgotten) as tab:
        page = tab.open("/load/tv")
        line = page.locator(".seconds path")
        expect(page.locator(".seconds")).to_be_visible(timeout=10_000)
        assert "V" in line.get_attribute("d")
        forgotten.draw("tv", 40)
        expect(page.locator("[data-m=tv] [data-c='0']")).to_have_text("40", timeout=2_500)
        page.wait_for_function(
            "new Set(document.querySelector('.seconds path').getAttribute('d').match(/V[0-9.]+/g)).size === 2"
        )
        heights = [float(each) for each in re.findall(r"V([0-9.]+)", line.get_attribute("d"))]
        assert heights[-1] == pytest.approx(58 - 56 * 40 / 120, abs=0.1)  # from nothing, at 58, to its most, at 2
        assert heights[0] == 2
        assert "from nothing to 120 W" in page.inner_text(".seconds")
        assert tab.complaints == []


def test_a_letter_as_it_was_sent_has_its_style_and_runs_nothing(browser, tmp_path):
    html = "<style>p { color: rgb(1, 2, 3) }</style><p>The week</p>"
    mailed = '[[channels]]\nname = "mail"\nurl = "json://127.0.0.1:1"\n[letter]\nchannels = ["mail"]\n'
    with Paper(tmp_path, more=mailed, hours=1) as made, Tab(browser, made) as tab:
        for week, more in (("2026-W20", ""), ("2026-W21", "<script>document.title = 'ran'</script>")):
            letter = {"week": week, "title": "A week", "body": "The week", "html": html + more}
            made.run.inbox.ask("letter", letter=letter).result(timeout=30)
        until(lambda: len(made.get("/api/letters").json) == 2, 60)
        page = tab.open("/letters/2026-W20")
        page.click("text=As it was sent")
        page.wait_for_url("**/sent")
        assert page.eval_on_selector("p", "each => getComputedStyle(each).color") == "rgb(1, 2, 3)"
        assert tab.complaints == []
        assert tab.open("/letters/2026-W21/sent").title() == ""


# -- hushing ----------------------------------------------------------------------------------------


@pytest.fixture
def forgotten(tmp_path):
    with Paper(tmp_path) as made:
        yield made


@pytest.mark.parametrize("script", [True, False])
def test_a_hush_goes_there_and_back(browser, forgotten, script):
    with Tab(browser, forgotten, java_script_enabled=script) as tab:
        page = tab.open("/")
        page.click("text=Look, or hush")
        page.select_option("#main ul.open-list select", label="for 3 days")
        page.click("#main ul.open-list button")
        assert "Hushed: tv-nobody-home, Television, for 2 d 23 h." in page.inner_text("main")
        assert "Hushed." in page.inner_text("main ul.open-list")
        page.click("text=Let it speak again")
        assert "Hushed" not in page.inner_text("main")
        assert tab.complaints == []


def test_all_of_it_can_be_done_with_the_keyboard(browser, forgotten):
    """WCAG 2.2, 2.1.1 and 2.4.7: every control is reached by Tab, shows that it has the focus, and works with Enter."""
    with Tab(browser, forgotten) as tab:
        page = tab.open("/")
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.textContent") == "To the page"
        assert page.evaluate("document.activeElement.getBoundingClientRect().left >= 0")
        seen = []
        for _ in range(40):
            page.keyboard.press("Tab")
            if page.evaluate("document.activeElement.tagName") == "BODY":
                break
            name = page.evaluate("document.activeElement.innerText")
            outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
            assert outline == "solid", name
            seen.append(name)
        assert {
            "Now",
            "Episodes",
            "Account",
            "Upkeep",
            "watts",
            "money today",
            "Television",
            "Freezer",
            "a",
            "Look, or hush",
        } <= set(seen)
        page.focus("text=Look, or hush")
        page.keyboard.press("Enter")
        page.wait_for_url("**/episodes")
        page.focus("ul.open-list select")
        page.keyboard.press("ArrowDown")
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        page.wait_for_selector("text=Hushed: tv-nobody-home, Television, for 1 h 59 min.")


# -- for every eye ------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", PAGES)
@pytest.mark.parametrize("size", [PHONE, NARROWEST], ids=["phone", "320"])
def test_nothing_needs_scrolling_sideways(browser, house, path, size):
    with Tab(browser, house, size) as tab:
        page = tab.open(path)
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]


@pytest.mark.parametrize("path", PAGES)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(browser, house, path, scheme):
    """axe-core: rules for WCAG 2.2 A and AA, contrast among them, and what it calls best practice."""
    with Tab(browser, house, color_scheme=scheme, bypass_csp=True) as tab:
        look_with_axe(tab, path)


def look_with_axe(tab, path):
    if not AXE.exists():
        pytest.skip("axe-core is not installed: npm install --prefix .venv/axe axe-core")
    page = tab.open(path)
    page.wait_for_timeout(300)
    page.add_script_tag(path=str(AXE))
    found = page.evaluate("tags => axe.run(document, { runOnly: tags })", WCAG)
    assert [(each["id"], each["nodes"][0]["html"][:200]) for each in found["violations"]] == []
    assert len(found["passes"]) > 10


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_where_things_are_entered_either(browser, forgotten, scheme):
    """A trial of today, a change, a load that is listed, and a live check that has ended."""
    for kind, entry in (
        ("change", {"name": "dimmed", "on": ["tv"], "at": "2026-06-01T11:00:00+02:00", "cost": "30.00"}),
        ("trial", {"name": "TV in turns", "on": ["tv"], "from": "2026-06-01", "unit_days": 1, "block_units": 14,
                   "order": "+-" * 14, "seed": 1, "drawn": "2026-05-31T10:00:00+02:00", "on_is": "dimmed"}),
        ("load", {"name": "Set-top box", "circuit": "tv", "how": "measured", "on_w": "9", "standby_w": "4"}),
    ):  # fmt: skip
        request = {"do": "add", "kind": kind, "entry": entry}
        forgotten.run.inbox.ask("book", request=request).result(timeout=30)
    forgotten.ask("POST", "/api/check", headers={"Origin": forgotten.url})
    until(lambda: forgotten.get("/api/check").json["state"] != "at work", 90)
    with Tab(browser, forgotten, color_scheme=scheme, bypass_csp=True) as tab:
        for path in ("/", "/proofs", "/load/tv", "/upkeep"):
            look_with_axe(tab, path)
            assert tab.page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_the_dark_page_is_dark_and_the_light_one_light(browser, house):
    papers = []
    for scheme in ("light", "dark"):
        with Tab(browser, house, color_scheme=scheme) as tab:
            page = tab.open("/")
            colours = page.evaluate(
                "[getComputedStyle(document.body).backgroundColor, getComputedStyle(document.body).color]"
            )
            papers.append([sum(map(int, re.findall(r"\d+", colour))) for colour in colours])

    (light_paper, light_ink), (dark_paper, dark_ink) = papers
    assert light_paper > 700 > light_ink
    assert dark_paper < 100 < dark_ink


def test_on_paper_there_is_the_account_without_what_can_only_be_clicked(browser, house):
    with Tab(browser, house) as tab:
        page = tab.open("/account?period=today")
        page.emulate_media(media="print")
        assert not page.is_visible("nav")
        assert not page.is_visible("form")
        assert page.is_visible("text=The account")
        assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgba(0, 0, 0, 0)"
        assert page.pdf(format="A4")[:5] == b"%PDF-"


def test_every_page_is_opened_without_a_complaint_and_asks_nothing_of_others(tab):
    for path in PAGES:
        tab.open(path)
        tab.page.wait_for_timeout(100)
    assert any(url.endswith("/live") for url in tab.asked)


def test_behind_a_prefix_and_a_token_it_lives_too(browser, tmp_path):
    (tmp_path / "token").write_text("a secret of the house")
    with (
        Paper(tmp_path, page=f'prefix = "/watt"\ntoken_file = "{tmp_path / "token"}"\n', hours=1) as made,
        Tab(browser, made) as tab,
    ):
        page = tab.open("/watt/load/tv")
        page.fill("input[type=password]", "a secret of the house")
        page.keyboard.press("Enter")
        expect(page.locator("h1")).to_have_text("Television")
        made.draw("tv", 77)
        expect(page.locator('[data-c="0"]')).to_have_text("77", timeout=10_000)
        assert page.evaluate("document.cookie") == ""
        assert tab.complaints == []
