"""Faulted runs of the real daemon, power cuts of its ledger, and how often a promise was broken."""

from __future__ import annotations

import argparse
import sys

from faulty.cuts import try_cuts
from faulty.disk import NoSuchDisk
from faulty.kinds import KINDS
from faulty.play import available, cuts_text, play, table
from faulty.servers import MOSQUITTO, VICTORIA
from faulty.verdict import Verdict


def main() -> None:
    options = argparse.ArgumentParser(prog="tools/faults", description=__doc__)
    options.add_argument("--runs", type=int, default=20, help="default 20, some two minutes")
    options.add_argument("--seed", type=int, default=1, help="of the first run; the others follow")
    options.add_argument("--kinds", nargs="+", choices=sorted(KINDS), metavar="KIND", help=", ".join(KINDS))
    options.add_argument("--at-once", type=int, default=3, help="runs side by side (default 3)")
    options.add_argument(
        "--cuts", type=int, default=300, help="power cuts and failing writes of each kind (default 300)"
    )
    options.add_argument("--keep", action="store_true", help="keep each run's folder")
    given = options.parse_args()
    if given.runs and not (MOSQUITTO and VICTORIA):
        sys.exit("tools/faults needs mosquitto and victoria-metrics; ./tools/test installs them where it may")
    names, missing = available()
    names = [name for name in names if name in (given.kinds or names)]
    verdicts: list[Verdict] = []
    seeds = range(given.seed, given.seed + given.runs)
    for verdict in play(seeds, names, given.at_once, keep=given.keep) if seeds else ():
        verdicts.append(verdict)
        say(verdict, len(verdicts), given.runs)
    if verdicts:
        print("\n" + table(verdicts))
    broken = any(verdict.violations for verdict in verdicts)
    try:
        cuts = try_cuts(given.seed, given.cuts)
        print(cuts_text(cuts))
        broken = broken or bool(cuts.violations)
    except NoSuchDisk:
        print("left out: power cuts: this Python has SQLite built in, nothing can be put in between")
    for name in missing:
        print(f"left out: {name}: no file system can be mounted here")
    sys.exit(1 if broken else 0)


def say(verdict: Verdict, number: int, of: int) -> None:
    faults = ", ".join(f"{fault.kind} {fault.from_s:.1f}-{fault.to_s:.1f}" for fault in verdict.faults)
    print(f"{number}/{of} seed {verdict.seed} ({verdict.took_s:.0f} s): {faults}", flush=True)
    for violation in verdict.violations:
        print(f"    VIOLATION {violation}", flush=True)
    if verdict.violations:
        print(f"    {verdict.folder}", flush=True)


if __name__ == "__main__":
    main()
