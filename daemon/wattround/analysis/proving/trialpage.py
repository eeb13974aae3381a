"""A trial as a page or a part of one: its days by date and by weather, full on, hollow off."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from wattround.analysis.proving.page import Figure, ProofPage, ProofPart
from wattround.analysis.proving.pictures import days_axis
from wattround.analysis.proving.trials import Days, Tried
from wattround.analysis.proving.trialwords import basis, verdict, warnings, worth_lines
from wattround.config.model import Settings
from wattround.pictures.chart import Axis, Chart, even_axis
from wattround.pictures.paper import picture, render

ENERGY = "kWh a day"


def page(settings: Settings, of: Tried) -> str:
    """The whole page."""
    what = f"{of.trial.days} days from {of.trial.first}, on and off in an order drawn by chance."
    house = settings.house.name or settings.house.id
    shown = part(of, "trial", ZoneInfo(settings.house.time_zone))
    return render(
        "wattround.analysis.proving", "proof.html.j2", ProofPage(house, f"Did it save? {of.trial.name}", what, [shown])
    )


def part(of: Tried, name: str, zone: ZoneInfo) -> ProofPart:
    """One trial: its words and pictures. `name`: a word that no other part of the page has."""
    figures = []
    if len(of.used.days) > 1:
        caption = "Each day's energy: full dots on days on, hollow ones on days off."
        figures.append(Figure(picture(by_date(f"{name}-days", of.used, zone)), caption))
    weather = by_weather(f"{name}-weather", of.used)
    if weather is not None:
        figures.append(Figure(picture(weather), "The same against outdoor temperature."))
    return ProofPart(of.trial.name, verdict(of), list(worth_lines(of)), figures, warnings(of), list(basis(of)))


def by_date(name: str, days: Days, zone: ZoneInfo) -> str:
    """Days as dots over their dates."""
    return _dots(
        name, "Energy of each day", days, [float(day.toordinal()) for day in days.days], days_axis(days.days, zone)
    )


def by_weather(name: str, days: Days) -> str | None:
    """Days as dots over outdoor temperature; None where it is not known, or there are not two of them."""
    if days.temperature_c is None or len(days.days) < 2:
        return None
    xs = [float(each) for each in days.temperature_c]
    return _dots(
        name, "Energy of each day against outdoor temperature", days, xs, even_axis(xs, "outdoor temperature, °C")
    )


def _dots(name: str, title: str, days: Days, xs: list[float], across: Axis) -> str:
    kwh = [float(each) for each in days.energy_wh / 1000]
    chart = Chart(across, even_axis(kwh, ENERGY, from_zero=True))
    says = []
    for word, chosen in (("off, hollow", ~days.on), ("on, full", days.on)):
        at = [index for index, is_so in enumerate(chosen) if is_so]
        chart.dots([xs[index] for index in at], [kwh[index] for index in at], hollow=word.startswith("off"))
        if at:
            mean = sum(kwh[index] for index in at) / len(at)
            says.append(f"{len(at)} days {word}: {mean:.2f} {ENERGY} in the mean")
    return chart.drawing.svg(name, title, "; ".join(says))
