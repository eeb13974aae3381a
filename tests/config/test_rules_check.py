"""Rules that cannot work are found with line, key and advice; good rules of every kind give no finding."""

import pytest

from wattround.config.load import examine_text

BASE = """[house]
id = "testhouse"
time_zone = "Europe/Berlin"
currency = "EUR"
price_per_kwh = 0.25
latitude = 52.5
longitude = 13.4
[[meters]]
name = "supply"
role = "supply"
power = { topic = "t/supply" }
[[meters]]
name = "kitchen"
within = "supply"
breaker_a = 16
power = { topic = "t/kitchen" }
[[meters]]
name = "tv"
role = "appliance"
tags = ["screens"]
standby_w = 2
active_w = 40
highest_w = 4000
power = { topic = "t/tv" }
[[meters]]
name = "fridge"
role = "appliance"
tags = ["cold"]
within = "kitchen"
active_w = 30
power = { topic = "t/fridge" }
[[people]]
name = "imre"
topic = "p/imre"
home = ["home"]
[[signals]]
name = "window"
topic = "s/window"
believable = "30d"
[[signals]]
name = "outside"
topic = "s/outside"
[[channels]]
name = "phone"
url_file = "/run/phone"
[marks.bedtime]
every = "23:00"
sat = "24:30"
[marks.rising]
every = "06:30"
[marks.party]
fri = "20:00"
"""
HEAD_LINES = BASE.count("\n")


def rule(text):
    return BASE + f'[[rules]]\nname = "r"\n{text}\n'


def findings(text):
    return examine_text(text)[0]


def only(text):
    found = findings(text)
    assert len(found) == 1, [problem.text("f") for problem in found]
    return found[0]


GOOD = """
load = "tv"
load = "tv"; occupancy = "empty"; between = ["bedtime", "rising"]; lasting = "20m"
loads = ["tv", "fridge"]; level = "standby"; lasting = "3h"
load = "tv"; level = ["standby", "active"]; occupancy = "occupied"
load = "tv"; level = "off"; weekdays = ["sat", "sun"]
tag = "screens"; occupancy = "empty"
tag = "screens"; together = true; above_w = 300
loads = ["tv", "fridge"]; together = true; level = "active"
load = "supply"; above_w = 5000; lasting = "15m"
load = "supply"; above_w = 5000; release_w = 4000
load = "supply"; below_w = -500; lasting = "10m"
load = "fridge"; below_w = 5; release_w = 10; lasting = "2h"
load = "supply"; above_w = 100; below_w = 200
load = "kitchen"; breaker_share = 0.8
load = "tv"; between = ["sunset+30m", "23:00"]
load = "tv"; between = ["sunset", "sunrise-1h30m"]
load = "tv"; between = ["22:00", "25:30"]
load = "tv"; outside = ["07:00", "22:00"]
load = "tv"; between = ["party", "rising"]; weekdays = ["fri"]
load = "tv"; weekdays = ["mon", "tue"]
load = "tv"; signals = [{ signal = "window", is = "open", lasting = "5m" }]
load = "tv"; signals = [{ signal = "window", is_not = ["closed", "ajar"] }, { signal = "outside", below = 10 }]
load = "tv"; signals = [{ signal = "outside", above = 5, below = 25 }]
load = "tv"; signals = [{ signal = "outside", above = 5 }, { signal = "outside", below = 25 }]
load = "tv"; signals = [{ signal = "outside", is = ["1", "2", "30"], above = 5 }]
load = "tv"; signals = [{ signal = "window", is = ["open", "ajar"] }, { signal = "window", is = ["open"], lasting = "1h" }]
signals = [{ signal = "window", is = true }]; occupancy = "empty"
load = "tv"; ran_today = "4h"
load = "fridge"; starts_per_hour = 6
load = "tv"; spent = { over_wh = 500 }
load = "tv"; spent = { over_money = 3.5, per = "week", on_course = true }
spent = { over_wh = 300000, per = "month", on_course = true }
base_load_up_w = 30
load = "tv"; unheard = "1h"
load = "kitchen"; exceeded_by_w = 50; lasting = "5m"
trouble = ["broker", "disk"]
load = "tv"; urgency = "urgent"; tell = ["phone"]; remind_after = "1h"; release = "0s"
occupancy = "empty"; between = ["09:00", "17:00"]
""".strip().splitlines()


@pytest.mark.parametrize("text", GOOD)
def test_a_good_rule_of_every_kind_gives_no_finding(text):
    found, settings = examine_text(rule(text.replace("; ", "\n")))

    assert [problem.text("f") for problem in found] == []
    assert settings.rules[0].name == "r"


