"""The month's meters, and its settings file as the people of the house would write it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class MonthMeter:
    """A meter, the watts from which its load counts as active, and its noise in watts."""

    name: str
    label: str
    role: str
    active_w: float | None = None
    standby_w: float = 0.5
    tags: tuple[str, ...] = ()
    floor_w: float = 0.05
    stamped: bool = False
    every_ms: int = 60_000

    @property
    def topic(self) -> str:
        """Where it publishes."""
        ends = "reading" if self.stamped else "watts"
        return f"quince/{'plugs' if self.role == 'appliance' else 'board'}/{self.name}/{ends}"

    @property
    def phase_ms(self) -> int:
        """When within its minute it publishes."""
        return sum(map(ord, self.name)) * 1731 % 50_000


def _plug(name: str, label: str, active_w: float, standby_w: float = 0.5, *tags: str) -> MonthMeter:
    return MonthMeter(name, label, "appliance", active_w, standby_w, tags)


def _circuit(name: str, label: str, active_w: float | None, *tags: str, stamped: bool = False) -> MonthMeter:
    return MonthMeter(name, label, "circuit", active_w, 3.0, tags, 0.5, stamped)


SUPPLY = MonthMeter("supply", "Supply", "supply", floor_w=1.0, stamped=True)
METERS = (
    SUPPLY,
    _plug("television", "Television", 40, 5, "comfort"),
    _plug("amplifier", "Amplifier", 15, 5),
    _plug("computer", "Computer", 35, 7),
    _plug("bedroom-cooler", "Bedroom air conditioner", 60, 3, "comfort"),
    _plug("fan-heater", "Fan heater", 200, 0.5, "hot"),
    _plug("iron", "Iron", 200, 0.5, "hot"),
    _plug("dishwasher", "Dishwasher", 30, 2),
    _plug("freezer", "Freezer", 30, 5),
    _plug("dehumidifier", "Dehumidifier", 60, 3),
    _circuit("study-lights", "Study lights", 10, "lights"),
    _circuit("lights-below", "Lights, ground floor", 6, "comfort", "lights"),
    _circuit("lights-above", "Lights, upper floor", 6, "comfort", "lights"),
    _circuit("oven", "Oven", 150, "hot"),
    _circuit("pool-pump", "Pool pump", 200),
    _circuit("refrigerator", "Refrigerator", 40),
    _circuit("water-heater", "Water heater", 300, stamped=True),
    _circuit("heat-pump", "Heat pump", 200, stamped=True),
    _circuit("network", "Network cupboard", None),
)

OF_OCCUPANCY_METERS = tuple(meter for meter in METERS if meter.tags)

HEAD = """\
[house]
id = "quince"
name = "Quince House"
time_zone = "Europe/Madrid"
currency = "EUR"
price_per_kwh = 0.28
latitude = 39.5
longitude = -0.4

[ledger]
folder = "{folder}"
checkpoint = "10m"
"""

TAIL = """
[[people]]
name = "imre"
topic = "quince/people/imre"
home = ["home"]
believable = "75m"               # his phone says every half hour where it is

[[people]]
name = "odile"
topic = "quince/people/odile"
home = ["home"]
believable = "4d"                # hers only when she comes or goes

[occupancy]
settling = "10m"                 # phones are thought away for some minutes when they sleep
guests = { signal = "guests", is = ["yes"] }

[[signals]]
name = "guests"
topic = "quince/house/guests"
believable = "60d"               # a switch: nothing is heard of it for weeks

[[signals]]
name = "bedroom-window"
topic = "quince/sensors/bedroom-window"
believable = "32m"               # sensors speak every quarter of an hour

[[signals]]
name = "study-motion"
topic = "quince/sensors/study-motion"
believable = "32m"

[[signals]]
name = "living-motion"
topic = "quince/sensors/living-motion"
believable = "32m"

[marks.bedtime]
every = "23:00"
fri = "24:30"
sat = "24:30"

[marks.rising]
every = "06:30"
sat = "08:30"
sun = "08:30"

[manners]
quiet = ["22:30", "07:30"]       # what can wait is told in the morning
remind_after = "12h"
reminders = 1
most_a_day = 1                   # at once, beside what is urgent; the rest in the morning

[[channels]]
name = "phone"
mqtt = true
raw = false
"""


RULES = """
# ---- Left on in the empty house. They cycle: a pause of their thermostats is no end. ----

[[rules]]
name = "nobody-home"
tag = "comfort"
occupancy = "empty"
lasting = "10m"
release = "10m"

[[rules]]
name = "hot-nobody-home"
tag = "hot"
occupancy = "empty"
lasting = "5m"
release = "15m"
urgency = "urgent"

# ---- Past bedtime: what can wait for the morning may take its time. Motion sensors clear after three minutes. ----

[[rules]]
name = "computer-past-bedtime"
load = "computer"
between = ["bedtime", "rising"]
signals = [{ signal = "study-motion", is = ["clear"], lasting = "2m" }]
lasting = "35m"                  # longer than a sensor is believed that has died; its backup takes a quarter of an hour
urgency = "digest"

