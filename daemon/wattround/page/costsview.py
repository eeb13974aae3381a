"""What loads cost: their rows of the last 30 days' report, which is added up once a day."""

from __future__ import annotations

from collections.abc import Mapping

from wattround.analysis.periods import WrongPeriod
from wattround.analysis.report import HOUR_MS, Report, Row, report
from wattround.analysis.reporting.inquiry import Asked, look_at
from wattround.analysis.reporting.words import UWH_PER_KWH, days_text
from wattround.config.model import Meter, Settings
from wattround.ledger.tally import Tally
from wattround.money.amount import cell_text
from wattround.pictures.ink import watts_text

PERIOD = "last30"


def costs(tally: Tally, settings: Settings, now_ms: int) -> Mapping[str, Mapping[str, str]] | str:
    """What there is to say of each load; or why there is nothing yet."""
    try:
        look = look_at(tally, settings, Asked(PERIOD), now_ms)
    except WrongPeriod as wrong:
        return f"Nothing can be said yet of what it costs: {str(wrong).removeprefix('--')}."
    found = report(look.scene, *look.span, look.kept)
    days = days_text(found, look.scene.zone)
    return {row.name: _facts(found, row, days) for row in found.total.walk() if row.kind in ("load", "part")}


def _facts(found: Report, row: Row, days: str) -> dict[str, str]:
    use = row.use if row.use is not None and row.use.known_ms else None
    return {
        "days": days, "kwh": f"{row.kwh}", "money": cell_text(row.money, row.unpriced_uwh),
        "month": f"{row.per_month}" if row.money or not row.unpriced_uwh else "?",
        "share": f"{100 * row.uwh / found.total.uwh:.1f} %" if found.total.uwh else "",
        "ran": f"{use.running_ms / HOUR_MS:.1f} h" if use else "",
        "standby": f"{use.standby_uwh / UWH_PER_KWH:.2f}" if use else "",
        "year": f"{found.standby_per_year(row)}" if use else "",
    }  # fmt: skip


def levels_text(meter: Meter) -> str:
    """From where on a load is on standby, and active."""
    standby = f"off below {watts_text(meter.standby_w)}, on standby from there"
    if meter.active_w is None:
        return f"{standby}. No active_w is set, so nobody knows when it is in use: wattround levels proposes one."
    release = watts_text(meter.release_w or 0.0)
    return f"{standby}, active from {watts_text(meter.active_w)} until it falls below {release}."
