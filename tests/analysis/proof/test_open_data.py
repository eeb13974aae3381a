"""Real daily energy and weather, with changes that never happened: an interval should hold nothing saved.

AMPds2 (Makonin et al. 2016, CC BY 4.0): gas of a furnace in Burnaby. UCI household (CC BY 4.0) with GHCN-Daily weather
(Menne et al. 2012): electricity of a house in Sceaux and three of its circuits.
"""

import csv
from datetime import date

import numpy as np
import pytest
from scipy.stats import binom

from analysis.proof.invented import frame
from wattround.analysis.proof.data import LoadHistory
from wattround.analysis.proof.fitted import fitted
from wattround.analysis.proof.prove import prove
from wattround.analysis.proof.search import search

GAS = "ampds2_furnace_gas/daily_gas_and_temperature.csv", "gas_kwh_at_10.6kWh_per_m3", "t_avg_hourly_c"
SCEAUX = "paris_sceaux_daily/daily_energy_and_temperature.csv"


def history(folder, file, energy, temperature):
    with (folder / file).open() as opened:
        rows = list(csv.DictReader(opened))
    whole = [1440.0 if file == GAS[0] else float(row["minutes"] or 0) for row in rows]
    return LoadHistory(
        [date.fromisoformat(row["date"]) for row in rows],
        1000 * np.array([float(row[energy] or 0) for row in rows]),
        np.minimum(np.array(whole) / 1440, 1),
        np.array([float(row[temperature] or "nan") for row in rows]),
    )


def part(whole, begin, end):
    some = slice(begin, end)
    return LoadHistory(whole.days[some], whole.energy_wh[some], whole.coverage[some], whole.temperature_c[some])


def test_a_furnaces_model(open_data):
    """The data's own README: kWh/day = 8.4 max(8 - T, 0), R2 0.88."""
    whole = history(open_data, *GAS)
    days = frame(whole.energy_wh, whole.temperature_c, whole.days[0])
    centres = np.zeros(0)
    model = fitted(days, centres, search(days, centres))
    assert model.spec.heating_c == pytest.approx(8, abs=1.5)
    (slope,) = [each.value for each in model.coefficients if each.name == "heating degree days"]
    assert slope == pytest.approx(8400, rel=0.15)
    assert model.goodness.r2 == pytest.approx(0.88, abs=0.03)


@pytest.mark.parametrize(
    "series",
    [GAS, *((SCEAUX, column, "tavg_c") for column in ("kwh_total", "kwh_sub1", "kwh_sub2", "kwh_sub3"))],
    ids=lambda series: series[1],
)
def test_changes_that_never_happened_have_saved_nothing(open_data, series):
    whole = history(open_data, *series)
    random = np.random.default_rng(3)
    covered = []
    for _ in range(25):
        before, since = int(random.integers(90, 400)), int(random.integers(28, 200))
        at = int(random.integers(before, len(whole.days) - since))
        proof = prove(part(whole, at - before, at + since + 1), whole.days[at])
        if proof.verdict != "too little data":
            avoided = proof.evidence.avoided_wh_per_day
            covered.append(avoided.low <= 0 <= avoided.high)
    assert len(covered) >= 6
    assert binom.cdf(sum(covered), len(covered), 0.88) > 1e-2


@pytest.mark.parametrize(("series", "share"), [(GAS, 0.25), ((SCEAUX, "kwh_sub3", "tavg_c"), 0.6)])
def test_an_invented_saving_is_held_by_the_interval(open_data, series, share):
    """So much less from some day on. A furnace whose days drift for weeks on end does not show a quarter of its gas."""
    whole = history(open_data, *series)
    whole.energy_wh[366:] *= 1 - share
    proof = prove(part(whole, 0, 731), whole.days[365])
    avoided = proof.evidence.avoided_wh_per_day
    assert avoided.low < share * proof.evidence.expected_wh_per_day < avoided.high
    assert proof.verdict == ("saved" if share > 0.5 else "no detectable change")