[[rules]]
name = "living-past-bedtime"
loads = ["television", "lights-below"]
between = ["bedtime", "rising"]
signals = [{ signal = "living-motion", is = ["clear"], lasting = "12m" }]
lasting = "35m"
urgency = "digest"

[[rules]]
name = "amplifier-past-bedtime"
load = "amplifier"
between = ["bedtime", "rising"]
lasting = "2h30m"                # some evenings are long
urgency = "digest"

# ---- Hours ----

[[rules]]
name = "pump-outside-its-hours"
load = "pool-pump"
outside = ["10:00", "16:00"]
lasting = "20m"                  # rinsing the filter takes less
urgency = "digest"

[[rules]]
name = "water-heater-at-the-peak"
load = "water-heater"
between = ["18:00", "22:00"]
weekdays = ["mon", "tue", "wed", "thu", "fri"]
lasting = "10m"
urgency = "digest"

# ---- Windows, motion, daylight ----

[[rules]]
name = "cooler-with-window-open"
load = "bedroom-cooler"
signals = [{ signal = "bedroom-window", is = ["open"], lasting = "10m" }]
lasting = "10m"
release = "12m"
urgency = "digest"

[[rules]]
name = "study-lights-without-motion"
load = "study-lights"
signals = [{ signal = "study-motion", is = ["clear"], lasting = "2m" }]
lasting = "35m"
urgency = "digest"

[[rules]]
name = "lights-by-day"
tag = "lights"
together = true
above_w = 60
occupancy = "occupied"
between = ["sunrise+2h", "sunset-2h"]
lasting = "30m"

# ---- How much, how often ----

[[rules]]
name = "dehumidifier-all-day"
load = "dehumidifier"
ran_today = "10h"
urgency = "digest"

[[rules]]
name = "heat-pump-short-cycling"
load = "heat-pump"
starts_per_hour = 5
release = "20m"
urgency = "digest"

[[rules]]
name = "day-spent"
spent = { over_wh = 29500, per = "day" }
urgency = "digest"

# ---- What should be there and is not ----

[[rules]]
name = "meter-silent"
loads = ["freezer", "supply", "heat-pump", "television"]
unheard = "45m"
urgency = "digest"

[[rules]]
name = "freezer-does-not-start"
load = "freezer"
below_w = 10
lasting = "2h"
release = "15m"                  # a gap in its readings is no news; less than it runs at a time
urgency = "urgent"

[[rules]]
name = "broker-away"
trouble = ["broker"]
lasting = "15m"
urgency = "digest"

[[rules]]
name = "tree-exceeded"
load = "supply"
exceeded_by_w = 300
lasting = "3h"                   # meters that read at different instants differ while something cycles
urgency = "digest"
"""
KINDS = {
    "nobody home": ("nobody-home", "hot-nobody-home"),
    "past bedtime": ("computer-past-bedtime", "living-past-bedtime", "amplifier-past-bedtime"),
    "outside or between hours": ("pump-outside-its-hours", "water-heater-at-the-peak"),
    "window, motion, daylight": ("cooler-with-window-open", "study-lights-without-motion", "lights-by-day"),
    "hours, starts, energy": ("dehumidifier-all-day", "heat-pump-short-cycling", "day-spent"),
    "silence, draw, trouble": ("meter-silent", "freezer-does-not-start", "broker-away", "tree-exceeded"),
}
"""Rules by the kind under which they are judged."""
URGENT = ("hot-nobody-home", "freezer-does-not-start")
OCCUPIED = ("lights-by-day",)
BELIEVED_MS = {"nobody-home": 75 * 60_000, "hot-nobody-home": 75 * 60_000, "lights-by-day": 4 * 86_400_000}
"""Rules that ask who is at home. So long after the last word of both phones they may still speak: the house is empty
only by believable word of both, occupied by that of one."""


def _entry(meter: MonthMeter) -> str:
    source = 'pointer = "/power", time_pointer = "/at_ms", time_unit = "ms" ' if meter.stamped else ""
    lines = [
        f'\n[[meters]]\nname = "{meter.name}"\nlabel = "{meter.label}"\nrole = "{meter.role}"',
        f'power = {{ topic = "{meter.topic}"{", " + source if source else " "}}}',
        'hold = "150s"',
        f"standby_w = {meter.standby_w}",
    ]
    if meter.active_w is not None:
        lines.append(f"active_w = {meter.active_w}")
    if meter.tags:
        lines.append(f"tags = {list(meter.tags)}".replace("'", '"'))
    if meter is not SUPPLY:
        lines.append('within = "supply"')
    return "\n".join(lines)


def month_settings(folder: Path) -> str:
    """The whole file."""
    return HEAD.format(folder=folder) + "\n".join(map(_entry, METERS)) + "\n" + TAIL + RULES
