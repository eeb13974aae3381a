"""Figures for a monitoring system, in the OpenMetrics text format (OpenMetrics 1.0)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any, NamedTuple

from wattround import __version__

KIND = "application/openmetrics-text; version=1.0.0; charset=utf-8"
J_PER_WH = 3600


class Family(NamedTuple):
    """Samples of one name: labels and value each."""

    name: str
    kind: str
    unit: str
    says: str
    samples: Iterable[tuple[Mapping[str, str], float]]


def families(facts: Mapping[str, Any]) -> Iterator[Family]:
    """All of them, of the house as it stands."""
    meters, daemon = facts["meters"], facts["daemon"]

    def each(key: str, times: float = 1) -> list[tuple[dict[str, str], float]]:
        return [({"meter": of["name"]}, float(of[key]) * times) for of in meters if of[key] is not None]

    yield Family("wattround", "info", "", "What answers.", [({"version": __version__}, 1)])
    yield Family("wattround_meter_power_watts", "gauge", "watts", "What a meter reads now.", each("watts_w"))
    yield Family(
        "wattround_meter_today_joules", "gauge", "joules", "Energy into the house or load since local midnight.",
        each("today_in_wh", J_PER_WH),
    )  # fmt: skip
    yield Family(
        "wattround_meter_today_given_joules", "gauge", "joules", "Energy the other way since local midnight.",
        each("today_out_wh", J_PER_WH),
    )  # fmt: skip
    cost = [({"meter": of["name"], "currency": facts["currency"]}, float(of["today_cost"])) for of in meters]
    yield Family("wattround_meter_today_cost", "gauge", "", "Money of the energy since local midnight.", cost)
    yield Family("wattround_meter_heard_seconds", "gauge", "seconds", "Since the last reading.", each("age_s"))
    yield Family("wattround_meter_readings", "counter", "", "Readings taken since the start.", each("readings"))
    yield Family("wattround_meter_refused", "counter", "", "Payloads refused since the start.", each("bad_payloads"))
    yield Family("wattround_episodes_open", "gauge", "", "Open episodes.", [({}, len(facts["episodes"]))])
    yield Family("wattround_broker_up", "gauge", "", "1: connected.", [({}, daemon["broker"] == "connected")])
    yield Family("wattround_ledger_up", "gauge", "", "1: written.", [({}, daemon["ledger_trouble"] is None)])
    yield Family(
        "wattround_messages_waiting", "gauge", "", "Messages on their way.", [({}, daemon["messages_waiting"])]
    )
    yield Family(
        "wattround_readings_dropped", "counter", "", "Readings that came too fast.", [({}, daemon["messages_dropped"])]
    )


def exposition(facts: Mapping[str, Any]) -> str:
    """The text, with its end mark."""
    lines = []
    for family in families(facts):
        lines.append(f"# TYPE {family.name} {family.kind}")
        lines += [f"# UNIT {family.name} {family.unit}"] if family.unit else []
        lines.append(f"# HELP {family.name} {family.says}")
        suffix = {"counter": "_total", "info": "_info"}.get(family.kind, "")
        for labels, value in family.samples:
            inside = ",".join(f'{key}="{_escaped(text)}"' for key, text in labels.items())
            lines.append(f"{family.name}{suffix}{f'{{{inside}}}' if inside else ''} {float(value):.12g}")
    return "\n".join([*lines, "# EOF", ""])


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