# the rule; the line of it that is named, counted from its name = 1; the key; what the advice must say
BAD = [
    # names that there are not
    ('load = "tvv"', 2, "load", "did you mean tv?"),
    ('loads = ["tv", "frigde"]', 2, "loads[2]", "did you mean fridge?"),
    ('tag = "screen"', 2, "tag", "did you mean screens?"),
    ('load = "tv"\nsignals = [{ signal = "windw", is = "open" }]', 3, "signals[1].signal", "did you mean window?"),
    ('load = "tv"\nbetween = ["bedtim", "rising"]', 3, "between[1]", "did you mean bedtime?"),
    ('load = "tv"\noutside = ["bedtime", "risin"]', 3, "outside[2]", "did you mean rising?"),
    ('load = "tv"\ntell = ["phon"]', 3, "tell[1]", "did you mean phone?"),
    ('load = "tv"\nlevle = "off"', 3, "levle", "did you mean level?"),
    ('load = "tv"\nlevel = "onn"', 3, "level[1]", "active"),
    ('load = "tv"\nurgency = "now"', 3, "urgency", "urgent"),
    ('trouble = ["network"]', 2, "trouble[1]", "broker"),
    ('load = "tv"\nweekdays = ["monday"]', 3, "weekdays[1]", "mon"),
    ('load = "tv"\noccupancy = "away"', 3, "occupancy", "empty"),
    ('load = "tv"\nspent = { over_wh = 5, per = "year" }', 3, "spent.per", "month"),
    # times that there are not
    ('load = "tv"\nbetween = ["25:61", "rising"]', 3, "between[1]", '"22:30"'),
    ('load = "tv"\nbetween = ["30:00", "rising"]', 3, "between[1]", '"22:30"'),
    ('load = "tv"\nbetween = ["sunset+", "23:00"]', 3, "between[1]", '"sunset+30m"'),
    ('load = "tv"\nbetween = ["sunset+1x", "23:00"]', 3, "between[1]", '"sunset+30m"'),
    ('load = "tv"\nbetween = ["sunset+100h", "23:00"]', 3, "between[1]", "at most 12 h"),
    ('load = "tv"\nbetween = ["bedtime"]', 3, "between[2]", ""),
    ('load = "tv"\nbetween = ["bedtime", "bedtime"]', 3, "between", "two different edges"),
    ('load = "tv"\nlasting = "20"', 3, "lasting", '"10m"'),
    ('load = "tv"\nlasting = "8d"', 3, "lasting", ""),
    ('load = "tv"\nunheard = "10s"', 3, "unheard", ""),
    # what is said together and does not go together
    ('load = "tv"\ntag = "screens"', 3, "tag", "one of load, loads and tag"),
    ('load = "tv"\ntogether = true', 3, "together", "loads = [...] or tag"),
    ('lasting = "5m"', 0, "", "load = ..."),
    ("above_w = 100", 2, "above_w", "load = ..."),
    ('level = "active"', 2, "level", "load = ..."),
    ('unheard = "1h"', 2, "unheard", "load = ..."),
    ('load = "tv"\nbase_load_up_w = 5', 3, "base_load_up_w", "no load beside it"),
    ('load = "tv"\ntrouble = ["disk"]', 3, "trouble", "no load beside it"),
    ('load = "tv"\nspent = { per = "week" }', 3, "spent", "over_wh or over_money"),
    ('load = "tv"\nsignals = [{ signal = "window" }]', 3, "signals[1]", "is ="),
    ('loads = ["tv", "fridge"]\ntogether = true\nunheard = "1h"', 4, "unheard", "each by itself"),
    ('load = "tv"\nrelease_w = 5', 3, "release_w", "above_w or below_w"),
    ('load = "supply"', 0, "", "active_w on the meter supply"),
    ('load = "kitchen"\nran_today = "1h"', 3, "ran_today", "active_w on the meter kitchen"),
    ('load = "kitchen"\nstarts_per_hour = 3', 3, "starts_per_hour", "active_w on the meter kitchen"),
    ('load = "tv"\nbreaker_share = 0.8', 3, "breaker_share", "breaker_a on the meter tv"),
    ('load = "fridge"\nexceeded_by_w = 5', 3, "exceeded_by_w", "a meter that others are within"),
    # what can never be true
    ('load = "supply"\nabove_w = 200\nbelow_w = 200', 3, "above_w", "bounds between which there is room"),
    ('load = "supply"\nabove_w = 200\nrelease_w = 300', 4, "release_w", "at most above_w, 200"),
    ('load = "supply"\nbelow_w = 200\nrelease_w = 100', 4, "release_w", "at least below_w, 200"),
    ('load = "kitchen"\nbreaker_share = 0.5\nrelease_w = 3000', 4, "release_w", "at most 1840"),
    ('load = "tv"\nabove_w = 5000', 3, "above_w", "highest_w of tv"),
    ('load = "tv"\nbelow_w = -50', 3, "below_w", "can never be true"),
    ('load = "tv"\nlevel = "off"\nabove_w = 10', 4, "above_w", "tv is not off at that draw"),
    ('load = "tv"\nlevel = "standby"\nabove_w = 40', 4, "above_w", "tv is not standby at that draw"),
    ('load = "tv"\nlevel = "active"\nbelow_w = 30', 4, "below_w", "tv is not active at that draw"),
    ('load = "tv"\nbetween = ["12:00", "12:05"]', 0, "lasting", "can never be true"),
    ('load = "tv"\nbetween = ["12:00", "13:00"]\nlasting = "2h"', 4, "lasting", "can never be true"),
    ('load = "tv"\nbetween = ["12:00", "13:00"]\nlasting = "1h"', 4, "lasting", "can never be true"),
    ('load = "tv"\nbetween = ["party", "rising"]\nweekdays = ["mon"]', 4, "weekdays", "a weekday that has the mark party"),
    ('load = "tv"\nsignals = [{ signal = "window", is = "open" }, { signal = "window", is = "closed" }]', 3, "signals[2]", "can never be true"),
    ('load = "tv"\nsignals = [{ signal = "window", is = "open" }, { signal = "window", is_not = "open" }]', 3, "signals[2]", "can never be true"),
    ('load = "tv"\nsignals = [{ signal = "outside", above = 20 }, { signal = "outside", below = 10 }]', 3, "signals[2]", "can never be true"),
    ('load = "tv"\nsignals = [{ signal = "outside", is = "10" }, { signal = "outside", above = 20 }]', 3, "signals[2]", "can never be true"),
    ('load = "tv"\nsignals = [{ signal = "window", is = "open", is_not = "open" }]', 3, "signals[1].is_not", "can never be true"),
    ('load = "tv"\nsignals = [{ signal = "outside", above = 20, below = 10 }]', 3, "signals[1].above", "room"),
    ('load = "tv"\nsignals = [{ signal = "outside", is = "warm", above = 20 }]', 3, "signals[1]", "can never be true"),
    ('load = "tv"\nran_today = "24h"', 3, "ran_today", "less than a day"),
    ('load = "tv"\nran_today = "23h"\nlasting = "2h"', 3, "ran_today", "less than a day"),
    ('load = "tv"\nunheard = "1h"\nlevel = "active"', 4, "level", "can never be true"),
    ('load = "tv"\nunheard = "1h"\nabove_w = 5', 4, "above_w", "can never be true"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "line", "key", "advice"), BAD)
