"""The sums of a report, by pandas: what `bench_report` holds wattround's against. Reads a request, writes the sums.

Loads' energies and shares of the bill, running hours and standby, and what is left over of each meter that has others
within: of hour totals, or of minutes.
"""

from __future__ import annotations

import json
import sqlite3
import sys
from typing import Any

import pandas as pd

STANDBY_MILLIW = 500
HOURS = (
    "SELECT hour * 60 AS minute, meter, in_uwh, out_uwh, covered_ms, peak_milliw, low_milliw FROM hour"
    " WHERE hour >= ? / 60 AND hour < ? / 60"
)
MINUTES = (
    "SELECT place >> 16 AS minute, place & 65535 AS meter, in_uwh, out_uwh, 60000 - uncovered_ms AS covered_ms,"
    " peak_milliw, low_milliw FROM minute_row WHERE place >= ? << 16 AND place < ? << 16"
)


def main() -> None:
    asked: dict[str, Any] = json.load(sys.stdin)
    begin, end = (
        int(pd.Timestamp(day, tz=asked["zone"]).timestamp()) // 60 for day in (asked["first"], asked["after"])
    )
    db = sqlite3.connect(f"file:{asked['ledger']}?mode=ro", uri=True)
    rows = pd.read_sql(MINUTES if asked["by_minute"] else HOURS, db, params=(begin, end))
    rows["meter"] = rows["meter"].map(dict(db.execute("SELECT id, name FROM meter")))
    rows["hour"] = rows["minute"] // 60
    rows["net"] = rows["in_uwh"] - rows["out_uwh"]
    rows["price"] = rows["hour"].map(_prices(rows, asked))
    rows["money"] = rows["net"] * rows["price"]
    for column, values in zip(("running_ms", "standby_uwh"), _levels(rows, asked["active_w"]), strict=True):
        rows[column] = values
    columns = ["net", "money", "covered_ms", "running_ms", "standby_uwh"]
    whole_ms = 60_000 if asked["by_minute"] else 3_600_000
    whole = rows[rows["covered_ms"] == whole_ms].pivot_table(index="minute", columns="meter", values="net")
    price = rows.groupby("minute")["price"].first()
    left = {}
    for name, signs in asked["remainders"].items():
        net = sum(whole[each] * sign for each, sign in signs.items()).dropna()
        left[name] = {"net": int(net.sum()), "money": float((net * price.reindex(net.index)).sum())}
    sums = rows.groupby("meter")[columns].sum()
    json.dump({"loads": sums.to_dict("index"), "left": left}, sys.stdout, default=int)


def _prices(rows: pd.DataFrame, asked: dict[str, Any]) -> pd.Series:
    """What a microwatt-hour used in each hour costs: its band's price for the part of it that was bought."""
    flows = rows.pivot_table(index="hour", columns="meter", values=["in_uwh", "net"], aggfunc="sum").fillna(0)
    used = flows["net"]["supply"] + flows["net"]["roof"]
    part = (flows["in_uwh"]["supply"] / used).clip(upper=1).where(used > 0, 1)
    # a supply that is silent for the hour: all counts as bought
    heard = rows.loc[rows["meter"] == "supply", "hour"].unique()
    part = part.where(part.index.isin(heard), 1)
    local = pd.to_datetime(part.index * 3600, unit="s", utc=True).tz_convert(asked["zone"])
    price = pd.Series(0.22, index=part.index)
    price[(local.hour >= 10) & (local.hour < 14) & (local.day_of_week < 5)] = 0.31
    price[local.hour < 8] = 0.14
    return price * 1.21 / 1e9 * part


def _levels(rows: pd.DataFrame, active_w: dict[str, float]) -> tuple[pd.Series, pd.Series]:
    """Time in which a row's load ran and energy on standby: so long at its lowest and so long at its peak watts."""
    active = rows["meter"].map(active_w) * 1000
    low, peak, covered = rows["low_milliw"].clip(lower=0), rows["peak_milliw"], rows["covered_ms"]
    at_peak = ((rows["in_uwh"] * 3600 - low * covered) / (peak - low)).clip(lower=0).clip(upper=covered)
    running = at_peak.mask(low >= active, covered).mask(peak < active, 0)
    rest = (low * (covered - running) / 3600).where(low >= STANDBY_MILLIW, 0).mask(low >= active, 0)
    standing_by = rows["in_uwh"].where(rows["in_uwh"] * 3600 >= STANDBY_MILLIW * covered, 0)
    return running.where(active.notna(), 0), rest.mask(peak < active, standing_by).where(active.notna(), 0)


if __name__ == "__main__":
    main()
