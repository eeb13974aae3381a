"""What does not add up in the tree, with the figures that show it and the line that would set it right.

The order matters: a clamp that sits the wrong way round, or sees half of what there is, explains most of what else
looks wrong. So each fault that is found is corrected before the next is looked for, from the supply downwards.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import combinations
from math import isnan
from statistics import median
from typing import Literal, NamedTuple

from wattround.analysis.evidence import Evidence, Span
from wattround.analysis.excess import Excess, excess
from wattround.analysis.steps import ENOUGH_STEPS, Fit, correlation
from wattround.config.model import Meter
from wattround.ledger.survey import Survey
from wattround.metering.accuracy import UNKNOWN_PERCENT
from wattround.metering.tree import parents

ENOUGH_HOURS = 24.0
ENOUGH_WH = 100.0
MOSTLY = 0.8
"""Share of a load's energy that must come out of it before its clamp is taken to sit the wrong way round."""
STORAGE_DAYS = 14
STORAGE_WH = 20_000.0
REPEATS_R = 0.95
REPEATS_RATIO = 0.05
REPEATS_SHARE = 0.9
MOVES = 0.3
"""From this share on, a meter follows the steps of one within it."""
ALIKE = "or the two are loads that always run together"

Kind = Literal["backwards", "leg", "repeats", "exceeds"]


class Finding(NamedTuple):
    """What is wrong with a meter: evidence in words, and what to change.

    `key` is the path of the key within the meter's entry, `fix` the line as it would stand in the file.
    """

    kind: Kind
    meter: str
    says: str
    evidence: tuple[str, ...]
    key: tuple[str, ...]
    fix: str


@dataclass(slots=True)
class Findings:
    """All of it, and what could not be told, as the reason with the meters it holds for."""

    found: list[Finding] = field(default_factory=list)
    missing: dict[str, list[str]] = field(default_factory=dict)
    days: list[int] = field(default_factory=list)

    def lacks(self, reason: str, name: str) -> None:
        """Something cannot be told of a meter."""
        names = self.missing.setdefault(reason, [])
        if name not in names:
            names.append(name)


def findings(survey: Survey, meters: Mapping[str, Meter], span: Span) -> Findings:
    """Look at a span of the past."""
    look = _Look(Evidence(survey, meters, span))
    look.net_energy()
    look.levels_of_the_tree()
    look.repeats()
    look.exceeds()
    return look.into


