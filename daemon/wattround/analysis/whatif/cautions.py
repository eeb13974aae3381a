"""What no figure says: one honest sentence each."""

from __future__ import annotations

KEEP_ON = (
    "Refrigeration, medical and safety loads must not be switched off for this: wattround knows watts, not what they"
    " are for."
)
HEAT = (
    "In a heated room part of what is saved is paid again for heating; in one that is cooled, cooling is saved as well."
)
MADE_UP = "A load with a thermostat makes up later for some of what it does not draw now; that is not in the figures."
PUMP = (
    "Power goes with the cube of the speed, flow with the speed (affinity laws; common practice): true without a static"
    " head. Where water is lifted, or pressure is kept, it is nearer to the square. What motor and drive lose at low"
    " speed, and what their electronics draw at rest, is not reckoned with; how slow the pump may run, its maker says."
)
LABEL = "A label's year is measured at its standard's use, which may not be yours."
UNAWARE = "Whether a load can wait, or is needed then, only you know."
AS_IF_BOUGHT = "money is as if all energy was bought: with [[tariffs]] what the house made itself is told apart"
