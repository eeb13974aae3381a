"""Commands about the round of the house: walk."""

from __future__ import annotations

import re
import sys
from typing import TYPE_CHECKING, Annotated

import typer

from wattround.cli.common import DEFAULT_FILE, UNAVAILABLE, ByName, settings_of, told

if TYPE_CHECKING:
    from pathlib import Path

    from wattround.analysis.walk.round import Precision
    from wattround.clock import Clock

commands = typer.Typer()
_PRECISION = re.compile(r"(?P<number>\d{1,5}(\.\d{1,3})?)\s*(?P<unit>%|W)")
LEAST_W = 1.0


@commands.command()
def walk(
    file: ByName = DEFAULT_FILE,
    precision: Annotated[
        str, typer.Option(help='How well a load is to be known: "5%" of its watts (but no better than 1 W), or "2W".')
    ] = "5%",
    follow: Annotated[
        list[str] | None, typer.Option("--follow", help="Only show this meter, in large figures; may be repeated.")
    ] = None,
) -> None:
    """Go round the house and measure its loads, one switch at a time. It listens; you switch."""
    from wattround.clock import SystemClock

    go_round(file, precision, follow or [], SystemClock())


def go_round(file: Path, precision: str, follow: list[str], clock: Clock) -> None:
    """The session by some clock, to its end; what ends it early is told, with its status."""
    from wattround.cli.ears import Gone, Keys, ears
    from wattround.cli.follow import Follow
    from wattround.cli.talk import Talk
    from wattround.cli.walk import Walk
    from wattround.cli.walkbook import LoadBook
    from wattround.config.secrets import MissingSecret
    from wattround.ingest.visit import CannotVisit

    settings, wanted, talk = settings_of(file), _precision(precision), Talk()
    session: Walk | None = None
    try:
        with told(), ears(settings, talk.say, clock) as heard:
            book = None if follow else LoadBook(settings, talk.say)
            for topic in heard.open():
                talk.say(f"The broker does not let us read {topic}: its access list?")
            if book is None:
                Follow(heard, Keys(), follow).run()
                return
            session = Walk(settings, talk, heard, Keys(), book, wanted)
            session.run()
    except (CannotVisit, MissingSecret) as trouble:
        print(f"wattround: {trouble}", file=sys.stderr)
        raise typer.Exit(UNAVAILABLE) from None
    except (Gone, KeyboardInterrupt) as end:
        talk.broken_off()
        if session is not None:
            session.leave()
            talk.say(f"Go on where it was: wattround walk -f {file}")
        raise typer.Exit(130 if isinstance(end, KeyboardInterrupt) else 0) from None


def _precision(found: str) -> Precision:
    from wattround.analysis.walk.round import Precision

    match = _PRECISION.fullmatch(found.strip())
    if match is None or float(match["number"]) <= 0:
        print(f'--precision: found "{found}"; expected a share such as 5%, or watts such as 2W', file=sys.stderr)
        raise typer.Exit(2)
    number = float(match["number"])
    return Precision(number / 100, LEAST_W) if match["unit"] == "%" else Precision(0.0, number)
