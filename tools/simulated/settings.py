"""The settings file of the invented house, as a person would write it."""

from __future__ import annotations

from pathlib import Path

from simulated.house import METERS, SimMeter

HEAD = """\
# The invented house of the demo.
[house]
id = "quince"
name = "Quince House"
time_zone = "Europe/Madrid"
currency = "EUR"
price_per_kwh = 0.28

[broker]
port = {port}
protocol = "{protocol}"

[ledger]
folder = "{folder}"
checkpoint = "{checkpoint}"
"""
TAIL = """
[[people]]
name = "imre"
topic = "quince/people/imre"
home = ["home"]

[[people]]
name = "odile"
topic = "quince/people/odile"
home = ["home"]

[marks.bedtime]
every = "23:00"
fri = "24:30"
sat = "24:30"

[marks.rising]
every = "06:30"

[[rules]]
name = "television-nobody-home"
load = "television"
occupancy = "empty"
lasting = "10m"

[[rules]]
name = "computer-past-bedtime"
load = "computer"
between = ["bedtime", "rising"]
lasting = "30m"

[[channels]]
name = "hub"
mqtt = true
"""


def _source(meter: SimMeter) -> str:
    match meter.shape:
        case "number":
            return f'power = {{ topic = "{meter.topic}" }}'
        case "counter":
            return f'counter = {{ topic = "{meter.topic}", unit = "kWh" }}'
        case "senml":
            return f'power = {{ topic = "{meter.topic}", senml = "urn:dev:quince:{meter.name}:power" }}'
    return f'power = {{ topic = "{meter.topic}", pointer = "/power", time_pointer = "/at_ms", time_unit = "ms" }}'


def _entry(meter: SimMeter, hold: str) -> str:
    lines = [
        "\n[[meters]]",
        f'name = "{meter.name}"',
        f'label = "{meter.label}"',
        f'role = "{meter.role}"',
        _source(meter),
        f'hold = "{hold}"',
    ]
    if meter.within:
        lines.append(f'within = "{meter.within}"')
    if meter.active_w is not None:
        lines += [f"standby_w = {meter.standby_w}", f"active_w = {meter.active_w}"]
    return "\n".join(lines)


def settings_text(folder: Path, port: int, protocol: str, checkpoint: str = "60s", hold: str = "150s") -> str:
    """The whole file."""
    head = HEAD.format(folder=folder, port=port, protocol=protocol, checkpoint=checkpoint)
    return head + "\n".join(_entry(meter, hold) for meter in METERS) + "\n" + TAIL


def with_page(text: str, port: int) -> str:
    """Settings that serve the page on a port of this machine."""
    return f'{text}\n[page]\nlisten = "127.0.0.1:{port}"\n'
