"""Rows as InfluxDB line protocol.

Measurement `wattround_minute`; tags `house`, `meter`, `role`; float fields `in_wh`, `out_wh`, `covered_s`,
`peak_w`, `low_w` (absent where only a counter was heard), `estimated` (1 where a counter's energy was spread over
a gap). The timestamp is the minute's begin.
"""

from __future__ import annotations

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
    """One row, its time in milliseconds.

    With `newest_wins` the time is one millisecond after the minute's begin plus the row's revision: for
    databases that keep the newest sample of an interval, and not the last one written for one time.
    """
    minute = row.minute
    power = (
        ""
        if minute.peak_milliw is None
        else f",peak_w={minute.peak_milliw / 1000!r},low_w={(minute.low_milliw or 0) / 1000!r}"
    )
    time_ms = minute.minute * MINUTE_MS + (1 + min(row.revision, 998) if newest_wins else 0)
    estimated = 1.0 if minute.origin & ESTIMATED else 0.0
    return (
        f"{series(house, minute.meter, row.role)} in_wh={minute.in_uwh / 1e6!r},out_wh={minute.out_uwh / 1e6!r},"
        f"covered_s={minute.covered_ms / 1000!r},estimated={estimated!r}{power} {time_ms}"
    )
