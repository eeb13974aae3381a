"""The commands."""

from __future__ import annotations

import json
import os
import sys
from datetime import date
from pathlib import Path
from typing import Annotated, Any

import typer

from wattround import __version__
from wattround.config.kinds import duration_ms
from wattround.config.load import WrongSettings, examine, load
from wattround.config.model import Settings

app = typer.Typer(help="Finds what a house pays for and nobody needs.", no_args_is_help=True, add_completion=False)
archive_app = typer.Typer(help="The time-series database that follows the ledger.", no_args_is_help=True)
app.add_typer(archive_app, name="archive")

File = Annotated[Path, typer.Argument(help="The settings, one TOML file.")]
DEFAULT_FILE = Path("/etc/wattround/wattround.toml")
UNAVAILABLE = 69
"""Exit status: no daemon, no ledger (EX_UNAVAILABLE of sysexits.h)."""


def _settings(file: Path) -> Settings:
    try:
        return load(file).settings
    except WrongSettings as wrong:
        print(wrong, file=sys.stderr)
        raise typer.Exit(78) from None


def _give_up(trouble: object) -> typer.Exit:
    print(f"wattround: {trouble}", file=sys.stderr)
    return typer.Exit(UNAVAILABLE)


def _reader_left() -> typer.Exit:
    """The reader of a pipe has seen enough: nothing more may be written, not even at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return typer.Exit(0)


@app.command()
def run(file: File = DEFAULT_FILE) -> None:
    """Read the broker, keep minutes, tell of forgotten loads: the daemon. Runs until told to stop."""
    from wattround.daemon import run as run_daemon

    run_daemon(str(file))


@app.command()
def check(
    file: File = DEFAULT_FILE,
    history: Annotated[bool, typer.Option("--history", help="Hold the meters against the ledger, too.")] = False,
    begin: Annotated[str, typer.Option("--from", help="The first day of it, as 2026-03-01; default: 30 days.")] = "",
    end: Annotated[str, typer.Option("--to", help="The last day of it.")] = "",
) -> None:
    """Say everything that is wrong with a settings file. Exit status 1 if it cannot be used."""
    first, last = _day("--from", begin), _day("--to", end)
    if (begin or end) and not history:
        print("wattround: --from and --to go with --history", file=sys.stderr)
        raise typer.Exit(2)
    problems, settings = examine(file)
    for problem in problems:
        print(problem.text(str(file)))
    errors = sum(problem.severity == "error" for problem in problems)
    if errors or settings is None:
        print(f"{file}: {errors} error{'s' if errors != 1 else ''}, nothing would start", file=sys.stderr)
        raise typer.Exit(1)
    print(
        f"{file}: right. {len(settings.meters)} meters, {len(settings.rules)} rules, {len(settings.channels)} channels."
    )
    if history:
        _check_history(file, settings, first, last)


def _check_history(file: Path, settings: Settings, first: date | None, last: date | None) -> None:
    import sqlite3

    from wattround.cli.history import WrongSpan, lines, look
    from wattround.ledger.reader import NoLedger

    try:
        seen = look(settings, first, last)
    except WrongSpan as wrong:
        print(f"wattround: {wrong}", file=sys.stderr)
        raise typer.Exit(2) from None
    except (NoLedger, sqlite3.Error) as trouble:
        raise _give_up(trouble) from None
    for line in lines(file, settings, seen):
        print(line)


@app.command()
def now(
    file: File = DEFAULT_FILE,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object, for scripts.")] = False,
    once: Annotated[bool, typer.Option("--once", help="Print once and end, also on a terminal.")] = False,
) -> None:
    """Show every meter as it stands: watts, level, today's energy and money, open episodes."""
    from wattround.cli.now import show
    from wattround.control import NoDaemon

    settings = _settings(file)
    folder = Path(settings.ledger.folder)
    try:
        show(folder, as_json=as_json, live=sys.stdout.isatty() and not once and not as_json)
    except (NoDaemon, ValueError) as trouble:
        raise _give_up(trouble) from None
    except KeyboardInterrupt:
        raise typer.Exit(0) from None
    except BrokenPipeError:
        raise _reader_left() from None


def _day(option: str, found: str) -> date | None:
    """The day of an option, None if it was not given."""
    try:
        return date.fromisoformat(found) if found else None
    except ValueError:
        print(f'{option}: found "{found}"; expected a day such as 2026-03-01', file=sys.stderr)
        raise typer.Exit(2) from None


