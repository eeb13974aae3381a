"""`wattround report` for programs: --json and --csv, with columns that stay."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

from wattround.analysis.comparison import Change, changes
from wattround.analysis.profile import Profile, mean_w, money
from wattround.analysis.report import HOUR_MS, Report, Row
from wattround.analysis.reporting.inquiry import Found
from wattround.analysis.reporting.listed import Listed
from wattround.analysis.reporting.words import WEEKDAYS
from wattround.money.amount import to_cents

COLUMNS = (
    "kind", "name", "label", "parent", "depth", "energy_kwh", "money", "money_per_month", "share_percent", "running_h",
    "standby_kwh", "standby_money_per_year", "covered_percent", "estimated_kwh", "unpriced_kwh", "before_kwh",
    "before_money", "change_kwh", "change_money",
)  # fmt: skip
CELLS = ("weekday", "hour", "mean_w", "energy_kwh", "money", "covered_h", "unpriced_kwh")
UWH_PER_KWH = 1_000_000_000


def as_csv(found: Found) -> str:
    """The rows, or the cells of a load's profile, as one table (RFC 4180)."""
    out = io.StringIO()
    rows: Iterable[Mapping[str, Any]]
    columns: tuple[str, ...]
    if found.report is not None:
        columns, rows = COLUMNS, rows_of(found.report, found.before)
    else:
        columns, rows = CELLS, cells_of(found.profile) if found.profile else ()
    table = csv.DictWriter(out, columns, lineterminator="\r\n")
    table.writeheader()
    table.writerows(rows)
    return out.getvalue()


def as_json(found: Found) -> str:
    """Everything, as one JSON object. Money is text, so that no program makes it inexact."""
    if found.profile is not None:
        of = found.profile
        facts = {"load": of.load, "label": of.label, "cells": list(cells_of(of))}
        return json.dumps({**_span(of.from_ms, of.to_ms), "currency": found.currency, **facts})
    if found.report is None:
        return "{}"
    own = found.report
    before = None
    if found.before is not None:
        other = found.before.account
        before = {
            **_span(other.from_ms, other.to_ms),
            "energy_kwh": _kwh(found.before.total.uwh),
            "bill": _bill(found.before),
        }
    return json.dumps({
        "house": own.settings.house.id, **_span(own.account.from_ms, own.account.to_ms), "currency": found.currency,
        "detail": "minutes" if own.by_minute else "hours", "rows": list(rows_of(own, found.before)),
        "sources": _sources(own), "base_load": _base(own), "bill": _bill(own), "against": before,
        "listed": list(map(_listed, found.listed)), "notes": list(own.notes),
    })  # fmt: skip


def _listed(each: Listed) -> dict[str, Any]:
    """What the inventory explains of a circuit, over the time that was looked at."""
    of = each.of
    return {
        "circuit": of.circuit, "what": "remainder" if each.is_rest else "all", "loads": of.loads,
        "missing": list(of.missing), "used_kwh": round(each.kwh(of.used_wh), 6),
        "listed_kwh": round(each.kwh(of.listed.value), 6), "listed_low_kwh": round(each.kwh(of.listed.low), 6),
        "listed_high_kwh": round(each.kwh(of.listed.high), 6),
        "share_percent": None if of.share is None else round(100 * of.share.value, 3),
        "unexplained_kwh": round(each.unexplained_kwh, 6),
    }  # fmt: skip


def rows_of(found: Report, before: Report | None) -> Iterator[dict[str, Any]]:
    """The rows as the page has them; what is not known, or does not apply, is None."""
    then = changes(found, before)
    for row in found.total.walk():
        was = then.get((row.kind, row.name), Change(None, None))
        yield dict(zip(COLUMNS, (*_plain(found, row), *_change(row, was)), strict=True))


def _plain(found: Report, row: Row) -> Iterator[Any]:
    yield from (row.kind, row.name, row.label, row.parent, row.depth)
    known = not row.unpriced_uwh or row.money
    yield from (_kwh(row.uwh), str(row.money) if known else None, str(row.per_month) if known else None)
    yield round(100 * row.uwh / found.total.uwh, 3) if found.total.uwh else None
    use = row.use if row.use is not None and row.use.known_ms else None
    yield round(use.running_ms / HOUR_MS, 4) if use else None
    yield round(use.standby_uwh / UWH_PER_KWH, 6) if use else None
    yield _text(found.standby_per_year(row))
    yield None if row.covered_ms is None else round(100 * row.covered_ms / found.elapsed_ms, 3)
    yield from (_kwh(row.estimated_uwh), _kwh(row.unpriced_uwh))


def _change(row: Row, was: Change) -> Iterator[Any]:
    yield None if was.kwh is None else float(was.kwh)
    yield _text(was.money)
    yield None if was.kwh is None else float(row.kwh - was.kwh)
    yield None if was.money is None else str(row.money - was.money)


def _sources(found: Report) -> dict[str, Any]:
    flow = found.account.flow
    names = ("bought", "given_back", "generated", "charged", "discharged")
    facts = {f"{name}_kwh": _kwh(uwh) for name, uwh in zip(names, flow, strict=False)}
    own = max(0, flow.generated - flow.supply_out)
    return facts | {
        "consumed_kwh": _kwh(flow.consumed),
        "self_used_kwh": _kwh(own) if flow.generated else None,
        "as_if_all_bought": found.account.as_if_bought,
    }


def _base(found: Report) -> dict[str, Any] | None:
    if found.base is None:
        return None
    return {"mean_w": round(found.base.watts, 3), "nights": found.base.nights, "energy_kwh": _kwh(found.base.uwh)}


def _bill(found: Report) -> dict[str, Any]:
    own = found.account
    lines = [
        {
            "kind": line.kind, "tariff": line.tariff, "name": line.name, "quantity": float(line.quantity),
            "unit": line.unit, "per_unit": _text(line.per_unit), "amount": str(line.amount),
        }
        for line in own.bill.lines
    ]  # fmt: skip
    return {
        "energy": str(own.energy), "standing": str(own.standing), "credit": str(own.credit), "total": str(own.total),
        "lines": lines, "unknown_import_kwh": _kwh(own.bill.unknown_import_uwh),
        "unknown_export_kwh": _kwh(own.bill.unknown_export_uwh),
    }  # fmt: skip


def cells_of(of: Profile) -> Iterator[dict[str, Any]]:
    """Every hour of every weekday, Monday first."""
    for weekday, name in enumerate(WEEKDAYS):
        for hour in range(24):
            total = of.over([weekday], [hour])
            watts = mean_w(total)
            values = (
                name.lower(), hour, None if watts is None else round(watts, 3), _kwh(total.net_uwh),
                str(to_cents(money(total))), round(total.covered_ms / HOUR_MS, 4), _kwh(total.unpriced_uwh),
            )  # fmt: skip
            yield dict(zip(CELLS, values, strict=True))


def _span(from_ms: int, to_ms: int) -> dict[str, str]:
    begin, end = (datetime.fromtimestamp(at / 1000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ") for at in (from_ms, to_ms))
    return {"from": begin, "to": end}


def _kwh(uwh: int) -> float:
    return uwh / UWH_PER_KWH


def _text(amount: Decimal | None) -> str | None:
    return None if amount is None else str(amount)
