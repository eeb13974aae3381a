"""What is wrong with a tree is said before anything starts: loops, unknown parts, and what would count twice."""

import pytest

from wattround.config.load import examine_text

HOUSE = '[house]\nid = "testhouse"\ntime_zone = "Europe/Berlin"\ncurrency = "EUR"\nprice_per_kwh = 0.25\n'


def read(name, extra=""):
    return f'[[meters]]\nname = "{name}"\npower = {{ topic = "t/{name}" }}\n{extra}\n'


def made(name, extra):
    return f'[[meters]]\nname = "{name}"\n{extra}\n'


def within(parent):
    return f'within = "{parent}"'


def problems(*meters):
    return [(problem.key, problem.text("f")) for problem in examine_text(HOUSE + "".join(meters))[0]]


SUPPLY = read("supply", 'role = "supply"')
LEGS = read("leg-a") + read("leg-b")
RIGHT = {
    "two legs": (SUPPLY, LEGS, made("dryer", 'within = "supply"\nsum_of = ["leg-a", "leg-b"]')),
    "legs that are within": (SUPPLY, read("a", within("dryer")), read("b", within("dryer")),
                             made("dryer", 'within = "supply"\nsum_of = ["a", "b"]')),
    "legs of the supply": (LEGS, made("supply", 'role = "supply"\nsum_of = ["leg-a", "leg-b"]'), read("oven", within("supply"))),
    "a shared clamp": (SUPPLY, read("clamp", within("supply")), read("bath", within("clamp")),
                       made("hall", 'within = "clamp"\nsum_of = ["clamp"]\nless = ["bath"]')),
    "a shared clamp without a place": (SUPPLY, read("clamp"), read("bath", within("supply")),
                                       made("hall", 'within = "supply"\nsum_of = ["clamp"]\nless = ["bath"]')),
    "a gathering": (SUPPLY, read("oven", within("supply")), read("hob", within("supply")), made("cooking", 'sum_of = ["oven", "hob"]')),
    "made of made": (SUPPLY, LEGS, made("dryer", 'within = "supply"\nsum_of = ["leg-a", "leg-b"]'), made("twice", 'sum_of = ["dryer"]\nmultiple = 2.0')),
    "one leg of two": (SUPPLY, read("leg-a"), made("dryer", 'within = "supply"\nsum_of = ["leg-a"]\nmultiple = 2.0')),
    "a battery": (SUPPLY, read("cells", 'role = "storage"\nwithin = "supply"')),
    "two clamps of a battery": (SUPPLY, read("charge"), read("give"), made("cells", 'role = "storage"\nwithin = "supply"\nsum_of = ["charge"]\nless = ["give"]')),
}  # fmt: skip


@pytest.mark.parametrize("meters", RIGHT.values(), ids=RIGHT)
def test_what_is_right_has_no_problems(meters):
    assert problems(*meters) == []


