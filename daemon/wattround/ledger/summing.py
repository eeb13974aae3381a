"""SQL that adds up rows: their energy, their money, how long loads ran, what they took on standby.

Energy is in microwatt-hours, power in milliwatts, time in milliseconds. Tables of pieces and of what is asked for are
temporary ones of the reader's own. Joins are in the order in which they are written: SQLite, which knows nothing of
what temporary tables hold, would choose worse.
"""

from __future__ import annotations

from typing import NamedTuple

HOUR_MS = 3_600_000
ENERGY = ("in_uwh", "out_uwh", "covered_ms", "estimated_uwh", "money", "unpriced_uwh")
USE = ("running_ms", "standby_uwh", "known_ms")
COLUMNS = (*ENERGY, *USE, "times")
SUMS = f"CREATE TEMP TABLE sums (meter INTEGER PRIMARY KEY, {', '.join(COLUMNS)})"


class Kind(NamedTuple):
    """What columns are called in minutes, or in hours; `known`: whether it is known how the watts went."""

    meter: str
    covered: str
    estimated: str
    known: str


OF_MINUTES = Kind(
    "place & 65535", "(60000 - uncovered_ms)", "CASE WHEN origin & 4 THEN in_uwh + out_uwh ELSE 0 END", "origin & 4 = 0"
)
OF_HOURS = Kind("h.meter", "covered_ms", "estimated_uwh", "estimated_uwh = 0")
PURE = (
    "(covered_ms > 0 AND estimated_uwh = 0 AND peak_milliw IS NOT NULL AND (low_milliw >= active"
    " OR (peak_milliw < active AND (max(0, low_milliw) >= standby OR peak_milliw < standby))))"
)
"""An hour that was at one level all the time: its minutes say the same."""


def added(kind: Kind, rows: str) -> str:
    """A statement that adds rows, which have a price and thresholds, to those of their meters in the table `sums`.

    To let SQLite group them takes twice as long: it would first sort them by meter.
    """
    values = (*_energy(kind), *_use(kind), "1")
    # without WHERE, ON would be taken for that of a join
    return (
        f"INSERT INTO sums SELECT {kind.meter}, {', '.join(values)} FROM {rows} WHERE 1"
        f" ON CONFLICT (meter) DO UPDATE SET {', '.join(f'{name} = {name} + excluded.{name}' for name in COLUMNS)}"
    )


def summed(kind: Kind) -> str:
    """Expressions for the sums of a group's energies, in the order of ENERGY."""
    return ", ".join(
        f"{'total' if name == 'money' else 'sum'}({each})" for name, each in zip(ENERGY, _energy(kind), strict=True)
    )


def used(kind: Kind) -> str:
    """The same for USE."""
    running, standby, known = _use(kind)
    return f"total({running}), total({standby}), sum({known})"


def _energy(kind: Kind) -> tuple[str, ...]:
    net = "(in_uwh - out_uwh)"
    money = (f"{net} * ifnull(price, 0.0)", f"(price IS NULL) * {net}")
    return ("in_uwh", "out_uwh", kind.covered, kind.estimated, *money)


def _use(kind: Kind) -> tuple[str, str, str]:
    """Running time, energy on standby, and the time of which they are known.

    The watts of a row stand at two levels, so long at its lowest and so long at its peak, so that the energy fits: as
    they do for the histograms of `spread`. A meter without thresholds has NULL for them.
    """
    unknown = f"WHEN active IS NULL OR NOT ({kind.known}) THEN 0"
    low, standing_by = "max(0, low_milliw)", f"in_uwh * 3600 >= standby * {kind.covered}"
    at_peak = f"min({kind.covered}, max(0, (in_uwh * 3600.0 - {low} * {kind.covered}) / (peak_milliw - {low})))"
    by_counter = f"(in_uwh * 3600 >= active * {kind.covered})"
    running = (
        f"CASE {unknown} WHEN peak_milliw < active THEN 0 WHEN low_milliw >= active THEN {kind.covered}"
        f" WHEN peak_milliw IS NULL THEN {by_counter} * {kind.covered} ELSE {at_peak} END"
    )
    standby = (
        f"CASE {unknown} WHEN peak_milliw < active THEN ({standing_by}) * in_uwh WHEN low_milliw >= active THEN 0"
        f" WHEN peak_milliw IS NULL THEN ({standing_by} AND NOT {by_counter}) * in_uwh"
        f" WHEN {low} >= standby THEN {low} * ({kind.covered} - {at_peak}) / 3600 ELSE 0 END"
    )
    return running, standby, f"CASE {unknown} ELSE {kind.covered} END"


TABLES = (
    "CREATE TEMP TABLE whole (hour INTEGER PRIMARY KEY, price REAL, kind INTEGER)",
    "CREATE TEMP TABLE cut (begin INTEGER PRIMARY KEY, ending INTEGER, price REAL, kind INTEGER)",
    "CREATE TEMP TABLE source (meter INTEGER PRIMARY KEY, supply INTEGER, maker INTEGER, store INTEGER)",
    "CREATE TEMP TABLE threshold (meter INTEGER PRIMARY KEY, active INTEGER, standby INTEGER)",
    SUMS,
    "CREATE TEMP TABLE mixed (hour INTEGER, meter INTEGER, PRIMARY KEY (hour, meter)) WITHOUT ROWID",
    "CREATE TEMP TABLE sixty (at INTEGER PRIMARY KEY)",
    f"INSERT INTO sixty VALUES {', '.join(f'({at})' for at in range(60))}",
    "CREATE TEMP TABLE picked (hour INTEGER PRIMARY KEY)",
    "CREATE TEMP TABLE member (meter INTEGER PRIMARY KEY, sign INTEGER)",
)
# whole pieces and cut ones, with the rows that fall into them
HOURS = "whole CROSS JOIN main.hour AS h ON h.hour = whole.hour"
MINUTES = "cut CROSS JOIN minute_row ON place >= begin AND place < ending"