def test_a_bad_rule_is_found_with_line_key_and_advice(text, line, key, advice):
    problem = only(rule(text))

    assert problem.severity == "error"
    assert problem.key == (f'rules["r"].{key}' if key else 'rules["r"]')
    assert problem.line == HEAD_LINES + (1 + line if line else problem.line - HEAD_LINES)
    assert HEAD_LINES < problem.line <= HEAD_LINES + 2 + text.count("\n") + 1
    assert advice in f"{problem.expected} {problem.hint}"


def test_occupancy_without_people_is_found():
    text = rule('load = "tv"\noccupancy = "empty"').replace(
        '[[people]]\nname = "imre"\ntopic = "p/imre"\nhome = ["home"]\n', ""
    )

    assert only(text).key == 'rules["r"].occupancy'


@pytest.mark.parametrize("edge", ["sunrise", "sunset", "sunset+30m", "sunrise-1h"])
def test_the_sun_needs_a_place(edge):
    text = rule(f'load = "tv"\nbetween = ["{edge}", "23:30"]').replace("latitude = 52.5\n", "")
    problem = only(text)

    assert problem.key == 'rules["r"].between[1]'
    assert "latitude and longitude in [house]" in problem.expected


def test_a_rule_of_the_house_and_a_meter_of_that_name_would_be_mistaken_for_each_other():
    assert only(rule("base_load_up_w = 30").replace('"fridge"', '"house"')).key == 'meters["house"].name'


def test_a_rule_that_nobody_is_told_of_is_only_warned_of():
    problem = only(rule('load = "tv"').replace('[[channels]]\nname = "phone"\nurl_file = "/run/phone"\n', ""))

    assert problem.severity == "warning"
    assert "nobody is told" in problem.expected


def test_a_breaker_that_no_reading_can_reach_is_found():
    text = rule('load = "kitchen"\nbreaker_share = 0.8').replace(
        "breaker_a = 16\n", "breaker_a = 16\nhighest_w = 2000\n"
    )

    assert only(text).key == 'rules["r"].breaker_share'