@app.command()
def levels(
    file: File = DEFAULT_FILE,
    meter: Annotated[list[str] | None, typer.Option("--meter", help="Only this load; may be repeated.")] = None,
    begin: Annotated[str, typer.Option("--from", help="The first day to look at, as 2026-03-01.")] = "",
    end: Annotated[str, typer.Option("--to", help="The last day to look at.")] = "",
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object, for scripts.")] = False,
) -> None:
    """Propose thresholds for the levels of each load, from its own history. Changes nothing."""
    import sqlite3

    from wattround.cli.levels import WrongRequest, learn, show
    from wattround.cli.levels import as_json as json_of
    from wattround.ledger.reader import NoLedger

    settings, first, last = _settings(file), _day("--from", begin), _day("--to", end)
    try:
        span, found = learn(settings, meter or (), first, last)
    except WrongRequest as wrong:
        print(f"wattround: {wrong}", file=sys.stderr)
        raise typer.Exit(2) from None
    except (NoLedger, sqlite3.Error) as trouble:
        raise _give_up(trouble) from None
    if as_json:
        print(json_of(settings, span, found))
    else:
        show(settings, span, found)


Load = Annotated[str | None, typer.Option("--load", help="Only this load of the rule.")]
RuleName = Annotated[str, typer.Argument(metavar="RULE", help="The rule, by its name.")]


def _request(file: Path, facts: dict[str, Any]) -> None:
    from wattround.cli.episodes import request

    settings = _settings(file)
    try:
        print(request(settings, facts))
    except ValueError as refusal:
        print(f"wattround: {refusal}", file=sys.stderr)
        raise typer.Exit(2) from None
    except Exception as trouble:  # noqa: BLE001 - shown to the person
        raise _give_up(trouble) from None


@app.command()
def hush(
    rule: RuleName,
    file: File = DEFAULT_FILE,
    load: Load = None,
    span: Annotated[str, typer.Option("--for", help='For so long, as "2h" or "3d".')] = "",
    until_off: Annotated[bool, typer.Option("--until-off", help="Until the load is next off or on standby.")] = False,
    for_good: Annotated[bool, typer.Option("--for-good", help="Until it is let speak again.")] = False,
) -> None:
    """Say no more of a rule: until its load is next off, unless told otherwise. Its episodes are still kept."""
    facts: dict[str, Any] = {"do": "hush", "rule": rule, "load": load}
    if bool(span) + until_off + for_good > 1:
        print("wattround: expected one of --for, --until-off and --for-good", file=sys.stderr)
        raise typer.Exit(2)
    if span:
        try:
            facts["for_s"] = duration_ms(span) // 1000
        except ValueError as trouble:
            print(f'--for: found "{span}"; expected {trouble}', file=sys.stderr)
            raise typer.Exit(2) from None
    if until_off or for_good:
        facts["until"] = "off" if until_off else "good"
    _request(file, facts)


@app.command()
def unhush(rule: RuleName, file: File = DEFAULT_FILE, load: Load = None) -> None:
    """Let a hushed rule speak again; what is still open is told."""
    _request(file, {"do": "unhush", "rule": rule, "load": load})


