"""Where a load hangs: the deepest meter that moves with it, or cannot tell."""

import pytest

from support.house import settings_of
from wattround.analysis.walk.combine import Combined
from wattround.analysis.walk.house import House
from wattround.analysis.walk.place import place
from wattround.analysis.walk.step import Step
from wattround.ingest.feed import effective_meters

METERS = """
[[meters]]
name = "supply"
role = "supply"
power = { topic = "t/supply" }
[[meters]]
name = "roof"
role = "generation"
within = "supply"
power = { topic = "t/roof" }
[[meters]]
name = "board"
within = "supply"
power = { topic = "t/board" }
[[meters]]
name = "study"
within = "board"
power = { topic = "t/study" }
[[meters]]
name = "plug"
role = "appliance"
within = "study"
power = { topic = "t/plug" }
[[meters]]
name = "kitchen"
within = "board"
power = { topic = "t/kitchen" }
[[meters]]
name = "dryer"
within = "supply"
sum_of = ["leg-a", "leg-b"]
[[meters]]
name = "leg-a"
power = { topic = "t/a" }
[[meters]]
name = "leg-b"
power = { topic = "t/b" }
[[meters]]
name = "both"
sum_of = ["study", "kitchen"]
"""


def wiring(more=""):
    return House(effective_meters(settings_of(METERS + more))).wiring


def moves(wired=None, **watts):
    """Every meter, the named ones moved so far; 0.5 W of noise, or (watts, noise)."""
    wired = wired or wiring()
    found = {}
    for name in [*wired.tree.children, "leg-a", "leg-b"]:
        of = watts.get(name.replace("-", "_"), 0.0)
        level, u_w = of if isinstance(of, tuple) else (of, 0.5)
        found[name] = Combined(level, u_w, 0.0, 6.0, 3)
    return place(wired, found)


@pytest.mark.parametrize(
    ("watts", "where"),
    [
        ({"supply": 60, "board": 60, "study": 60, "plug": 60, "both": 60}, "plug"),
        ({"supply": 60, "board": 60, "study": 60, "both": 60}, "study"),
        ({"supply": 61.5, "board": 60, "study": 57}, "study"),  # meters of 5 %
        ({"supply": 60, "board": 60}, "board"),
        ({"supply": 60}, "supply"),
        ({"supply": (60, 40.0), "board": 60, "kitchen": 60}, "kitchen"),  # the supply is too noisy to move clearly
        ({"supply": 2000, "dryer": 2000, "leg_a": 1000, "leg_b": 1000}, "dryer"),
        ({"supply": 60, "board": 60, "study": 60, "roof": -300}, "study"),  # a cloud
        ({}, None),
        ({"supply": 1.2, "board": 1.2, "study": 1.2}, None),  # below the noise
        ({"study": 60, "dryer": 60}, None),  # nothing to do with each other
    ],
)
def test_the_deepest_that_moves_is_the_place(watts, where):
    assert moves(**watts).name == where


def test_two_that_have_nothing_to_do_with_each_other_are_both_named():
    assert moves(study=60, dryer=80, supply=(140, 60)).candidates == ("dryer", "study")


def test_a_load_on_two_circuits_is_on_what_is_around_both():
    found = moves(supply=2000, board=2000, study=1200, kitchen=800)

    assert found.name == "board"
    assert found.remarks == ("it is on several circuits: study 1200 W, kitchen 800 W",)


def test_a_meter_that_moves_half_as_far_as_what_is_around_it_is_told():
    found = moves(supply=100, board=50)

    assert found.name == "board"
    assert "supply moved 2.0 times as far as board" in found.remarks[0]


def test_a_meter_around_it_that_does_not_move_is_told_but_not_beside_a_battery():
    assert "supply is said to be around it, but did not move" in moves(study=60, board=60).remarks[0]
    battery = wiring('[[meters]]\nname = "battery"\nrole = "storage"\nwithin = "supply"\npower = { topic = "t/bat" }\n')
    assert moves(battery, study=60, board=60).remarks == ()


def test_a_circuit_that_is_too_noisy_to_tell_is_left_open():
    found = moves(supply=60, board=60, kitchen=(20, 30.0))

    assert found.name == "board"
    assert found.doubtful == ("kitchen",)


def test_a_computed_meter_steps_as_its_parts_do():
    steps = wiring().with_computed({"leg-a": Step(300.0, 3.0, 5.0), "leg-b": Step(200.0, 4.0, 4.0)})

    assert steps["dryer"].watts == 500.0
    assert steps["dryer"].u_w == pytest.approx(5.0)  # 3, 4, 5
    assert "both" not in steps