def test_every_bad_rule_is_found_at_once():
    text = BASE + "".join(f'[[rules]]\nname = "r{number}"\n{bad}\n' for number, (bad, *_) in enumerate(BAD))
    found = {problem.key.split("]")[0] for problem in findings(text)}

    # where one is malformed, the others are still looked at
    assert {f'rules["r{number}"' for number in range(len(BAD))} <= found


# -- occupancy, manners, templates --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "key", "advice"),
    [
        ('[occupancy]\nguests = { signal = "windw", is = "on" }', "occupancy.guests.signal", "window"),
        ('[occupancy]\nguests = { signal = "window" }', "occupancy.guests", "is ="),
        ('[occupancy]\nsettling = "2d"', "occupancy.settling", ""),
        ('[manners]\nquiet = ["bedtim", "rising"]', "manners.quiet[1]", "bedtime"),
        ('[manners]\nquiet = ["rising", "rising"]', "manners.quiet", "two different edges"),
        ('[manners]\ndigest_at = "25:61"', "manners.digest_at", '"22:30"'),
        ('[manners]\ndigest_at = "noon"', "manners.digest_at", "mark"),
        ("[manners]\nmost_a_day = 0", "manners.most_a_day", ""),
        ('[manners]\ngather = "1h"', "manners.gather", ""),
        ("[manners]\nreminders = -1", "manners.reminders", ""),
        ('[templates.raisd]\ntitle = "x"', "templates.raisd", "raised"),
        ('[templates.raised]\ntitel = "x"', "templates.raised.titel", "title"),
    ],
)
def test_ways_of_telling_that_cannot_work_are_found(text, key, advice):
    problem = only(BASE + text + "\n")

    assert problem.key == key
    assert problem.line > HEAD_LINES
    assert advice in f"{problem.expected} {problem.hint}"


def test_good_ways_of_telling_give_no_finding():
    text = """
[occupancy]
settling = "10m"
guests = { signal = "window", is = "open" }
[manners]
quiet = ["bedtime", "rising"]
digest_at = "sunrise+1h"
gather = "0s"
reminders = 0
[templates.raised]
title = "{{ house }}: {{ lines[0].label }}"
body = "{% for line in lines %}{{ line.sentence }} {{ line.watts }} {{ line.note }}{% endfor %}"
[templates.digest]
title = "{{ lines|length }} things, {{ energy }}, {{ cost }}{{ ' and more' if held_back }}"
"""

    assert [problem.text("f") for problem in findings(BASE + text)] == []


@pytest.mark.parametrize(
    ("template", "says"),
    [
        ("{{ lines", ""),
        ("{% for line in lines %}", "endfor"),
        ("{{ wats }}", "'wats' is undefined"),
        ("{{ lines[0].lable }}", "lable"),
        ("{{ lines[1].label }}", ""),  # there may be one only
        ("{{ lines|lengthh }}", "lengthh"),
        ("{{ 1 / 0 }}", "zero"),
        ("{{ watts + 1 }}", ""),
        ("", "empty title"),
        ("{{ '' }}", "empty title"),
        ("{% if lines|length > 1 %}x{% endif %}", "empty title"),
        ("{% include 'x' %}", ""),
        ("{% import 'os' as os %}", ""),
        ("{{ cycler() }}", ""),
        # out of the sandbox
        ("{{ ''.__class__.__mro__ }}", "unsafe"),
        ("{{ ''.__class__.__mro__[1].__subclasses__() }}", "unsafe"),
        ("{{ lines.__class__ }}", "unsafe"),
        ("{{ lines[0].__class__.__init__.__globals__ }}", "unsafe"),
        ("{{ ''|attr('__class__') }}", "unsafe"),
        ("{{ '{0.__class__}'.format('') }}", "unsafe"),
        ("{{ self.__init__.__globals__ }}", ""),
        ("{{ cycler.__init__.__globals__.os }}", "unsafe"),
        ("{% for n in range(1000000000) %}x{% endfor %}", ""),
    ],
)
def test_a_template_that_fails_or_breaks_out_is_found_by_trying_it(template, says):
    problem = only(BASE + f'[templates.raised]\ntitle = """{template}"""\n')

    assert problem.key == "templates.raised.title"
    assert problem.line == HEAD_LINES + 2
    assert says in problem.found


@pytest.mark.parametrize("kind", ["raised", "settled", "reminder", "digest"])
@pytest.mark.parametrize("part", ["title", "body"])
def test_each_template_is_tried(kind, part):
    assert only(BASE + f'[templates.{kind}]\n{part} = "{{{{ nothing }}}}"\n').key == f"templates.{kind}.{part}"
