"""Power and energy are recognised in payloads of 230 generated kinds, and what is called sure is right."""

import re
from collections import Counter

import pytest

from support.zoo import LAYOUTS, zoo
from wattround.analysis.scout.draft import Broker, draft
from wattround.analysis.scout.scouting import scouted
from wattround.config.load import examine_text
from wattround.ingest.feed import Router, feeds_of


@pytest.fixture(scope="module")
def visited():
    """What is made of every shape."""
    return [(shape, scouted(shape.messages)) for shape in zoo()]


def test_there_are_at_least_200_shapes(visited):
    assert len(visited) >= 200
    assert len(LAYOUTS) >= 20


def test_95_of_100_powers_and_energies_are_recognised(visited):
    missed, count = [], 0
    for shape, found in visited:
        known = {(value.topic, value.of.where.at): value for value in found.values}
        for place, true in shape.truth.items():
            count += 1
            value = known.get(place)
            if value is None or value.quantity != true.quantity or value.refused:
                missed.append((shape.name, place))

    assert count > 800
    assert len(missed) <= 0.05 * count, missed


def test_every_proposal_that_is_called_sure_is_right(visited):
    """In its quantity and in its unit; and nothing else is ever called sure."""
    wrong, count = [], 0
    for shape, found in visited:
        for value in found.values:
            if not value.is_wanted or not value.of.is_number or value.surety != "sure":
                continue
            count += 1
            true = shape.truth.get((value.topic, value.of.where.at))
            if true is None or true.quantity != value.quantity or value.unit.factor != pytest.approx(true.factor):
                wrong.append((shape.name, value.topic, value.of.where.at, value.because))

    assert count > 500
    assert wrong == []


def test_most_units_are_right_even_where_they_are_not_said(visited):
    count = Counter()
    for shape, found in visited:
        for value in found.values:
            true = shape.truth.get((value.topic, value.of.where.at))
            if true is not None and value.is_wanted and value.unit is not None:
                count[value.unit.factor == pytest.approx(true.factor)] += 1

    assert count[True] >= 0.9 * count.total()


@pytest.mark.parametrize("layout", ["wrong_power_unit", "wrong_energy_unit"])
def test_a_wrong_unit_is_mended_or_asked_about_never_believed(visited, layout):
    """kW that are W, kWh that are Wh: power and energy contradict each other."""
    mended = 0
    for shape, found in visited:
        if not shape.name.startswith(layout):
            continue
        for value in found.values:
            true = shape.truth.get((value.topic, value.of.where.at))
            if true is None:
                continue
            is_right = value.unit.factor == pytest.approx(true.factor)
            assert is_right or (value.surety == "open" and value.question), (shape.name, value.because)
            mended += is_right and value.surety == "sure" and value.unit != value.stated

    assert mended >= 5


def test_every_draft_can_be_checked_as_it_stands(visited):
    drafted = 0
    for shape, found in visited:
        if not found.meters:
            continue
        problems, settings = examine_text(draft(found, Broker(), "Europe/Madrid"))
        assert [problem.text("draft") for problem in problems] == [], shape.name
        assert settings is not None
        drafted += 1

    assert drafted >= 180


def test_what_the_daemon_cannot_read_is_left_out_with_its_reason(visited):
    """Lines of text: recognised, and told."""
    for shape, found in visited:
        if shape.name.split()[0] == "key_value_lines":
            told = [row for row in found.left_out if row.recognised]
            assert sum(row.number for row in told) >= len(shape.truth), shape.name
            assert not found.meters


@pytest.mark.parametrize("layout", ["number_with_unit", "comma_decimals"])
def test_numbers_that_are_not_bare_are_read_by_the_draft_as_they_are_written(visited, layout):
    """Every payload of the shape, through the daemon's own decoding by the draft: the number in the unit that is proposed."""
    read = 0
    for shape, found in visited:
        if shape.name.split()[0] != layout:
            continue
        _, settings = examine_text(draft(found, Broker(), "UTC"))
        router, units = Router(settings), {value.topic: value.unit for value in found.values}
        for each in shape.messages[:-1]:  # the last is the recording's end
            for meter, name in router.newcomers(each.topic) if each.topic not in router.exact else ():
                for feed in feeds_of(meter, name):
                    router.add(feed)
            unit = units.get(each.topic) if (each.topic, "") in shape.truth else None
            for feed in router.exact.get(each.topic, ()) if unit is not None else ():
                number = re.match(r"[-\d.,]+", each.payload.decode())[0].replace(",", ".")
                assert feed.values(each.payload, each.at_ms) == [(pytest.approx(float(number) * unit.factor), None)]
                read += 1

    assert read > 500