# what sources had in each piece; of a few, one by one, else by passing over all rows of an hour
FLOWS = (
    "sum(supply * in_uwh), sum(supply * out_uwh), sum(maker * (in_uwh - out_uwh)), sum(store * in_uwh),"
    " sum(store * out_uwh)"
)
HOUR_FLOWS = f"SELECT whole.hour, {FLOWS}, sum(supply) FROM {{0}} GROUP BY whole.hour"
FEW_FLOWS = HOUR_FLOWS.format(
    "whole CROSS JOIN source CROSS JOIN main.hour AS h ON h.hour = whole.hour AND h.meter = source.meter"
)
MANY_FLOWS = HOUR_FLOWS.format(f"{HOURS} CROSS JOIN source ON source.meter = h.meter")
CUT_FLOWS = f"SELECT begin, {FLOWS}, count(DISTINCT CASE WHEN supply THEN source.meter END) FROM {{0}} GROUP BY begin"
FEW_CUT_FLOWS = CUT_FLOWS.format(
    "cut CROSS JOIN sixty ON at < (ending - begin) >> 16"
    " CROSS JOIN source CROSS JOIN minute_row ON place = begin + (at << 16) + source.meter"
)
MANY_CUT_FLOWS = CUT_FLOWS.format(f"{MINUTES} CROSS JOIN source ON source.meter = place & 65535")

# sums of each meter; hours in which a load was at several levels are looked at by the minute, one by one
LIMITED_HOURS = f"{HOURS} CROSS JOIN threshold ON threshold.meter = h.meter"
SUM_HOURS = added(OF_HOURS, LIMITED_HOURS)
SUM_PURE_HOURS = added(OF_HOURS._replace(known=PURE), LIMITED_HOURS)
SUM_CUT = added(OF_MINUTES, f"{MINUTES} CROSS JOIN threshold ON threshold.meter = place & 65535")
FILL_MIXED = f"INSERT INTO mixed SELECT h.hour, h.meter FROM {LIMITED_HOURS} WHERE active IS NOT NULL AND NOT {PURE}"
MIXED = (
    f"SELECT mixed.meter, {used(OF_MINUTES)} FROM mixed CROSS JOIN threshold ON threshold.meter = mixed.meter"
    " CROSS JOIN sixty CROSS JOIN minute_row ON place = ((mixed.hour * 60 + at) << 16) + mixed.meter"
    " GROUP BY mixed.hour, mixed.meter"
)
BY_KIND = (
    f"SELECT kind, {summed(OF_HOURS)} FROM {HOURS} WHERE h.meter = ? GROUP BY kind",
    f"SELECT kind, {summed(OF_MINUTES)} FROM {MINUTES} WHERE place & 65535 = ? GROUP BY kind",
)
HOURS_OF = (
    "SELECT h.hour, h.meter, in_uwh, out_uwh, covered_ms FROM picked CROSS JOIN main.hour AS h ON h.hour = picked.hour"
    " CROSS JOIN member ON member.meter = h.meter"
)

# of picked hours: how many meters each has, those of which a meter has no row, those that a meter covers in part
PICKED_HOURS = "picked CROSS JOIN main.hour AS h ON h.hour = picked.hour"
HEARD = f"SELECT h.hour, count(*) FROM {PICKED_HOURS} CROSS JOIN member ON member.meter = h.meter GROUP BY picked.hour"
PARTLY = f"SELECT h.meter, h.hour FROM {PICKED_HOURS} WHERE covered_ms < {HOUR_MS}"
MISSING = (
    "SELECT member.meter, picked.hour FROM picked CROSS JOIN member WHERE NOT EXISTS"
    " (SELECT 1 FROM main.hour AS h WHERE h.hour = picked.hour AND h.meter = member.meter)"
)

# signed sums of the members of a remainder: of picked hours, of their minutes that all cover, of those that not all do
NET = "SELECT coalesce(sum(net), 0), total(net * price), coalesce(sum((price IS NULL) * net), 0) FROM ({0})"
SIGNED = "SELECT sum(sign * (in_uwh - out_uwh)) AS net, price FROM {0}"
WHOLE_PICKED = "picked CROSS JOIN whole USING (hour)"
OF_HOURS_PICKED = NET.format(
    SIGNED.format(
        f"{WHOLE_PICKED} CROSS JOIN member CROSS JOIN main.hour AS h ON h.hour = picked.hour AND h.meter = member.meter"
    )
    + " GROUP BY picked.hour"
)
MINUTE = "(picked.hour * 60 + at)"
OF_MEMBERS = f"CROSS JOIN member CROSS JOIN minute_row ON place = ({MINUTE} << 16) + member.meter"
ALL_COVER = "count(*) = (SELECT count(*) FROM member) AND max(uncovered_ms) <= 0"
OF_MINUTES_PICKED = NET.format(
    SIGNED.format(f"{WHOLE_PICKED} CROSS JOIN sixty {OF_MEMBERS}") + f" GROUP BY picked.hour, at HAVING {ALL_COVER}"
)
OF_MINUTES_CUT = NET.format(
    SIGNED.format(
        f"picked CROSS JOIN sixty CROSS JOIN cut ON {MINUTE} << 16 < ending"
        f" AND begin = (SELECT max(begin) FROM cut AS upto WHERE upto.begin <= {MINUTE} << 16) {OF_MEMBERS}"
    )
    + f" GROUP BY picked.hour, at HAVING NOT ({ALL_COVER})"
)
