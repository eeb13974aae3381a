"""Rows as InfluxDB line protocol.

Measurement `wattround_minute`; tags `house`, `meter`, `role`; float fields `in_wh`, `out_wh`, `covered_s`,
`peak_w`, `low_w` (absent where only a counter was heard), `estimated` (1 where a counter's energy was spread over
a gap). The timestamp is the minute's begin.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache

from wattround.ledger.batch import ArchiveRow
from wattround.metering.minute import ESTIMATED, MINUTE_MS

MEASUREMENT = "wattround_minute"
ORDINARY = ",out_wh=0.0,covered_s=60.0,estimated=0.0"
_TAG_ESCAPES = str.maketrans({",": r"\,", "=": r"\=", " ": r"\ ", "\n": r"\ ", "\r": r"\ "})


def escape_tag(text: str) -> str:
    """A tag's key or value: comma, equals sign and space are escaped; a line break cannot be and becomes a space.

    Names do not end in a backslash, which would escape what follows: the router takes none that contains one.
    """
    return text.translate(_TAG_ESCAPES)


@lru_cache(maxsize=4096)
def series(house: str, meter: str, role: str) -> str:
    """Measurement and tags. An empty tag value is not allowed: the tag is left out."""
    tags = (("house", house), ("meter", meter), ("role", role))
    return MEASUREMENT + "".join(f",{key}={escape_tag(value)}" for key, value in tags if value)


def line(house: str, row: ArchiveRow, *, newest_wins: bool) -> str:
    """One row; see `lines`."""
    return lines(house, [row], newest_wins=newest_wins)[0]


def lines(house: str, rows: Iterable[ArchiveRow], *, newest_wins: bool) -> list[str]:
    """Rows, their times in milliseconds.

    With `newest_wins` the time is one millisecond after the minute's begin plus the row's revision: for
    databases that keep the newest sample of an interval, and not the last one written for one time.

    Millionths and thousandths are written as such: making a float's text of each would be three quarters of the work.
    """
    found = []
    for _, role, revision, meter, minute, in_uwh, out_uwh, covered_ms, peak_milliw, low_milliw, origin in rows:
        begin = f"{series(house, meter, role)} in_wh="
        time_ms = minute * MINUTE_MS + (1 + min(revision, 998) if newest_wins else 0)
        if out_uwh or covered_ms != MINUTE_MS or origin & ESTIMATED:
            rest = f",out_wh={out_uwh / 1e6},covered_s={covered_ms / 1000},estimated={float(bool(origin & ESTIMATED))}"
        else:
            rest = ORDINARY
        if peak_milliw is not None and low_milliw is not None and low_milliw >= 0:
            figures = (
                in_uwh // 1_000_000, in_uwh % 1_000_000, rest, peak_milliw // 1000, peak_milliw % 1000,
                low_milliw // 1000, low_milliw % 1000, time_ms,
            )  # fmt: skip
            found.append("%s%d.%06d%s,peak_w=%d.%03d,low_w=%d.%03d %d" % (begin, *figures))  # noqa: UP031 - the quickest
        else:
            if peak_milliw is not None and low_milliw is not None:
                rest += f",peak_w={peak_milliw / 1000},low_w={low_milliw / 1000}"
            found.append("%s%d.%06d%s %d" % (begin, in_uwh // 1_000_000, in_uwh % 1_000_000, rest, time_ms))  # noqa: UP031
    return found
