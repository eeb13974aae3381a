"""What is wrong with the tree: loops, parts that there are not, and what would count twice."""

from __future__ import annotations

from collections.abc import Iterator

from wattround.config.finding import Finding, no_meter
from wattround.config.model import Meter, Settings
from wattround.config.places import Places, Recipe, twice
from wattround.config.positions import Path

_READ = ("power", "counter", "availability", "hold", "lowest_w", "highest_w", "at_most")
"""Keys that only mean something for a meter that is read."""
_ACCURACY = ("accuracy_percent", "meter_class", "clamp_class")


def tree_findings(settings: Settings) -> Iterator[Finding]:
    """Everything about who is within whom, and who is made of whom."""
    for index, meter in enumerate(settings.meters):
        yield from _computed(("meters", index), meter)
        yield from _accuracy(("meters", index), meter)
    broken = list(_loops(settings))
    yield from broken
    if not broken:
        yield from _placed(settings)


def _computed(here: Path, meter: Meter) -> Iterator[Finding]:
    if not meter.computed:
        for key in ("less", "multiple"):
            if key in meter.model_fields_set:
                hint = "a meter that is read has factor on its source" if key == "multiple" else ""
                yield Finding((*here, key), f"{key} without sum_of", "sum_of = [...] beside it", hint)
        return
    for key in _READ:
        if key in meter.model_fields_set:
            yield Finding((*here, key), f"{key} beside sum_of", "one or the other",
                          "a meter is read, or computed from others")  # fmt: skip
    if meter.captured:
        yield Finding((*here, "name"), f'"{meter.name}"', "a plain name", "a pattern is read, a computed meter is not")
    parts = [("sum_of", part) for part in meter.sum_of or ()] + [("less", part) for part in meter.less]
    for key, part in dict.fromkeys(parts):
        if sum(part == other for _, other in parts) > 1:
            yield Finding((*here, key), f'"{part}" more than once', "each part once",
                          "multiple = 2.0 takes all of it twice")  # fmt: skip


def _accuracy(here: Path, meter: Meter) -> Iterator[Finding]:
    stated = [key for key in _ACCURACY if key in meter.model_fields_set]
    if meter.computed and stated:
        yield Finding((*here, stated[0]), f"{stated[0]} beside sum_of", "the accuracy of its parts, on them")
    elif "accuracy_percent" in stated and len(stated) > 1:
        yield Finding((*here, stated[1]), "a class beside accuracy_percent", "one or the other")


def _loops(settings: Settings) -> Iterator[Finding]:
    """Names that are unknown, meters within themselves and made of themselves."""
    captures = any(meter.captured for meter in settings.meters)
    within = {meter.name: meter.within for meter in settings.meters}
    parts = {meter.name: (*(meter.sum_of or ()), *meter.less) for meter in settings.meters}
    for index, meter in enumerate(settings.meters):
        here: Path = ("meters", index)
        if meter.within is not None and meter.within not in within:
            yield no_meter((*here, "within"), meter.within, within, captures=captures)
        elif meter.within is not None and (chain := _chain_up(meter.name, within)):
            yield Finding((*here, "within"), f'"{meter.within}"', "no meter within itself", " in ".join(chain))
        for key in ("sum_of", "less"):
            for at, part in enumerate(getattr(meter, key) or ()):
                if part not in within:
                    yield no_meter((*here, key, at), part, within, captures=captures)
        if chain := _chain_down(meter.name, parts):
            yield Finding((*here, "sum_of"), f'"{chain[1]}"', "no meter made of itself", " of ".join(chain))


def _chain_up(name: str, within: dict[str, str | None]) -> list[str]:
    """The loop that leads from a meter to itself, if there is one."""
    chain = [name]
    step = within.get(name)
    while step is not None and step not in chain:
        chain.append(step)
        step = within.get(step)
    return [*chain, name] if step == name else []


def _chain_down(name: str, parts: dict[str, tuple[str, ...]]) -> list[str]:
    waiting = [[name]]
    seen = {name}
    while waiting:
        chain = waiting.pop()
        for part in parts.get(chain[-1], ()):
            if part == name:
                return [*chain, name]
            if part not in seen:
                seen.add(part)
                waiting.append([*chain, part])
    return []


# -- what counts twice ------------------------------------------------------------------------------


def _placed(settings: Settings) -> Iterator[Finding]:
    places = places_of({meter.name: meter for meter in settings.meters})
    index = {meter.name: at for at, meter in enumerate(settings.meters)}
    for meter in settings.meters:
        path: Path = ("meters", index[meter.name], "within")
        if meter.within in places.aside:
            yield Finding(path, f'"{meter.within}"', "a meter with a place of its own in the tree",
                          f"{meter.within} only gathers meters that are elsewhere")  # fmt: skip
        elif meter.within is not None and meter.within in places.parts.get(places.above.get(meter.within, ""), ()):
            whole = places.above[meter.within]
            yield Finding(path, f'"{meter.within}"', f'"{whole}"', f"{meter.within} is a part of {whole}")
    for name, recipe in places.recipes.items():
        yield from _split(places, index, name, recipe)
    for atom, first, second, parent in twice(places):
        culprit = second if second in places.recipes else first
        what = f"{first} and {second}" if first != second else f"{first} by itself"
        where = f"within {parent}" if parent is not None else "side by side"
        yield Finding(("meters", index[culprit], "sum_of"), f"{atom} counted twice", "each watt-hour counted once",
                      f"{what} stand {where} and hold it: put one within the other, or leave out a within")  # fmt: skip


def _split(places: Places, index: dict[str, int], name: str, recipe: Recipe) -> Iterator[Finding]:
    """A computed meter whose parts are within it is divided up by them: anything else in it is in them already."""
    inside = places.children()[name]
    parts = [part for part in recipe.sum_of if part in inside]
    others = [child for child in inside if child not in recipe.sum_of]
    if parts and others:
        yield Finding(("meters", index[parts[0]], "within"), f'"{name}"', f"no within, as a part of {name}",
                      f"{others[0]} is within {name} too, and would be counted twice")  # fmt: skip


def places_of(meters: dict[str, Meter]) -> Places:
    """The places of the meters there are."""
    within = {name: meter.within for name, meter in meters.items()}
    recipes = {
        name: Recipe(meter.sum_of, meter.less, meter.multiple)
        for name, meter in meters.items()
        if meter.sum_of is not None
    }
    sources = ("supply", "generation", "storage")
    return Places(within, recipes, {name: meter.role for name, meter in meters.items() if meter.role in sources})
