"""What `wattround now` shows: the house as it stands this moment, as plain values."""

from __future__ import annotations

from typing import Any

from wattround.core.house import HouseCore
from wattround.core.hushing import hush_text
from wattround.metering.formula import combined, combined_w
from wattround.metering.meter import Meter


def view(core: HouseCore, now_ms: int) -> dict[str, Any]:
    """Every meter in the order of the tree, open episodes, and what is wrong."""
    core.metering.follow_clock(now_ms)
    watts = {name: _watts(meter, now_ms) for name, meter in core.metering.meters.items()}
    watts |= {name: combined_w(formula, watts.get) for name, formula in core.computing.formulas.items()}
    bad: dict[str, dict[str, Any]] = {}
    readings: dict[str, int] = {}
    for feed in core.router.feeds:
        readings[feed.name] = readings.get(feed.name, 0) + feed.health.good
        if feed.health.bad:
            entry = bad.setdefault(feed.name, {"count": 0, "last": ""})
            entry["count"] += feed.health.bad
            entry["last"] = feed.health.last_bad
    return {
        "house": core.house.title,
        "time_zone": core.settings.house.time_zone,
        "currency": core.purse.currency,
        "now_ms": now_ms,
        "occupancy": core.hearsay.presence.occupancy(now_ms) if core.settings.people else None,
        "meters": _priced(
            core, [_meter(core, name, depth, watts, bad, readings, now_ms) for depth, name in core.tree.walk()], now_ms
        ),
        "bad_payloads": bad,
        "episodes": [_episode(core, now_ms, news) for news in core.engine.open_episodes(now_ms)],
        "hushes": [
            {"rule": hush.rule, "load": hush.load, "until": hush_text(hush, now_ms)}
            for hush in core.voice.manners.hushes
        ],
    }


def _watts(meter: Meter, now_ms: int) -> float | None:
    """Watts that still stand, or a value of unknown time before the first live one."""
    return meter.watts if now_ms <= meter.held_until_ms or meter.heard_ms < 0 else None


def _meter(
    core: HouseCore,
    name: str,
    depth: int,
    watts: dict[str, float | None],
    bad: dict[str, Any],
    readings: dict[str, int],
    now_ms: int,
) -> dict[str, Any]:
    settings = core.meters[name]
    meter = core.metering.meters.get(name) or core.computing.meters[name]
    into, out = _today(core, name)
    return {
        "name": name,
        "label": settings.label or name,
        "role": settings.role,
        "depth": depth,
        "within": settings.within,
        "computed": settings.computed,
        "watts_w": watts[name],
        "unmeasured_w": _unmeasured(core, name, watts),
        "level": meter.level if now_ms <= meter.held_until_ms and settings.role in ("circuit", "appliance") else None,
        "today_in_wh": into / 1e6,
        "today_out_wh": out / 1e6,
        "readings": readings.get(name, 0),
        "age_s": (now_ms - meter.heard_ms) / 1000 if meter.heard_ms >= 0 else None,
        "bad_payloads": bad.get(name, {}).get("count", 0),
    }


def _priced(core: HouseCore, meters: list[dict[str, Any]], now_ms: int) -> list[dict[str, Any]]:
    """What each of them has taken today, in money."""
    taken = {meter["name"]: round(meter["today_in_wh"] * 1e6) for meter in meters}
    worths = core.purse.today(taken, now_ms)
    return [
        {**meter, "today_cost": str(worth.amount), "today_unpriced_wh": worth.unknown_uwh / 1e6}
        for meter in meters
        for worth in [worths[meter["name"]]]
    ]


def _today(core: HouseCore, name: str) -> tuple[float, float]:
    """Energy in and out since midnight; a computed meter's as it is written, and what its parts had since."""
    today = core.today
    formula = core.computing.formulas.get(name)
    if formula is not None:
        into, out = today.written.get(name, (0, 0))
        since: dict[str, tuple[float, float]] = {}
        for part, _ in formula.terms:
            now, then = _today(core, part), today.written.get(part, (0, 0))
            since[part] = (now[0] - then[0], now[1] - then[1])
        more_in, more_out = combined(formula, since)
        return into + more_in, out + more_out
    into, out = today.sums.get(name, (0, 0))
    meter = core.metering.meters.get(name)
    if meter is not None and meter.minute * 60_000 >= today.midnight_ms:
        row = meter.row()
        into, out = into + row.in_uwh, out + row.out_uwh
    return into, out


def _unmeasured(core: HouseCore, name: str, watts: dict[str, float | None]) -> float | None:
    """What a meter reads beyond the meters within it; None where one of them is silent."""
    children = core.tree.children[name]
    parts = [watts[name], *(watts[child] for child in children)]
    known = [part for part in parts if part is not None]
    if not children or len(known) < len(parts):
        return None
    signs = [core.tree.sign(child) for child in children]
    return known[0] - sum(sign * part for sign, part in zip(signs, known[1:], strict=True))


def _episode(core: HouseCore, now_ms: int, news: Any) -> dict[str, Any]:
    worth = core.voice.worth(news)
    return {
        "rule": news.rule,
        "load": news.load,
        "label": core.voice.label(news.load, core.voice.rule(news.rule)),
        "hushed": core.voice.manners.hushes.covers(news.rule, news.load),
        "began_ms": news.began_ms,
        "raised_ms": news.raised_ms,
        "lasting_s": (now_ms - news.began_ms) // 1000,
        "waste_wh": news.waste_uwh / 1e6,
        "cost": str(worth.amount),
        "unpriced_wh": worth.unknown_uwh / 1e6,
    }
