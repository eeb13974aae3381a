"""A proof, or all of them, as one page for a browser or for paper."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple
from zoneinfo import ZoneInfo

from markupsafe import Markup

from wattround.analysis.proving.cases import Case
from wattround.analysis.proving.pictures import adding_up, by_weather, over_time
from wattround.analysis.proving.words import basis, expectation, percent, verdict, warnings, worth_lines
from wattround.config.model import Settings
from wattround.pictures.paper import picture, render


class Figure(NamedTuple):
    """A picture, and the words below it."""

    picture: Markup
    caption: str


class ProofPart(NamedTuple):
    """One change, or one trial, on the page."""

    name: str
    verdict: str
    worth: Sequence[str]
    figures: Sequence[Figure]
    warnings: Sequence[str]
    basis: Sequence[str]


class ProofPage(NamedTuple):
    """What the template shows."""

    house: str
    title: str
    what: str
    proofs: Sequence[ProofPart]


def page(settings: Settings, title: str, what: str, cases: Sequence[Case], trials: Sequence[ProofPart] = ()) -> str:
    """The whole page; trials come after the changes."""
    zone = ZoneInfo(settings.house.time_zone)
    parts = [*(part(case, f"proof-{at}", zone) for at, case in enumerate(cases)), *trials]
    house = settings.house.name or settings.house.id
    return render("wattround.analysis.proving", "proof.html.j2", ProofPage(house, title, what, parts))


def part(case: Case, name: str, zone: ZoneInfo) -> ProofPart:
    """One change: its words and pictures."""
    evidence = case.proof.evidence if case.proof is not None else None
    if case.proof is None or evidence is None:
        noted = warnings(case.proof) if case.proof is not None else []
        return ProofPart(case.name, verdict(case), [], [], noted, list(basis(case)))
    figures = []
    weather = by_weather(f"{name}-weather", evidence)
    if weather is not None:
        caption = (
            "Each day's energy against outdoor temperature: hollow before, full after; lines are the models of each."
        )
        figures.append(Figure(picture(weather), caption))
    days = "Each day's energy: hollow before, full after. The line is what the days before led to expect."
    figures.append(Figure(picture(over_time(f"{name}-days", evidence, zone)), days))
    level = percent(evidence.avoided_wh_per_day.level)
    grown = f"Avoided energy as it added up, with its {level} band. Below nothing: more was used."
    figures.append(Figure(picture(adding_up(f"{name}-grown", evidence, zone)), grown))
    said = expectation(case, evidence)
    worth = [*worth_lines(case, evidence), *([said] if said else [])]
    return ProofPart(case.name, verdict(case), worth, figures, warnings(case.proof), list(basis(case)))