class _Look:
    def __init__(self, of: Evidence) -> None:
        self.of = of
        self.into = Findings(days=of.days)
        self.gone: set[str] = set()

    # -- the wrong way round ------------------------------------------------------------------------

    def net_energy(self) -> None:
        """Loads and generators whose energy mostly goes the wrong way."""
        of = self.of
        for name, meter in of.meters.items():
            if meter.computed or meter.role == "supply":
                continue
            hours = of.covered_h(name)
            total = of.sums.get(name)
            if total is None or hours < ENOUGH_HOURS:
                self.into.lacks(f"less than {ENOUGH_HOURS:.0f} hours measured", name)
                continue
            into, out = total.in_uwh / 1e6, total.out_uwh / 1e6
            if into + out < ENOUGH_WH:
                self.into.lacks(f"less than {ENOUGH_WH:.0f} Wh measured", name)
            elif meter.role == "storage":
                if hours >= 24 * STORAGE_DAYS and into + out >= STORAGE_WH and out > 1.1 * into:
                    self._turned(name, f"it gave {out / 1000:.1f} kWh and took only {into / 1000:.1f} kWh")
            elif out >= MOSTLY * (into + out) and not self._may_give(name):
                verb = "generates" if meter.role == "generation" else "is a load"
                self._turned(name, f"it {verb}, but {out / (into + out):.0%} of its {into + out:,.0f} Wh went out")

    def _may_give(self, name: str) -> bool:
        """Whether something within a meter may send energy out of it."""
        sources = self.of.tree.generators | self.of.tree.storages
        return any(name in self.of.tree.ancestors(source) for source in sources)

    def _turned(self, name: str, *evidence: str) -> None:
        path, sign = self._source_key(name, "sign")
        fix = f"sign = {-int(sign)}"
        self.into.found.append(Finding("backwards", name, "it reads backwards", evidence, path, fix))
        self.of.correct(name, -1.0)

    def _source_key(self, name: str, key: str) -> tuple[tuple[str, ...], float]:
        """Where a meter's sign or factor stands, and what it is."""
        meter = self.of.meters[name]
        if meter.computed:
            return ("multiple",), meter.multiple
        source = meter.power or meter.counter
        return ("power" if meter.power else "counter", key), float(getattr(source, key)) if source else 1.0

    # -- steps, level by level ----------------------------------------------------------------------

    def levels_of_the_tree(self) -> None:
        """From the supply downwards: how each moves when those within it take a step."""
        for parent in parents(self.of.tree):
            children = [name for name in self.of.tree.children[parent] if not self._is_made_of(name, parent)]
            fits = {child: self.of.child_fit(parent, child) for child in children}
            known = {child: each for child, each in fits.items() if each.kind is not None}
            for child, each in fits.items():
                if not each.enough:
                    self.into.lacks(f"fewer than {ENOUGH_STEPS} clear steps of its own", child)
            self._judge(parent, known)
        self._lone_supply()

    def _is_made_of(self, name: str, other: str) -> bool:
        one, two = (self.of.formulas[each].terms if each in self.of.formulas else () for each in (name, other))
        return other in dict(one) or name in dict(two)

    def _judge(self, parent: str, known: dict[str, Fit]) -> None:
        wrong = {child: each for child, each in known.items() if each.kind != 1.0}
        kinds = {each.kind for each in known.values()}
        if len(wrong) == len(known) and len(kinds) == 1 and (len(known) > 1 or self._is_the_parent(parent, known)):
            child, each = max(known.items(), key=lambda item: item[1].steps)
            self._leg(parent, child, each, parent_is_wrong=True, others=len(known) - 1)
            return
        for child, each in wrong.items():
            self._leg(parent, child, each, parent_is_wrong=False)

    def _is_the_parent(self, parent: str, known: dict[str, Fit]) -> bool:
        """With one witness only: what meters further out say of the two, or else the odds."""
        (child, each), tree = next(iter(known.items())), self.of.tree
        beside = [name for name in tree.children[parent] if name != child]
        inner = parent
        for above in tree.ancestors(parent):
            beside += [name for name in tree.children[above] if name != inner]
            seen = self.of.fit(above, child, beside, tree.sign(child)).kind
            if seen in (1.0, each.kind):
                return seen == 1.0
            if self.of.child_fit(above, inner).kind == 1.0 and inner == parent:
                return False
            inner = above
        return each.kind in (0.5, -1.0)

    def _leg(self, parent: str, child: str, fit: Fit, *, parent_is_wrong: bool, others: int = 0) -> None:
        """One of the two reads double, half, or the wrong way round."""
        kind = fit.kind or 1.0
        name, factor = (parent, 1 / kind) if parent_is_wrong else (child, kind)
        beside = f", and so it does with {others} more within it" if others > 0 else ""
        evidence = (
            f"when {child} took a step by itself, {parent} moved {fit.ratio:.2f} times as far"
            f" ({fit.agree} of {fit.steps} steps on {fit.days} days){beside}"
        )
        if kind < 0:
            self._turned(name, evidence)
            return
        key, before = self._source_key(name, "factor")
        what = "it likely reads half" if factor > 1 else "it likely reads double"
        says = f"{what} of what there is: one leg of two" if factor > 1 else f"{what} what there is"
        fix = f"{key[-1]} = {before * factor!r}"
        self.into.found.append(Finding("leg", name, says, (evidence,), key, fix))
        self.of.correct(name, factor)

    def _lone_supply(self) -> None:
        """A supply of a house that makes nothing: its energy comes in."""
        of = self.of
        if of.tree.generators or of.tree.storages:
            return
        turned = {each.meter for each in self.into.found if each.kind == "backwards"}
        for name in of.tree.supplies:
            total = of.sums.get(name)
            if total is None or of.meters[name].computed or name in turned or of.covered_h(name) < ENOUGH_HOURS:
                continue
            into, out = total.in_uwh / 1e6, total.out_uwh / 1e6
            if into + out >= ENOUGH_WH and out >= MOSTLY * (into + out):
                self._turned(name, f"nothing here generates, but {out / (into + out):.0%} of its energy went out")

    # -- repeats ------------------------------------------------------------------------------------

    def repeats(self) -> None:
        """Meters that do what another does, though neither is within the other."""
        of = self.of
        able = [name for name in of.meters if not of.meters[name].computed and len(of.steps[name]) >= ENOUGH_STEPS]
        for one, other in combinations(able, 2):
            if self._apart(one, other) and self._alike(one, other):
                self._repeat(one, other)

    def _apart(self, one: str, other: str) -> bool:
        tree = self.of.tree
        if one in self.gone or other in self.gone:
            return False
        together = any(one in dict(each.terms) and other in dict(each.terms) for each in self.of.formulas.values())
        return one not in tree.ancestors(other) and other not in tree.ancestors(one) and not together

    def _alike(self, one: str, other: str) -> bool:
        a, b = (sum(value for value in self.of.net[name] if not isnan(value)) for name in (one, other))
        return min(a, b) > 0 and max(a, b) <= 1.1 * min(a, b)

    def _repeat(self, one: str, other: str) -> None:
        there, back = self.of.fit(one, other), self.of.fit(other, one)
        for each in (there, back):
            if each.kind != 1.0 or abs(each.ratio - 1) > REPEATS_RATIO or each.agree < REPEATS_SHARE * each.steps:
                return
        together = correlation(self.of.watts[one], self.of.watts[other])
        if together < REPEATS_R:
            return
        first, second = self._outer_first(one, other)
        plug = self.of.meters[second].role == "appliance" and self.of.meters[first].role == "circuit"
        moves = (
            f"its changes, ten minutes by ten, are those of {first} (correlation {together:.3f},"
            f" {back.ratio:.2f} times as far, {there.agree} of {there.steps} steps on {there.days} days)"
        )
        fix = f'within = "{first}"' if plug else f"leave out {second}, or have it read what it is for"
        key = ("within",) if plug else ("power" if self.of.meters[second].power else "counter", "topic")
        self.into.found.append(Finding("repeats", second, f"it repeats {first}", (moves, ALIKE), key, fix))
        self.gone.add(second)

    def _outer_first(self, one: str, other: str) -> tuple[str, str]:
        if self.of.meters[one].role == "appliance" and self.of.meters[other].role != "appliance":
            return other, one
        return one, other

    # -- more within than there is ------------------------------------------------------------------

    def exceeds(self) -> None:
        """Children that together have more than their parent, beyond what their accuracy allows."""
        for parent in parents(self.of.tree):
            if self._is_all_made(parent):
                continue
            children = [name for name in self.of.tree.children[parent] if name not in self.gone]
            found = excess(self.of, parent, children)
            if found is None:
                self.into.lacks(f"less than {ENOUGH_HOURS:.0f} whole hours together with all within it", parent)
            elif found.hours:
                self.into.found.append(self._exceeded(parent, found))

    def _is_all_made(self, parent: str) -> bool:
        children = self.of.tree.children[parent]
        return parent in self.of.formulas and set(children) >= {name for name, _ in self.of.formulas[parent].terms}

    def _exceeded(self, parent: str, found: Excess) -> Finding:
        hours = f"in {len(found.hours)} of {found.looked_at} hours those within {parent} had more than it, by"
        shown = f"{hours} {found.over_wh:,.0f} Wh in all; the meters' accuracy allows {found.allowed_wh:,.0f} Wh"
        fits = {name: self.of.child_fit(parent, name) for name in self.of.tree.children[parent]}
        ratios = {
            name: each.ratio
            for name, each in fits.items()
            if each.clear and MOVES < each.ratio < 1 - (self._percent(parent) + self._percent(name)) / 100
        }
        moving = [name for name, each in fits.items() if each.clear and each.ratio > MOVES]
        if 1 < len(ratios) == len(moving) and max(ratios.values()) < 1.1 * min(ratios.values()):
            return self._reads(parent, 1 / median(ratios.values()), "it reads too little for those within it", shown)
        culprit = found.culprit
        if culprit is None:
            fix = "find the one within it that belongs elsewhere, or what its clamp misses"
            return Finding("exceeds", parent, "those within it exceed it", (shown,), ("name",), fix)
        shown += f"; without {culprit} it holds in {found.solved:.0%} of them"
        if culprit in ratios:
            return self._reads(
                culprit, ratios[culprit], f"it reads too much for {parent}, or {parent} too little", shown
            )
        return self._elsewhere(culprit, parent, shown)

    def _percent(self, name: str) -> float:
        return self.of.percent.get(name, UNKNOWN_PERCENT)

    def _reads(self, name: str, times: float, says: str, shown: str) -> Finding:
        key, before = self._source_key(name, "factor")
        steps = f"by their steps it reads {1 / times:.2f} times what there is"
        return Finding("exceeds", name, says, (shown, steps), key, f"{key[-1]} = {before * times:.3g}")

    def _elsewhere(self, name: str, parent: str, shown: str) -> Finding:
        home = next(iter(self._homes(name, parent)), None)
        moves = () if home is None else (f"when {name} takes a step, {home} moves as far, and {parent} does not",)
        goal = home or next(self.of.tree.ancestors(parent), None)
        fix = f'within = "{goal}"' if goal is not None else "leave out within"
        says = f"it does not fit into {parent}, which it is said to be within"
        return Finding("exceeds", name, says, (shown, *moves), ("within",), fix)

    def _homes(self, name: str, parent: str) -> Iterator[str]:
        """Other meters that follow this one's steps, the smallest first: what it may truly be within."""
        of = self.of
        others = [
            other for other in of.meters
            if other not in (name, parent) and name not in of.tree.ancestors(other) and other not in self.gone
            and not self._is_made_of(name, other)
        ]  # fmt: skip
        size = {other: sum(abs(value) for value in of.net[other] if not isnan(value)) for other in others}
        for other in sorted(others, key=size.__getitem__):
            beside = [each for each in of.tree.children[other] if each != name]
            if of.fit(other, name, beside).kind == 1.0:
                yield other
