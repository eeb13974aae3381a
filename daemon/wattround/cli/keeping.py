"""`wattround prove CHANGE --watch`: a proven saving is handed to the daemon, to be followed from now on."""

from __future__ import annotations

from pathlib import Path

from wattround.analysis.proof.periods import Need
from wattround.analysis.proof.wearoff import watch
from wattround.analysis.proving.cases import Bench, Case, watched_case
from wattround.cli.booking import ask_book, entered
from wattround.config.model import Settings
from wattround.core.book import entries
from wattround.core.change import Change
from wattround.core.watched import Watched
from wattround.ledger.past import Past
from wattround.ledger.tally import Tally


def keep(settings: Settings, of: Case, level: float, coverage: float) -> str:
    """Enter the watch, in place of an older one of this change; what is watched, in a sentence.

    The daemon knows weather and weekdays: the saving is proved once more by those alone.

    Raises:
        ValueError: if there is no proven saving to watch.
    """
    folder = Path(settings.ledger.folder)
    past, tally = Past(folder, settings.house.id), Tally(folder, settings.house.id)
    try:
        kept = tally.kept()
        known = entries(past.book, Watched)
        if kept is None:
            raise ValueError("the ledger has no minutes yet")
        bench = Bench.of(past, kept, settings)
        again = watched_case(bench, of, list(entries(past.book, Change).values()), level, coverage)
    finally:
        past.close()
        tally.close()
    proof = again.proof
    if proof is None or proof.evidence is None or proof.verdict != "saved" or proof.reporting is None:
        raise ValueError(f'--watch: no saving of "{of.name}" is proven by weather and weekdays, so none can be lost')
    found = watch(proof.evidence)
    if isinstance(found, Need):
        raise ValueError(f"--watch: {found.text}")  # noqa: TRY004 - told to who asked
    saved_wh = proof.evidence.avoided_wh_per_day.value
    since = bench.days[-1]
    entry = {
        "change": of.name, "on": list(of.loads), "since": f"{since}", "saved_wh": f"{saved_wh:.3f}",
        "rule": found.rule.to_json(),
    }  # fmt: skip
    number = next((number for number, each in known.items() if each.change == of.name), None)
    if number is None:
        number = ask_book(settings, "add", Watched.kind, entry=entry)
    else:
        ask_book(settings, "change", Watched.kind, number=number, entry=entry)
    noticed = f"in about {found.noticed_days} days" if found.noticed_days is not None else "perhaps not within a year"
    rules = [rule.name for rule in settings.rules if rule.worn_off]
    told = "" if rules else " No rule tells of it yet: add one with worn_off = true to the settings."
    false = f"{100 * found.false_alarms_a_year:.0f} %"
    return (
        f'\n"{of.name}" is watched (watch {number}, since {since}): if all of it were lost, that would be noticed'
        f" {noticed}; a year in which nothing is lost raises it all the same with {false}.{told}"
    )


def let_go(settings: Settings, of: Case) -> str:
    """Take the watch of a change out.

    Raises:
        ValueError: if there is none.
    """
    known = entered(settings, Watched)
    number = next((number for number, each in known.items() if each.change == of.name), None)
    if number is None:
        raise ValueError(f'--no-watch: "{of.name}" is not watched')
    ask_book(settings, "remove", Watched.kind, number=number)
    return f'\n"{of.name}" is no longer watched.'
