"""The Homie convention, versions 4 and 5: what devices say of themselves in retained topics that begin with $.

Version 4: `BASE/DEVICE/$homie` is the version; a property `BASE/DEVICE/NODE/PROPERTY` has `$name`, `$datatype`, `$unit`
below it. Version 5: `DOMAIN/5/DEVICE/$description` is one JSON object with `nodes`, in them `properties`, in them
`name`, `datatype`, `unit`. In both `$state` of the device says whether it is there. The units are trusted, not the
names: a property called power may be a switch.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from wattround.analysis.scout.heard import Topic

GONE = ("disconnected", "lost")
"""States of a device that is not there; one that sleeps is."""
_TEXT = ("name", "datatype", "unit")


class Property(NamedTuple):
    """What a device says of a value: names for people, the kind of its values, its unit; where its own state stands."""

    device: str
    node: str
    name: str
    datatype: str
    unit: str | None
    state_topic: str


def properties(topics: Mapping[str, Topic]) -> dict[str, Property]:
    """Every property that is described, by the topic of its value."""
    found = dict(_fifth(topics))
    found.update(_fourth(topics))
    return found


def _fifth(topics: Mapping[str, Topic]) -> Iterator[tuple[str, Property]]:
    for topic in topics.values():
        base, _, last = topic.name.rpartition("/")
        if last != "$description":
            continue
        facts = _object(topic.text)
        version = facts.get("homie")
        if not isinstance(version, str) or not version.startswith("5"):
            continue
        device = _text(facts, "name") or base.rpartition("/")[2]
        for node_id, node in _objects(facts.get("nodes")):
            for property_id, each in _objects(node.get("properties")):
                name, datatype, unit = (_text(each, key) for key in _TEXT)
                yield (
                    f"{base}/{node_id}/{property_id}",
                    Property(device, _text(node, "name"), name, datatype, unit or None, f"{base}/$state"),
                )


def _fourth(topics: Mapping[str, Topic]) -> Iterator[tuple[str, Property]]:
    devices = {
        name.removesuffix("/$homie") for name, topic in topics.items()
        if name.endswith("/$homie") and topic.text.startswith((b"3.", b"4."))
    }  # fmt: skip
    for name in topics:
        value, _, last = name.rpartition("/")
        parts = value.split("/")
        base = "/".join(parts[:-2])
        if last != "$datatype" or base not in devices:
            continue
        unit = _said(topics, f"{value}/$unit")
        yield (
            value,
            Property(
                _said(topics, f"{base}/$name") or parts[-3], _said(topics, f"{base}/{parts[-2]}/$name"),
                _said(topics, f"{value}/$name"), _said(topics, f"{value}/$datatype"), unit or None, f"{base}/$state",
            ),
        )  # fmt: skip


def _said(topics: Mapping[str, Topic], name: str) -> str:
    topic = topics.get(name)
    return topic.text.decode(errors="replace").strip()[:64] if topic is not None else ""


def _object(text: bytes) -> dict[str, Any]:
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _objects(found: Any) -> Iterator[tuple[str, dict[str, Any]]]:
    if isinstance(found, dict):
        yield from ((key, each) for key, each in found.items() if isinstance(each, dict))


def _text(facts: Mapping[str, Any], key: str) -> str:
    found = facts.get(key)
    return found.strip()[:64] if isinstance(found, str) else ""
