"""What the fuzzer is given, in the ordinary tests: its first inputs, and changes to them made up by hypothesis."""

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from fuzzed.seeds import FOLDER, seeds
from fuzzed.targets import TARGETS, control, message, page, written

BIT = st.one_of(
    st.binary(max_size=8),
    st.sampled_from([b"-1", b"1e999", b"NaN", b'"', b"{", b"]", b"null", b"\xff", b"\x00", b"9" * 400, b"[" * 2000]),
)


@st.composite
def spoilt(draw, target):
    """One of a target's first inputs with a few places changed."""
    data = draw(st.sampled_from(seeds(target)))
    for _ in range(draw(st.integers(0, 4))):
        at = draw(st.integers(0, len(data)))
        data = data[:at] + draw(BIT) + data[at + draw(st.integers(0, 12)) :]
    return data


@pytest.mark.parametrize("target", TARGETS)
def test_what_comes_from_outside_fails_only_in_ways_that_are_stated(target):
    @settings(max_examples=60, deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck))
    @given(st.one_of(spoilt(target), st.binary(max_size=200)))
    def hold(data):
        TARGETS[target](data)

    for seed in seeds(target):
        hold = example(seed)(hold)
    hold()


def test_there_are_first_inputs_for_each_target_and_few_of_them():
    assert {each.name for each in FOLDER.iterdir()} == set(TARGETS)
    assert sum(len(each) for target in TARGETS for each in seeds(target)) < 20_000


@pytest.mark.parametrize("target", [written, control, page])
def test_what_cannot_be_written_down_is_found(target, monkeypatch):
    target(b"{}")
    monkeypatch.setattr("wattround.core.house.HouseCore.snapshot", lambda _self: {1, 2})
    with pytest.raises(TypeError):
        target(b"{}")


def test_an_error_of_the_page_is_found(monkeypatch):
    monkeypatch.setattr("wattround.page.views.episodes_view", lambda *_: 1 / 0)
    with pytest.raises(AssertionError, match="ZeroDivisionError"):
        page(b"GET /episodes")


def test_a_decoder_that_fails_is_found(monkeypatch):
    """The target would tell: it hides nothing that the core lets through."""
    monkeypatch.setattr("wattround.core.house.answer_request", lambda *_, **__: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        message(b"\x0d{}")
