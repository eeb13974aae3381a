"""All changes together: their sum with one uncertainty, and whether the house's supply shows it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from wattround.analysis.dayseries import load_history
from wattround.analysis.proof.data import ProofError
from wattround.analysis.proof.mixture import Estimate
from wattround.analysis.proof.periods import Need
from wattround.analysis.proof.portfolio import Part, combine
from wattround.analysis.proof.prove import prove
from wattround.analysis.proving.cases import Bench, Case
from wattround.analysis.proving.cases import case as case_of
from wattround.analysis.proving.words import between, kwh, percent
from wattround.money.amount import amount_text


@dataclass(frozen=True)
class Together:
    """Sums over the changes that could be told of; the supply's own answer for the time since the first of them."""

    daily: Estimate | None
    yearly: Estimate | None
    yearly_money: Decimal | None
    currency: str
    counted: int
    of: int
    left_out: tuple[str, ...]
    supply: Estimate | None
    supply_refusal: str
    since: date | None

    @property
    def lines(self) -> Iterator[str]:
        """For people."""
        if self.daily is None:
            yield "Nothing to add up yet: no change has enough data."
            return
        of = f"{self.counted} of {self.of} change{'s' if self.of > 1 else ''}"
        sure = f"{percent(self.daily.level)} interval {between(self.daily)}"
        yield f"Together, {of}: {kwh(self.daily.value)} a day ({sure})."
        if self.yearly is not None:
            money = "" if self.yearly_money is None else f", {amount_text(self.yearly_money, self.currency)}"
            yield f"In a year of the usual weather: {kwh(self.yearly.value)} ({between(self.yearly)}){money}."
        for name in self.left_out:
            yield f"Not in it: {name}."
        if self.supply is not None:
            agrees = self.supply.low <= self.daily.high and self.daily.low <= self.supply.high
            says = "that agrees" if agrees else "that does not agree: something else has changed, too"
            supply = f"{kwh(self.supply.value)} a day less ({between(self.supply)})"
            yield f"The supply by itself, since {self.since}: {supply}; {says}."
        elif self.supply_refusal:
            yield f"Whether the supply shows it cannot be told: {self.supply_refusal}."

    def plain(self) -> dict[str, Any]:
        """For programs."""

        def one(found: Estimate | None) -> dict[str, float] | None:
            return None if found is None else {"value": found.value, "low": found.low, "high": found.high}

        return {
            "daily_wh": one(self.daily), "yearly_wh": one(self.yearly), "counted": self.counted, "of": self.of,
            "yearly_money": None if self.yearly_money is None else str(self.yearly_money), "currency": self.currency,
            "left_out": list(self.left_out), "supply_daily_wh": one(self.supply), "supply_says": self.supply_refusal,
        }  # fmt: skip


def together(bench: Bench, cases: Sequence[Case], level: float, coverage: float) -> Together:
    """Add up what stands; several changes to one load are judged as one, from before the first to after the last."""
    joined, left_out = _joined(bench, cases, level, coverage)
    parts = [(case, case.proof.evidence) for case in joined if case.proof is not None and case.proof.evidence]
    counted = [Part(case.name, ",".join(case.loads), found.avoided_wh_per_day) for case, found in parts]
    yearly = [
        Part(case.name, ",".join(case.loads), found.yearly_wh)
        for case, found in parts if not isinstance(found.yearly_wh, Need)
    ]  # fmt: skip
    money = [case.money.of(found.yearly_wh.value) for case, found in parts if not isinstance(found.yearly_wh, Need)]
    whole = len(yearly) == len(parts) and bool(yearly)
    known = [each for each in money if each is not None]
    since = min((case.first for case, _ in parts), default=None)
    supply, refusal = _supply(bench, since, level, coverage) if since is not None else (None, "")
    left_out += [f"{case.name} (too little data)" for case in joined if case.proof is None or not case.proof.evidence]
    return Together(
        combine(counted, level) if counted else None,
        combine(yearly, level) if whole else None,
        sum(known, Decimal(0)) if whole and len(known) == len(yearly) else None,
        bench.settings.house.currency, sum(len(case.changes) for case, _ in parts),
        sum(len(case.changes) for case in cases), tuple(left_out), supply, refusal, since,
    )  # fmt: skip


def _joined(bench: Bench, cases: Sequence[Case], level: float, coverage: float) -> tuple[list[Case], list[str]]:
    """Cases that share no load, and what was left out."""
    ended = [case for case in cases if any(change.until is not None for change in case.changes)]
    left_out = [f"{case.name} (taken back)" for case in ended]
    bundles: list[list[Case]] = []
    for case in (case for case in cases if case not in ended):
        meeting = [bundle for bundle in bundles if any(set(case.loads) & set(other.loads) for other in bundle)]
        bundles = [bundle for bundle in bundles if bundle not in meeting]
        bundles.append([*(other for bundle in meeting for other in bundle), case])
    found = []
    for bundle in bundles:
        if len(bundle) == 1:
            found.append(bundle[0])
            continue
        changes = sorted((change for of in bundle for change in of.changes), key=lambda change: change.at_ms)
        others = [of.changes for of in cases if of not in bundle]
        found.append(case_of(bench, tuple(changes), others, level=level, least_coverage=coverage))
    return found, left_out


def _supply(bench: Bench, since: date, level: float, coverage: float) -> tuple[Estimate | None, str]:
    """The supply's own avoided energy since the first change."""
    names = sorted(bench.tree.supplies)
    measured = bench.past.meters()
    if not names or not all(name in measured for name in names):
        return None, "no supply is metered"
    if bench.tree.generators or bench.tree.storages:
        return None, "what the house makes and stores itself is in its supply, too"
    days = bench.days
    if not days or days[-1] <= since + timedelta(days=1):
        return None, "too few days"
    try:
        history = load_history(bench.past, bench.kept, bench.settings, names, days)
        found = prove(history, since, level=level, least_coverage=coverage, weather=bench.weather())
    except ProofError as error:
        return None, str(error)
    if found.evidence is None:
        return None, "; ".join(need.text for need in found.needs)
    return found.evidence.avoided_wh_per_day, ""
