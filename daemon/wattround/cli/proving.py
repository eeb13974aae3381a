"""Commands about proofs: prove CHANGE (or TRIAL), prove all, prove plan, prove trials."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from wattround.cli import trials
from wattround.cli.common import DEFAULT_FILE, AsJson, ByName, give_up, settings_of, told


class _ByName(TyperGroup):
    """What is no command is the name of a change or a trial."""

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        if args and args[0] not in self.commands and not args[0].startswith("-"):
            args = ["one", *args]
        return super().resolve_command(ctx, args)


commands = typer.Typer(
    cls=_ByName, no_args_is_help=True, subcommand_metavar="CHANGE | TRIAL | all | plan | trials [OPTIONS]"
)
commands.add_typer(trials.commands, name="trials", help="What is tried out in turns, and what to do today.")

Level = Annotated[float, typer.Option(help="How sure an interval is to hold the truth: 0.5 to below 1.")]
Coverage = Annotated[float, typer.Option(help="How much of a day must be covered for it to count: 0.5 to 1.")]
Also = Annotated[
    list[str] | None, typer.Option("--also", help="A signal that may explain energy, too; may be repeated.")
]
Html = Annotated[Path | None, typer.Option("--html", help="Write one page with pictures to this file.")]


@commands.command("one", hidden=True)
def prove_one(
    which: Annotated[
        str, typer.Argument(metavar="CHANGE", help="The change, by its name or number; or a trial, by its name.")
    ],
    file: ByName = DEFAULT_FILE,
    level: Level = 0.9,
    coverage: Coverage = 0.9,
    also: Also = None,
    html: Html = None,
    as_json: AsJson = False,
    watch: Annotated[
        bool, typer.Option("--watch", help="Have the daemon watch from now on that it stays saved.")
    ] = False,
    no_watch: Annotated[bool, typer.Option("--no-watch", help="No longer.")] = False,
) -> None:
    """Say whether a change saved anything: how much, how surely, in money."""
    if _prove_trial(file, which, level, coverage, also or [], html, as_json=as_json, watch=watch or no_watch):
        return
    found = _prove(file, which, level, coverage, also or [], html, as_json=as_json)
    if watch or no_watch:
        from wattround.cli.keeping import keep, let_go

        settings = settings_of(file)
        with told():
            print(keep(settings, found.cases[0], level, coverage) if watch else let_go(settings, found.cases[0]))


@commands.command("all")
def prove_all(
    file: ByName = DEFAULT_FILE,
    level: Level = 0.9,
    coverage: Coverage = 0.9,
    html: Html = None,
    as_json: AsJson = False,
    pictures: Annotated[
        bool, typer.Option("--pictures", help="With --json: the page's words and pictures of each, too.")
    ] = False,
) -> None:
    """Say it of every change and trial, and of all changes together. Changes nothing."""
    if pictures and not as_json:
        with told():
            raise ValueError("--pictures: found no --json; expected both (for people: --html FILE)")
    _prove(file, None, level, coverage, [], html, as_json=as_json, pictures=pictures)


def _prove(
    file: Path, which: str | None, level: float, coverage: float, also: list[str], html: Path | None, *, as_json: bool,
    pictures: bool = False,
) -> Any:  # fmt: skip
    settings = settings_of(file)
    with told():
        try:
            from wattround.cli import proofs
        except ModuleNotFoundError as missing:
            raise give_up(f"{missing.name} is not installed: pip install 'wattround[analysis]'") from None
        asked = proofs.Asked(which, level, coverage, tuple(also), html)
        found = proofs.find(settings, asked)
        if as_json:
            print(proofs.as_json(found, pictures=pictures))
        else:
            proofs.show(found)
        return found


def _prove_trial(
    file: Path, which: str, level: float, coverage: float, also: list[str], html: Path | None, *, as_json: bool,
    watch: bool,
) -> bool:  # fmt: skip
    """Whether it is the name of a trial; what came of that is said then."""
    from wattround.cli.booking import entered
    from wattround.core.trial import Trial

    settings = settings_of(file)
    with told():
        found = [(number, trial) for number, trial in entered(settings, Trial).items() if trial.name == which]
        if not found:
            return False
        if watch:
            raise ValueError("--watch: found a trial; expected a change: enter it once it stays (wattround change add)")
        try:
            from wattround.cli import proofs, trialproof
        except ModuleNotFoundError as missing:
            raise give_up(f"{missing.name} is not installed: pip install 'wattround[analysis]'") from None
        of = trialproof.find(settings, proofs.Asked(which, level, coverage, tuple(also), html), *found[0])
        if as_json:
            print(trialproof.as_json(of))
        else:
            trialproof.show(of, html)
    return True


@commands.command("plan")
def prove_plan(
    on: Annotated[list[str] | None, typer.Option("--on", help="The load to try with; may be repeated.")] = None,
    effect: Annotated[
        str, typer.Option(help='What it may save a day, as "300Wh"; default: 10 % of what the load uses.')
    ] = "",
    level: Level = 0.9,
    alternate: Annotated[str, typer.Option(help="Draw a trial, on and off by the day or by the week.")] = "",
    first: Annotated[str, typer.Option("--from", help="Its first day, as 2026-06-01; default: tomorrow.")] = "",
    days: Annotated[int | None, typer.Option(help="How long it takes; default: what the plan says.")] = None,
    weeks: Annotated[int | None, typer.Option(help="The same in weeks.")] = None,
    name: Annotated[str, typer.Option("--as", help='A name of its own, such as "cooler 26 degrees".')] = "",
    on_is: Annotated[str, typer.Option(help='What to do on days on, such as "set to 26".')] = "",
    off_is: Annotated[str, typer.Option(help='What to do on days off, such as "set to 24".')] = "",
    seed: Annotated[int | None, typer.Option(min=0, help="What the order is drawn from; default: by chance.")] = None,
    ics: Annotated[Path | None, typer.Option("--ics", help="Write its days to this file, for any calendar.")] = None,
    file: ByName = DEFAULT_FILE,
    as_json: AsJson = False,
) -> None:
    """Say how long a change must be tried to be seen, and which way is best; draw a trial of it."""
    settings = settings_of(file)
    with told():
        try:
            from wattround.cli import planning
        except ModuleNotFoundError as missing:
            raise give_up(f"{missing.name} is not installed: pip install 'wattround[analysis]'") from None
        asked = planning.Asked(
            tuple(on or ()), effect, level, alternate, first, days, weeks, name, on_is, off_is, seed, ics
        )
        found = planning.find(settings, asked)
        if as_json:
            print(planning.as_json(found, settings))
        else:
            planning.show(found, settings, file)
