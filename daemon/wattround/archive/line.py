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
    """
    found = []
    for _, role, revision, (meter, minute, in_uwh, out_uwh, covered_ms, peak_milliw, low_milliw, origin) in rows:
        power = "" if peak_milliw is None else f",peak_w={peak_milliw / 1000},low_w={(low_milliw or 0) / 1000}"
        time_ms = minute * MINUTE_MS + (1 + min(revision, 998) if newest_wins else 0)
        found.append(
            f"{series(house, meter, role)} in_wh={in_uwh / 1e6},out_wh={out_uwh / 1e6},covered_s={covered_ms / 1000},"
            f"estimated={1.0 if origin & ESTIMATED else 0.0}{power} {time_ms}"
        )
    return found
