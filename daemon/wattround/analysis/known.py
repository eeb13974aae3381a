"""The meters of a house, as its settings and its ledger have them."""

from __future__ import annotations

from wattround.config.model import Meter, Settings
from wattround.ingest.feed import effective_meters
from wattround.ledger.past import Past


def known_meters(past: Past, settings: Settings) -> dict[str, Meter]:
    """The meters of the file, and those that a pattern of it has captured."""
    found = dict(effective_meters(settings))
    for name in past.captured():
        for pattern in settings.meters:
            if pattern.captured and name not in found:
                found[name] = pattern
    return found
