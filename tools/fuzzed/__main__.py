"""Each target for its share of the time, in a process of its own; says how many inputs were tried, and what failed."""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from fuzzed.seeds import FOLDER
from fuzzed.targets import TARGETS

MOST_BYTES = 4096
SLOW_S = 10
MOST_MB = 2048


def run(target: str, seconds: int, folder: Path) -> tuple[int, int, Path | None]:
    """Inputs tried, inputs that reached something new, and the file of the one that failed."""
    corpus, found = folder / target, folder / f"{target}-"
    corpus.mkdir()
    command = [
        sys.executable, "-m", "fuzzed.one", target, str(corpus), str(FOLDER / target), f"-max_total_time={seconds}",
        f"-max_len={MOST_BYTES}", f"-timeout={SLOW_S}", f"-rss_limit_mb={MOST_MB}", f"-artifact_prefix={found}",
        "-print_final_stats=1", "-close_fd_mask=1",
    ]  # fmt: skip
    with (folder / f"{target}.log").open("wb") as log:
        subprocess.run(command, stdout=log, stderr=log, check=False, cwd=Path(__file__).parent.parent)
    told = (folder / f"{target}.log").read_text(errors="replace")
    tried = re.search(r"number_of_executed_units: (\d+)", told) or re.search(r"Done (\d+) runs", told)
    if tried is None:
        raise SystemExit(f"{target} was not tried:\n{told[-3000:]}")
    failed = next(iter(folder.glob(f"{target}-*")), None)
    if failed is not None:
        print(told[-6000:], file=sys.stderr)
    return int(tried[1]), len(list(corpus.iterdir())), failed


def seconds_of(text: str) -> int:
    """`90s`, `10m` or `1h` in seconds."""
    found = re.fullmatch(r"(\d+)([smh])", text)
    if found is None:
        raise argparse.ArgumentTypeError(f'found "{text}"; expected a time such as 90s, 10m or 1h')
    return int(found[1]) * {"s": 1, "m": 60, "h": 3600}[found[2]]


def main() -> None:
    options = argparse.ArgumentParser(prog="tools/fuzz", description=__doc__)
    options.add_argument(
        "--for", dest="seconds", type=seconds_of, default=seconds_of("10m"), help="in all (default 10m)"
    )
    options.add_argument("--target", choices=sorted(TARGETS), action="append", help="default: each")
    options.add_argument("--keep", type=Path, help="a folder for inputs that failed")
    given = options.parse_args()
    chosen, begin, failures = given.target or list(TARGETS), time.monotonic(), 0
    with tempfile.TemporaryDirectory(prefix="wattround-fuzz-") as name:
        print("| what | inputs tried | that reached something new | failed |\n|---|---|---|---|")
        for target in chosen:
            tried, new, failed = run(target, max(given.seconds // len(chosen), 1), Path(name))
            print(f"| {target} | {tried:,} | {new:,} | {'yes' if failed else 'none'} |", flush=True)
            if failed is not None:
                failures += 1
                print(f"{failed.name}: {failed.read_bytes()[:500]!r}")
                if given.keep is not None:
                    given.keep.mkdir(parents=True, exist_ok=True)
                    (given.keep / failed.name).write_bytes(failed.read_bytes())
    print(f"{time.monotonic() - begin:.0f} s, {failures} targets failed")
    sys.exit(failures > 0)


if __name__ == "__main__":
    main()
