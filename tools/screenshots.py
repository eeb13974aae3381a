"""Pictures of the page: each view light, dark and on a phone, of an invented house after some days."""

from __future__ import annotations

import argparse
import io
import logging
import tempfile
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import structlog
from PIL import Image
from playwright.sync_api import sync_playwright

from chromium import CHROMIUM, launch
from ports import free_port
from simulated.month import make_month
from simulated.month_house import month_settings
from simulated.settings import with_page
from simulated.standing import Standing
from wattround.config.load import examine_text

HERE = Path(__file__).parent / "pictures"
SEED, DAYS, HOUR = 5, 16, 19.2
FIRST = date(2026, 10, 1)
PAGES = {
    "now": "/", "load": "/load/freezer", "load-month": "/load/heat-pump?span=month", "episodes": "/episodes?days=30",
    "account": "/account?period=month", "proofs": "/proofs", "upkeep": "/upkeep",
}  # fmt: skip
COLOURS = 24
"""One ink on paper needs few: the pictures stay small."""
WIDE, PHONE = {"width": 1100, "height": 760}, {"width": 390, "height": 760}


def enter(house: Standing) -> None:
    """What the people of the house have written into the book."""
    begin = datetime(2026, 10, 12, 9, 0, tzinfo=UTC)
    change = {"name": "pool pump by night", "on": ["pool-pump"], "at": begin.isoformat(), "cost": "24.90"}
    house.ask("book", request={"do": "add", "kind": "change", "entry": change})
    trial = {
        "name": "heat 19 degrees", "on": ["heat-pump"], "from": "2026-10-12", "unit_days": 1, "block_units": 14,
        "order": "++-+---+-++-+-" * 2, "seed": 7, "drawn": begin.replace(day=10).isoformat(), "on_is": "set to 19",
        "off_is": "set to 21",
    }  # fmt: skip
    house.ask("book", request={"do": "add", "kind": "trial", "entry": trial})
    last = FIRST + timedelta(days=13)
    bill = {"from": f"{FIRST}", "to": f"{last}", "kwh": "416.2", "money": "116.54", "class": "2"}
    house.ask("book", request={"do": "add", "kind": "bill", "entry": bill})


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--to", type=Path, default=HERE, help="the folder for the pictures")
    options.add_argument("--all", action="store_true", help="whole pages, also those that are not kept")
    given = options.parse_args()
    if CHROMIUM is None:
        raise SystemExit("no Chromium here: apt-get install chromium")
    given.to.mkdir(exist_ok=True)
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
    with tempfile.TemporaryDirectory(prefix="wattround-shown-") as made:
        port = free_port()
        file = Path(made) / "wattround.toml"
        file.write_text(with_page(month_settings(Path(made) / "ledger"), port))
        _, settings = examine_text(file.read_text())
        if settings is None:
            raise SystemExit("the house's settings are wrong")
        house = Standing(make_month(SEED, DAYS + 1, first=FIRST), settings, DAYS, HOUR, file)
        try:
            enter(house)
            shoot(f"http://127.0.0.1:{port}", given.to, whole=given.all)
        finally:
            house.close()


def shoot(address: str, folder: Path, *, whole: bool) -> None:
    with sync_playwright() as playwright:
        browser = launch(playwright)
        for kind, size, scheme in (("light", WIDE, "light"), ("dark", WIDE, "dark"), ("phone", PHONE, "light")):
            page = browser.new_context(viewport=size, color_scheme=scheme).new_page()
            for name, path in PAGES.items():
                page.goto(address + path)
                page.wait_for_timeout(1500)  # the first figures, and what is added up later
                file = folder / f"{name}-{kind}.png"
                drawn = Image.open(io.BytesIO(page.screenshot(full_page=whole)))
                drawn.convert("RGB").quantize(COLOURS).save(file, optimize=True)
                print(file, file.stat().st_size // 1000, "kB")
            page.context.close()
        browser.close()


if __name__ == "__main__":
    main()