@app.command()
def episodes(
    file: File = DEFAULT_FILE,
    begin: Annotated[str, typer.Option("--from", help="The first day, as 2026-03-01; default: a week ago.")] = "",
    end: Annotated[str, typer.Option("--to", help="The last day; default: today.")] = "",
    rules: Annotated[list[str] | None, typer.Option("--rule", help="Only this rule; may be repeated.")] = None,
    loads: Annotated[list[str] | None, typer.Option("--load", help="Only this load; may be repeated.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object, for scripts.")] = False,
) -> None:
    """List what was raised, what is open, what each rule and load came to, and what is hushed."""
    import time
    from zoneinfo import ZoneInfo

    from wattround.analysis.episodes import account, plain
    from wattround.cli.episodes import Page, span
    from wattround.ledger.reader import NoLedger, Reader

    settings = _settings(file)
    zone = ZoneInfo(settings.house.time_zone)
    from_ms, to_ms = span(_day("--from", begin), _day("--to", end), zone, time.time_ns() // 1_000_000)
    if from_ms >= to_ms:
        print(f"--from: found {begin}, after --to; expected a day before it", file=sys.stderr)
        raise typer.Exit(2)
    try:
        reader = Reader(Path(settings.ledger.folder), settings.house.id)
    except NoLedger as trouble:
        raise _give_up(trouble) from None
    found = account(reader, from_ms, to_ms, rules or (), loads or ())
    reader.close()
    if as_json:
        print(json.dumps(plain(found)))
    else:
        Page(settings).show(found)


@app.command()
def rehearse(
    rules: Annotated[list[str] | None, typer.Argument(metavar="[RULE]...", help="Only these rules.")] = None,
    file: Annotated[Path, typer.Option("--file", "-f", help="The settings, one TOML file.")] = DEFAULT_FILE,
    begin: Annotated[str, typer.Option("--from", help="The first day, as 2026-03-01; default: 30 days ago.")] = "",
    end: Annotated[str, typer.Option("--to", help="The last day; default: the ledger's last.")] = "",
    tries: Annotated[
        list[str] | None,
        typer.Option("--try", metavar="KEY=V1,V2", help="Other values of a rule's key, as lasting=5m,20m; repeatable."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object, for scripts.")] = False,
) -> None:
    """Run rules over the ledger's past: what they would have raised, and told. Tells nobody, changes nothing."""
    import sqlite3

    from wattround.analysis.variants import CannotTry
    from wattround.cli.rehearse import WrongSpan, show
    from wattround.cli.rehearse import as_json as json_of
    from wattround.cli.rehearse import rehearse as run_rehearsal
    from wattround.ledger.reader import NoLedger

    settings, days = _settings(file), (_day("--from", begin), _day("--to", end))
    if not settings.rules:
        print(f"{file}: no [[rules]] to rehearse", file=sys.stderr)
        raise typer.Exit(1)
    try:
        found = run_rehearsal(file, settings, rules or (), tries or (), days)
    except (CannotTry, WrongSpan) as wrong:
        print(f"wattround: {wrong}", file=sys.stderr)
        raise typer.Exit(2) from None
    except (NoLedger, sqlite3.Error) as trouble:
        raise _give_up(trouble) from None
    except KeyboardInterrupt:
        raise typer.Exit(130) from None
    try:
        if as_json:
            print(json_of(found))
        else:
            show(found)
        sys.stdout.flush()
    except BrokenPipeError:
        raise _reader_left() from None


@app.command()
def report(
    file: File = DEFAULT_FILE,
    period: Annotated[
        str, typer.Option(help="today, yesterday, week, month (default), last-month, year, last7 or last30.")
    ] = "",
    begin: Annotated[str, typer.Option("--from", help="The first day, as 2026-03-01, in place of a period.")] = "",
    end: Annotated[str, typer.Option("--to", help="The last day; default: today.")] = "",
    against: Annotated[str, typer.Option(help='Compare with "previous", or days as 2026-02-01..2026-02-28.')] = "",
    load: Annotated[str, typer.Option(help="When this load draws: by hour of the day and weekday.")] = "",
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object, for scripts.")] = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="One table, for spreadsheets.")] = False,
) -> None:
    """Show where the money goes: every load's energy, its share of the bill, what is left. Changes nothing."""
    import sqlite3
    import time

    from wattround.analysis.periods import WrongPeriod
    from wattround.cli.report import Asked, find, show
    from wattround.cli.reportdata import as_csv as csv_of
    from wattround.cli.reportdata import as_json as json_of
    from wattround.ledger.reader import NoLedger

    if as_json and as_csv:
        print("wattround: expected one of --json and --csv", file=sys.stderr)
        raise typer.Exit(2)
    settings = _settings(file)
    asked = Asked(period, _day("--from", begin), _day("--to", end), against, load)
    try:
        found = find(settings, asked, time.time_ns() // 1_000_000)
    except WrongPeriod as wrong:
        print(f"wattround: {wrong}", file=sys.stderr)
        raise typer.Exit(2) from None
    except (NoLedger, sqlite3.Error) as trouble:
        raise _give_up(trouble) from None
    try:
        if as_json:
            print(json_of(found))
        elif as_csv:
            print(csv_of(found), end="")
        else:
            show(found)
        sys.stdout.flush()
    except BrokenPipeError:
        raise _reader_left() from None


def _with_archive(file: Path) -> tuple[Settings, Path]:
    settings = _settings(file)
    if settings.archive is None:
        print(f"{file}: no [archive] is configured", file=sys.stderr)
        raise typer.Exit(1)
    return settings, Path(settings.ledger.folder)


@archive_app.command("status")
def archive_status(file: File = DEFAULT_FILE, as_json: Annotated[bool, typer.Option("--json")] = False) -> None:
    """Say how far the archive has got, what waits, and what is wrong."""
    from wattround.cli.archive import status, status_text

    settings, folder = _with_archive(file)
    try:
        facts = status(settings, folder)
    except Exception as trouble:  # noqa: BLE001 - shown to the person
        raise _give_up(trouble) from None
    print(json.dumps(facts) if as_json else status_text(facts, settings))


@archive_app.command("refill")
def archive_refill(
    file: File = DEFAULT_FILE,
    begin: Annotated[str, typer.Option("--from", help="The first day to ship again, as 2026-03-01.")] = "",
) -> None:
    """Ship everything from a day on again, for an archive that was emptied or lost rows."""
    from wattround.cli.archive import refill

    settings, folder = _with_archive(file)
    try:
        day = date.fromisoformat(begin)
    except ValueError:
        print(f'--from: found "{begin}"; expected a day such as 2026-03-01', file=sys.stderr)
        raise typer.Exit(2) from None
    try:
        print(refill(settings, folder, day))
    except Exception as trouble:  # noqa: BLE001 - shown to the person
        raise _give_up(trouble) from None


def _version(wanted: bool) -> None:
    if wanted:
        print(f"wattround {__version__}")
        raise typer.Exit


@app.callback()
def main(
    version: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True)] = False,
) -> Any:
    """Finds what a house pays for and nobody needs."""
