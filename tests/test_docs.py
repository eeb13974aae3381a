"""The documents say what there is: every command, every key, every topic, every claim that can be looked up."""

import re
import subprocess
import sys
from pathlib import Path

import pytest
from typer.main import get_command

from wattround.cli.app import app
from wattround.config.letter import WeeklyLetter
from wattround.config.load import examine_text
from wattround.config.model import (
    Archive,
    Availability,
    Broker,
    Channel,
    CounterSource,
    House,
    Ledger,
    Mark,
    Meter,
    Person,
    PowerSource,
    Rule,
    Tls,
)  # fmt: skip
from wattround.config.page import Page
from wattround.config.rule import Manners, OccupancyWays, Signal, SignalTest, Spent
from wattround.config.tariff import Band, Billing, Block, Dynamic, Energy, Tariff

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text()
COMPLETE = (ROOT / "config" / "complete.toml").read_text()


def _commands(command, before=""):
    """Every command by its full name, such as "archive status"."""
    for name, each in command.commands.items():
        if hasattr(each, "commands"):
            yield from _commands(each, f"{before}{name} ")
        elif not each.hidden:
            yield before + name


@pytest.mark.parametrize(
    "name",
    sorted(_commands(get_command(app))),
)
def test_every_command_is_in_the_readme(name):
    assert f"wattround {name}" in README


PARTS = (
    House, Broker, Tls, Ledger, Archive, Page, WeeklyLetter, Meter, PowerSource, CounterSource, Availability, Person, Rule, Channel,
    Manners, OccupancyWays, Signal, SignalTest, Spent, Band, Billing, Block, Dynamic, Energy, Tariff,
)  # fmt: skip


@pytest.mark.parametrize(
    "key",
    sorted(
        {key for part in PARTS for key in part.model_fields}
        - {"is_", "from_", "over_money"}  # written "is" in the file; the README has both
        - {"password", "token", "url_file", "url", "lowest_w", "password_file", "token_file"}
    ),
)
def test_every_key_is_in_the_complete_example(key):
    assert re.search(rf"\b{key}\b\s*=|^\[broker\.{key}\]", COMPLETE, flags=re.MULTILINE)


@pytest.mark.parametrize("key", ["lowest_w", "url_file", "password_file", "token_file"])
def test_keys_of_special_use_are_in_the_readme(key):
    assert key in README


def test_marks_know_every_weekday():
    assert list(Mark.model_fields) == ["every", "mon", "tue", "wed", "thu", "fri", "sat", "sun"]


def test_the_readmes_settings_are_right():
    blocks = re.findall(r"```toml\n(.*?)```", README, flags=re.DOTALL)
    assert blocks
    problems, settings = examine_text(blocks[0])

    assert problems == []
    assert settings is not None
    assert len(blocks[0].splitlines()) == 10


def test_the_readme_opens_with_the_job_and_two_commands():
    head = README.split("## ")[0]

    assert "./tools/demo" in head
    assert "./tools/test" in head


def test_the_layout_of_the_guide_is_the_layout_there_is():
    guide = (ROOT / "DEVELOPERS.md").read_text()
    rooms = {
        folder.name
        for folder in (ROOT / "daemon" / "wattround").iterdir()
        if folder.is_dir() and folder.name != "__pycache__"
    }

    assert all(f"`{room}/`" in guide for room in rooms)


def test_no_file_is_too_long_and_none_speaks_of_work_undone():
    for file in (ROOT / "daemon").rglob("*.py"):
        text = file.read_text()
        assert text.count("\n") <= 400, file
        assert not re.search(r"\b(TODO|FIXME|XXX)\b|NotImplementedError", text), file


def test_the_pure_rooms_never_ask_what_time_it_is():
    for room in ("metering", "money", "rules"):
        for file in (ROOT / "daemon" / "wattround" / room).glob("*.py"):
            assert not re.search(r"\.now\(|\.utcnow\(|\.today\(|time\.time|monotonic", file.read_text()), file


def test_the_package_starts_without_what_only_tests_need():
    code = "import sys; [sys.modules.__setitem__(name, None) for name in ('pandas', 'numpy', 'pytest', 'hypothesis', 'psutil', 'amqtt', 'aiosmtpd')]; import wattround.daemon, wattround.cli.app, wattround.cli.now, wattround.archive.shipper, influxdb_client, apprise"

    subprocess.run([sys.executable, "-W", "ignore", "-c", code], check=True, timeout=60)