WRONG = {
    "a load within itself": ((read("a", within("a")),), 'meters["a"].within', "a in a"),
    "a loop": ((read("a", within("b")), read("b", within("a"))), 'meters["a"].within', "a in b in a"),
    "made of itself": ((made("a", 'sum_of = ["a"]'),), 'meters["a"].sum_of', "a of a"),
    "made of each other": ((made("a", 'sum_of = ["b"]'), made("b", 'sum_of = ["c"]\nless = ["a"]'), read("c")), 'meters["a"].sum_of', "a of b of a"),
    "an unknown part": ((SUPPLY, made("a", 'sum_of = ["suply"]')), 'meters["a"].sum_of[1]', "did you mean supply?"),
    "an unknown part taken off": ((SUPPLY, made("a", 'sum_of = ["supply"]\nless = ["ovn"]'), read("oven")), 'meters["a"].less[1]', "did you mean oven?"),
    "a part twice": ((SUPPLY, made("a", 'sum_of = ["supply", "supply"]')), 'meters["a"].sum_of', "multiple = 2.0"),
    "added and taken off": ((SUPPLY, made("a", 'sum_of = ["supply"]\nless = ["supply"]')), 'meters["a"].sum_of', "each part once"),
    "read and computed": ((SUPPLY, read("a", 'sum_of = ["supply"]')), 'meters["a"].power', "read, or computed"),
    "a hold of what is not read": ((SUPPLY, made("a", 'sum_of = ["supply"]\nhold = "5s"')), 'meters["a"].hold', "read, or computed"),
    "nothing to take off from": ((SUPPLY, read("a", 'less = ["supply"]')), 'meters["a"].less', "sum_of = [...] beside it"),
    "a multiple of what is read": ((read("a", "multiple = 2.0"),), 'meters["a"].multiple', "factor on its source"),
    "nothing at all": ((SUPPLY, made("a", "sum_of = []")), 'meters["a"].sum_of', "at least one"),
    "a negative multiple": ((SUPPLY, made("a", 'sum_of = ["supply"]\nmultiple = -1.0')), 'meters["a"].multiple', "0"),
    "a pattern": ((SUPPLY, made("{plug}", 'sum_of = ["supply"]')), 'meters["{plug}"].name', "a plain name"),
    "a part that is a child too": (
        (SUPPLY, read("leg-a", within("supply")), read("leg-b"), made("dryer", 'within = "supply"\nsum_of = ["leg-a", "leg-b"]')),
        'meters["dryer"].sum_of', "leg-a counted twice"),
    "a part deeper in the tree": (
        (SUPPLY, read("board", within("supply")), read("oven", within("board")), made("x", 'within = "supply"\nsum_of = ["oven"]')),
        'meters["x"].sum_of', "oven counted twice"),
    "one leg in two circuits": (
        (SUPPLY, LEGS, made("x", 'within = "supply"\nsum_of = ["leg-a", "leg-b"]'), made("y", 'within = "supply"\nsum_of = ["leg-a"]')),
        'meters["y"].sum_of', "leg-a counted twice"),
    "parts that are children beside others": (
        (SUPPLY, read("a", within("d")), read("b", within("d")), read("plug", within("d")), made("d", 'within = "supply"\nsum_of = ["a", "b"]')),
        'meters["a"].within', "plug is within d too"),
    "within a part": ((SUPPLY, LEGS, made("d", 'within = "supply"\nsum_of = ["leg-a", "leg-b"]'), read("plug", within("leg-a"))), 'meters["plug"].within', '"d"'),
    "within what only gathers": (
        (SUPPLY, read("oven", within("supply")), made("all", 'sum_of = ["oven"]'), read("fan", within("all"))),
        'meters["fan"].within', "only gathers"),
    "two accuracies": ((read("a", 'accuracy_percent = 2.0\nmeter_class = "B"'),), 'meters["a"].meter_class', "one or the other"),
    "a class that there is not": ((read("a", 'clamp_class = "2"'),), 'meters["a"].clamp_class', "'0.2', '0.5'"),
    "an accuracy of what is computed": ((SUPPLY, made("a", 'sum_of = ["supply"]\nmeter_class = "B"')), 'meters["a"].meter_class', "the accuracy of its parts"),
}  # fmt: skip


@pytest.mark.parametrize(("meters", "key", "says"), WRONG.values(), ids=WRONG)
def test_what_is_wrong_is_said_with_the_key(meters, key, says):
    found = problems(*meters)

    assert key in [where for where, _ in found], found
    assert any(says in text for where, text in found if where == key), found
    assert all(": error: " in text for _, text in found)


def test_a_part_that_a_pattern_may_yet_bring_is_only_warned_of():
    pattern = '[[meters]]\nname = "{plug}"\npower = { topic = "p/{plug}" }\n'
    (found,) = problems(pattern, made("all", 'sum_of = ["tv"]'))

    assert "warning" in found[1]


def test_a_computed_meter_is_not_fed_by_a_pattern():
    from wattround.ingest.feed import effective_meters

    pattern = '[[meters]]\nname = "{plug}"\npower = { topic = "p/{plug}" }\n'
    settings = examine_text(HOUSE + pattern + SUPPLY + made("all", 'sum_of = ["supply"]'))[1]

    assert effective_meters(settings)["all"].power is None
