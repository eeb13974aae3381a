"""Commands about rules: levels, hush, unhush, episodes, rehearse."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from wattround.cli.common import DEFAULT_FILE, AsJson, File, day_of, give_up, reader_left, settings_of
from wattround.config.kinds import duration_ms

commands = typer.Typer()


@commands.command()
def levels(
    file: File = DEFAULT_FILE,
    meter: Annotated[list[str] | None, typer.Option("--meter", help="Only this load; may be repeated.")] = None,
    begin: Annotated[str, typer.Option("--from", help="The first day to look at, as 2026-03-01.")] = "",
    end: Annotated[str, typer.Option("--to", help="The last day to look at.")] = "",
    as_json: AsJson = False,
) -> None:
    """Propose thresholds for the levels of each load, from its own history. Changes nothing."""
    import sqlite3

    from wattround.cli.levels import WrongRequest, learn, show
    from wattround.cli.levels import as_json as json_of
    from wattround.ledger.reader import NoLedger

    settings, first, last = settings_of(file), day_of("--from", begin), day_of("--to", end)
    try:
        span, found = learn(settings, meter or (), first, last)
    except WrongRequest as wrong:
        print(f"wattround: {wrong}", file=sys.stderr)
        raise typer.Exit(2) from None
    except (NoLedger, sqlite3.Error) as trouble:
        raise give_up(trouble) from None
    if as_json:
        print(json_of(settings, span, found))
    else:
        show(settings, span, found)


Load = Annotated[str | None, typer.Option("--load", help="Only this load of the rule.")]
RuleName = Annotated[str, typer.Argument(metavar="RULE", help="The rule, by its name.")]


def _request(file: Path, facts: dict[str, Any]) -> None:
    from wattround.cli.episodes import request

    settings = settings_of(file)
    try:
        print(request(settings, facts))
    except ValueError as refusal:
        print(f"wattround: {refusal}", file=sys.stderr)
        raise typer.Exit(2) from None
    except Exception as trouble:  # noqa: BLE001 - shown to the person
        raise give_up(trouble) from None


@commands.command()
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


@commands.command()
def unhush(rule: RuleName, file: File = DEFAULT_FILE, load: Load = None) -> None:
    """Let a hushed rule speak again; what is still open is told."""
    _request(file, {"do": "unhush", "rule": rule, "load": load})


@commands.command()
def episodes(
    file: File = DEFAULT_FILE,
    begin: Annotated[str, typer.Option("--from", help="The first day, as 2026-03-01; default: a week ago.")] = "",
    end: Annotated[str, typer.Option("--to", help="The last day; default: today.")] = "",
    rules: Annotated[list[str] | None, typer.Option("--rule", help="Only this rule; may be repeated.")] = None,
    loads: Annotated[list[str] | None, typer.Option("--load", help="Only this load; may be repeated.")] = None,
    as_json: AsJson = False,
) -> None:
    """List what was raised, what is open, what each rule and load came to, and what is hushed."""
    import time
    from zoneinfo import ZoneInfo

    from wattround.analysis.episodes import account, plain
    from wattround.cli.episodes import Page, span
    from wattround.ledger.reader import NoLedger, Reader

    settings = settings_of(file)
    zone = ZoneInfo(settings.house.time_zone)
    from_ms, to_ms = span(day_of("--from", begin), day_of("--to", end), zone, time.time_ns() // 1_000_000)
    if from_ms >= to_ms:
        print(f"--from: found {begin}, after --to; expected a day before it", file=sys.stderr)
        raise typer.Exit(2)
    try:
        reader = Reader(Path(settings.ledger.folder), settings.house.id)
    except NoLedger as trouble:
        raise give_up(trouble) from None
    found = account(reader, from_ms, to_ms, rules or (), loads or ())
    reader.close()
    if as_json:
        print(json.dumps(plain(found)))
    else:
        Page(settings).show(found)


@commands.command()
def rehearse(
    rules: Annotated[list[str] | None, typer.Argument(metavar="[RULE]...", help="Only these rules.")] = None,
    file: Annotated[Path, typer.Option("--file", "-f", help="The settings, one TOML file.")] = DEFAULT_FILE,
    begin: Annotated[str, typer.Option("--from", help="The first day, as 2026-03-01; default: 30 days ago.")] = "",
    end: Annotated[str, typer.Option("--to", help="The last day; default: the ledger's last.")] = "",
    tries: Annotated[
        list[str] | None,
        typer.Option("--try", metavar="KEY=V1,V2", help="Other values of a rule's key, as lasting=5m,20m; repeatable."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Run rules over the ledger's past: what they would have raised, and told. Tells nobody, changes nothing."""
    import sqlite3

    from wattround.analysis.variants import CannotTry
    from wattround.cli.rehearse import WrongSpan, show
    from wattround.cli.rehearse import as_json as json_of
    from wattround.cli.rehearse import rehearse as run_rehearsal
    from wattround.ledger.reader import NoLedger

    settings, days = settings_of(file), (day_of("--from", begin), day_of("--to", end))
    if not settings.rules:
        print(f"{file}: no [[rules]] to rehearse", file=sys.stderr)
        raise typer.Exit(1)
    try:
        found = run_rehearsal(file, settings, rules or (), tries or (), days)
    except (CannotTry, WrongSpan) as wrong:
        print(f"wattround: {wrong}", file=sys.stderr)
        raise typer.Exit(2) from None
    except (NoLedger, sqlite3.Error) as trouble:
        raise give_up(trouble) from None
    except KeyboardInterrupt:
        raise typer.Exit(130) from None
    try:
        if as_json:
            print(json_of(found))
        else:
            show(found)
        sys.stdout.flush()
    except BrokenPipeError:
        raise reader_left() from None
