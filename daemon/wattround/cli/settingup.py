"""Commands from an unknown broker to settings."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wattround.cli.common import day_of, give_up, reader_left, settings_of, told
from wattround.config.kinds import duration_ms

if TYPE_CHECKING:
    from wattround.analysis.scout.draft import Broker as Reached
    from wattround.cli.scout import Recording, Wanted
    from wattround.config.model import Broker

commands = typer.Typer()
BROKEN = 65
"""Exit status: a file that is not what it should be (EX_DATAERR of sysexits.h)."""

HOST = "The broker to listen to; with a recording, the one to write into the draft."
SOURCE = typer.Argument(metavar="[RECORDING]", help="A file of --record, in place of a broker.")
MERGE = "With --tree: the settings of -f once more, with what was found written in; the table is on standard error."


@commands.command()
def scout(
    recording: Annotated[Path | None, SOURCE] = None,
    broker: Annotated[str, typer.Option(metavar="HOST[:PORT]", help=HOST)] = "",
    user: Annotated[str, typer.Option(help="Its user for us.")] = "",
    password_file: Annotated[Path | None, typer.Option(help="A file with the user's password.")] = None,
    tls: Annotated[bool, typer.Option("--tls", help="Encrypted, trusting the system's CAs.")] = False,
    ca_file: Annotated[Path | None, typer.Option(help="Encrypted, trusting this CA.")] = None,
    certificate_file: Annotated[Path | None, typer.Option(help="Our own certificate, if it asks for one.")] = None,
    key_file: Annotated[Path | None, typer.Option(help="The certificate's key.")] = None,
    file: Annotated[Path | None, typer.Option("--file", "-f", help="Settings to take the broker from.")] = None,
    lasting: Annotated[str, typer.Option("--for", help='How long to listen, as "10m" or "1d".')] = "10m",
    topic_filter: Annotated[str, typer.Option("--filter", help="Only topics like this.")] = "#",
    record: Annotated[Path | None, typer.Option(help="Keep what was heard in this file.")] = None,
    house: Annotated[str, typer.Option(help="The house's id, to write into the draft.")] = "",
    zone: Annotated[str, typer.Option("--time-zone", help="Its time zone; otherwise this machine's.")] = "",
    price: Annotated[str, typer.Option(help="What a kilowatt-hour costs there.")] = "",
    currency: Annotated[str, typer.Option(help="In which currency.")] = "",
    ledger: Annotated[str, typer.Option(help="The folder of the ledger.")] = "",
    likely: Annotated[bool, typer.Option("--likely", help="Write down places that are only likely, too.")] = False,
    compared_to: Annotated[Path | None, typer.Option("--compare", help="Settings to hold against it.")] = None,
    tree: Annotated[bool, typer.Option("--tree", help="From the ledger of -f: who is within whom.")] = False,
    merge: Annotated[bool, typer.Option("--merge", help=MERGE)] = False,
    begin: Annotated[str, typer.Option("--from", help="With --tree: the first day, as 2026-03-01.")] = "",
    end: Annotated[str, typer.Option("--to", help="With --tree: the last day.")] = "",
) -> None:
    """Draft settings from what a broker says, or hold settings against it. Changes nothing."""
    if tree:
        _tree(file, (begin, end), merge=merge, likely=likely)
        return
    if begin or end or merge:
        raise _refused("--merge, --from and --to go with --tree")
    reached = _broker(broker, user, password_file, tls, (ca_file, certificate_file, key_file)) if broker else None
    said = (house, zone, currency, price, ledger)
    if recording is not None:
        if file or record or (compared_to and broker) or ((user or tls or ca_file) and not broker):
            raise _refused("a recording and a broker to listen to: expected one of the two")
        _from(recording, compared_to, _wanted(reached, said, likely=likely))
        return
    if broker and file:
        raise _refused("--broker and --file: expected one of the two")
    source = file or (None if broker else compared_to)
    if source is not None:
        reached = settings_of(source).broker
    if reached is None:
        raise _refused("expected --broker HOST, -f FILE, or a recording")
    _live(reached, (lasting, topic_filter), record, compared_to, _wanted(reached, said, likely=likely))


def _refused(text: str) -> typer.Exit:
    print(f"wattround: {text}", file=sys.stderr)
    return typer.Exit(2)


def _broker(
    where: str, user: str, password_file: Path | None, tls: bool, files: tuple[Path | None, Path | None, Path | None]
) -> Broker:
    from wattround.config.model import Broker, Tls

    host, mark, port = where.rpartition(":")
    bare_six = where.count(":") > 1 and not where.startswith("[")
    if not mark or where.endswith("]") or bare_six:
        host, port = where, ""
    if not host.strip("[]") or (port and not (port.isdigit() and 0 < int(port) <= 65_535)):
        raise _refused(f'--broker: found "{where}"; expected HOST or HOST:PORT')
    if password_file is not None and not user:
        raise _refused("--password-file goes with --user")
    named = {
        key: str(path) for key, path in zip(("ca_file", "certificate_file", "key_file"), files, strict=True) if path
    }
    encrypted = tls or bool(named)
    return Broker(
        host=host.strip("[]"), port=int(port) if port else 8883 if encrypted else 1883,
        user=user or None, password_file=str(password_file) if password_file else None,
        tls=Tls(**named) if encrypted else None,
    )  # fmt: skip


def _reached(broker: Broker) -> Reached:
    """What of it may stand in the draft."""
    from wattround.analysis.scout.draft import Broker as Reached

    tls = broker.tls
    return Reached(
        broker.host, broker.port, broker.user, broker.password_file,
        has_password=broker.password is not None or broker.password_credential is not None,
        tls=tls is not None, ca_file=tls.ca_file if tls else None,
        certificate_file=tls.certificate_file if tls else None, key_file=tls.key_file if tls else None,
    )  # fmt: skip


def _wanted(broker: Broker | None, said: tuple[str, str, str, str, str], *, likely: bool) -> Wanted:
    from wattround.analysis.scout.draft import Facts
    from wattround.cli.scout import wanted

    try:
        return wanted(_reached(broker) if broker is not None else None, Facts(*said), likely=likely)
    except ValueError as refusal:
        raise _refused(str(refusal)) from None


def _live(broker: Broker, asked: tuple[str, str], record: Path | None, compared_to: Path | None, into: Wanted) -> None:
    from wattround.cli.scout import CannotVisit, recording
    from wattround.config.secrets import MissingSecret
    from wattround.ingest.topics import filter_fault

    lasting, topic_filter = asked
    try:
        seconds = duration_ms(lasting) / 1000
    except ValueError as trouble:
        raise _refused(f'--for: found "{lasting}"; expected {trouble}') from None
    if fault := filter_fault(topic_filter):
        raise _refused(f'--filter: found "{topic_filter}": {fault}')
    try:
        with recording(broker, topic_filter, seconds, record) as heard:
            _report(heard, into, compared_to)
    except FileExistsError:
        raise _refused(f"--record: {record} is there already") from None
    except (CannotVisit, MissingSecret, OSError) as trouble:
        raise give_up(trouble) from None


def _from(path: Path, compared_to: Path | None, into: Wanted) -> None:
    from wattround.cli.scout import BrokenCapture, Recording

    try:
        _report(Recording(path), into, compared_to)
    except BrokenCapture as broken:
        print(f"{path}: {broken}", file=sys.stderr)
        raise typer.Exit(BROKEN) from None
    except OSError as error:
        print(f"{path}: {error.strerror or error}", file=sys.stderr)
        raise typer.Exit(BROKEN) from None


def _report(heard: Recording, into: Wanted, compared_to: Path | None) -> None:
    from wattround.cli.scout import NothingFound, compared, drafted, look, show_comparison, show_left_out

    settings = settings_of(compared_to) if compared_to is not None else None
    try:
        found = look(heard)
        if settings is not None and compared_to is not None:
            show_comparison(compared(found, heard, settings), compared_to)
            return
        try:
            print(drafted(found, heard, into), end="", flush=True)
        finally:
            show_left_out(found, heard.trouble)
    except NothingFound as nothing:
        print(f"wattround: {nothing}", file=sys.stderr)
        raise typer.Exit(1) from None
    except BrokenPipeError:
        raise reader_left() from None


def _tree(file: Path | None, days: tuple[str, str], *, merge: bool, likely: bool) -> None:
    from wattround.cli.history import WrongSpan
    from wattround.cli.wiring import show, show_merged

    if file is None:
        raise _refused("--tree works from a ledger: expected -f FILE")
    if likely and not merge:
        raise _refused("--likely goes with --merge, or with a draft")
    first, last = day_of("--from", days[0]), day_of("--to", days[1])
    settings = settings_of(file)
    with told():
        try:
            if merge:
                show_merged(settings, file, first, last, likely=likely)
            else:
                show(settings, first, last)
        except WrongSpan as wrong:
            raise _refused(str(wrong)) from None
