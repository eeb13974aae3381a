"""What is wrong or doubtful between a rule and the rest of the file: unknown names, and what can never be true."""

from __future__ import annotations

from collections.abc import Iterator

from wattround.config.finding import Finding, no_meter
from wattround.config.kinds import WEEKDAYS, clock_time, duration_text, sun_time
from wattround.config.model import Meter, Settings
from wattround.config.part import DAY_MS, MINUTE_MS
from wattround.config.positions import Path
from wattround.config.problems import nearest
from wattround.config.rule import Rule, SignalTest

WEEK = 7 * 1440


def rule_findings(settings: Settings, index: int, rule: Rule) -> Iterator[Finding]:
    """Everything about one rule."""
    here: Path = ("rules", index)
    yield from _subject(settings, here, rule)
    loads = _loads(settings, rule)
    yield from _states_something(here, rule)
    yield from _levels(settings, here, rule, loads)
    yield from _watts(here, rule, loads)
    if rule.occupancy is not None and not settings.people:
        yield Finding((*here, "occupancy"), f'"{rule.occupancy}"', "at least one [[people]] entry",
                      "without presence nobody knows whether the house is empty")  # fmt: skip
    for key in ("between", "outside"):
        yield from edges(settings, (*here, key), getattr(rule, key))
    yield from _window(settings, here, rule)
    for at, said in enumerate(rule.signals):
        yield from claim(settings, (*here, "signals", at), said)
    yield from _signals_agree(here, rule)
    yield from _usage(here, rule)
    yield from _oversight(settings, here, rule, loads)
    yield from _told(settings, here, rule)


# -- what it is about -----------------------------------------------------------------------------


def _loads(settings: Settings, rule: Rule) -> list[Meter]:
    names = {rule.load, *(rule.loads or ())}
    return [meter for meter in settings.meters if meter.name in names or (rule.tag and rule.tag in meter.tags)]


def _subject(settings: Settings, here: Path, rule: Rule) -> Iterator[Finding]:
    given = [key for key in ("load", "loads", "tag") if getattr(rule, key) is not None]
    if len(given) > 1:
        yield Finding((*here, given[1]), " and ".join(given), "one of load, loads and tag")
    known = {meter.name: meter for meter in settings.meters}
    captures = any(meter.captured for meter in settings.meters)
    for name, path in [
        (rule.load, (*here, "load")),
        *((name, (*here, "loads", at)) for at, name in enumerate(rule.loads or ())),
    ]:
        if name is not None and name not in known:
            yield no_meter(path, name, known, captures=captures)
    if rule.tag is not None and not any(rule.tag in meter.tags for meter in settings.meters):
        tags = sorted({tag for meter in settings.meters for tag in meter.tags})
        yield Finding((*here, "tag"), f'"{rule.tag}"', "a tag that some meter has: tags = [...] on [[meters]]",
                      nearest(rule.tag, tags))  # fmt: skip
    if rule.together and rule.tag is None and rule.loads is None:
        yield Finding((*here, "together"), "true", "loads = [...] or tag beside it, to be taken together")
    for at, meter in enumerate(settings.meters):
        if meter.name == "house" and not rule.of_load:
            yield Finding(("meters", at, "name"), '"house"', "another name",
                          "rules without a load speak of the house as a whole by this name")  # fmt: skip


def _states_something(here: Path, rule: Rule) -> Iterator[Finding]:
    of_house = (
        rule.spent, rule.base_load_up_w, rule.trouble, rule.occupancy, rule.between, rule.outside, rule.weekdays,
    )  # fmt: skip
    needs_load = (
        "level", "above_w", "below_w", "ran_today", "starts_per_hour", "unheard", "exceeded_by_w", "breaker_share",
    )  # fmt: skip
    lost = [key for key in needs_load if not rule.of_load and getattr(rule, key) is not None]
    lost += ["worn_off"] if rule.worn_off and not rule.of_load else []
    for key in lost:
        yield Finding((*here, key), f"{key} without a load", "load = ..., loads = [...] or tag beside it")
    if not rule.of_load and not rule.signals and not lost and all(part is None for part in of_house):
        yield Finding(here, "no load and no condition", "load = ... or something else to watch for")
    if rule.worn_off and rule.together:
        yield Finding(
            (*here, "worn_off"), "together = true beside it", "loads one by one: each saving is watched alone"
        )
    for key in ("base_load_up_w", "trouble"):
        if rule.of_load and getattr(rule, key) is not None:
            yield Finding((*here, key), f"{key} with a load", "no load beside it: it is about the house as a whole")


# -- what can never be true -------------------------------------------------------------------------


def _levels(settings: Settings, here: Path, rule: Rule, loads: list[Meter]) -> Iterator[Finding]:
    needs = "active" in rule.levels or "standby" in rule.levels
    if not needs and rule.ran_today is None and rule.starts_per_hour is None:
        return
    patterns = [meter for meter in settings.meters if meter.captured]
    known = loads or (patterns if rule.load is not None else [])
    without = [meter.name for meter in known if meter.active_w is None and not _fed(meter, patterns)]
    key = "level" if rule.level is not None else "ran_today" if rule.ran_today is not None else (
        "starts_per_hour" if rule.starts_per_hour is not None else ""
    )  # fmt: skip
    if without:
        yield Finding((*here, key) if key else here, f"{', '.join(without)} without active_w",
                      f"active_w on the meter {without[0]}", "the watts from which it counts as active")  # fmt: skip


def _fed(meter: Meter, patterns: list[Meter]) -> bool:
    """Whether a pattern feeds it, and says from where on it is active."""
    own = meter.power is not None or meter.counter is not None or meter.computed
    return not own and bool(patterns) and patterns[0].active_w is not None


def _watts(here: Path, rule: Rule, loads: list[Meter]) -> Iterator[Finding]:
    above, below, release = rule.above_w, rule.below_w, rule.release_w
    if above is not None and below is not None and above >= below:
        yield Finding((*here, "above_w"), f"above {above:g} and below {below:g}", "bounds between which there is room")
    if release is not None and above is None and below is None and rule.breaker_share is None:
        yield Finding((*here, "release_w"), f"{release:g}", "above_w or below_w beside it")
    if release is not None and above is not None and release > above:
        yield Finding((*here, "release_w"), f"{release:g}", f"at most above_w, {above:g}")
    if release is not None and above is None and below is not None and release < below:
        yield Finding((*here, "release_w"), f"{release:g}", f"at least below_w, {below:g}")
    for meter in loads if not rule.together else ():
        if above is not None and above > meter.highest_w and not meter.computed:
            yield Finding((*here, "above_w"), f"{above:g}", f"at most highest_w of {meter.name}, {meter.highest_w:g}",
                          "readings beyond it are refused: this can never be true")  # fmt: skip
        if below is not None and below <= meter.floor_w and not meter.computed:
            yield Finding((*here, "below_w"), f"{below:g}", f"more than the least of {meter.name}, {meter.floor_w:g}",
                          "readings below it are refused: this can never be true")  # fmt: skip
        yield from _level_and_watts(here, rule, meter)


def _level_and_watts(here: Path, rule: Rule, meter: Meter) -> Iterator[Finding]:
    tops = {"off": meter.standby_w, "standby": meter.active_w, "active": None}
    bottoms = {"off": None, "standby": 0.8 * meter.standby_w, "active": meter.release_w}
    if not rule.levels:
        return
    top = [tops[level] for level in rule.levels]
    bottom = [bottoms[level] for level in rule.levels]
    never = f"{meter.name} is not {' or '.join(rule.levels)} at that draw: this can never be true"
    if rule.above_w is not None and all(bound is not None and rule.above_w >= bound for bound in top):
        room = f"less than {max(bound or 0 for bound in top):g}"
        yield Finding((*here, "above_w"), f"{rule.above_w:g}", room, never)
    if rule.below_w is not None and all(bound is not None and rule.below_w <= bound for bound in bottom):
        room = f"more than {min(bound or 0 for bound in bottom):g}"
        yield Finding((*here, "below_w"), f"{rule.below_w:g}", room, never)


def edges(settings: Settings, path: Path, found: tuple[str, str] | None) -> Iterator[Finding]:
    """Edges must be known, the sun needs a place, and two the same make no window."""
    for at, edge in enumerate(found or ()):
        yield from one_edge(settings, (*path, at), edge)
    if found and found[0] == found[1]:
        yield Finding(path, f'"{found[0]}" twice', "two different edges")


def one_edge(settings: Settings, path: Path, edge: str) -> Iterator[Finding]:
    """One edge of the day."""
    house = settings.house
    by_sun = sun_time(edge)
    if by_sun is not None:
        if abs(by_sun.later_ms) > DAY_MS // 2:
            yield Finding(path, f'"{edge}"', "at most 12 h before or after", "later than that is another day's")
        if house.latitude is None or house.longitude is None:
            yield Finding(path, f'"{edge}"', "latitude and longitude in [house]", "the sun rises by the place")
    elif clock_time(edge) is None and edge not in settings.marks:
        yield Finding(path, f'"{edge}"', 'the name of a mark, a time such as "22:30", sunrise or sunset',
                      nearest(edge, settings.marks))  # fmt: skip


def _window(settings: Settings, here: Path, rule: Rule) -> Iterator[Finding]:
    """A window shorter than `lasting` is over before the rule could be raised."""
    if rule.between is None:
        return
    minutes = [_minutes(settings, edge) for edge in rule.between]
    if None in minutes:
        return
    begins, ends = (part or () for part in minutes)
    days = set(rule.weekdays or WEEKDAYS)
    starts = [start for start in begins if WEEKDAYS[start[0]] in days]
    if not starts:
        yield Finding((*here, "weekdays"), ", ".join(sorted(days)), f"a weekday that has the mark {rule.between[0]}",
                      "on the others this can never be true")  # fmt: skip
        return
    stops = sorted(day * 1440 + minute + week * WEEK for day, minute in ends for week in (-1, 0, 1, 2))
    longest = 0
    for day, minute in starts:
        start = day * 1440 + minute
        longest = max(longest, min((stop for stop in stops if stop > start), default=start) - start)
    if 0 < longest * MINUTE_MS <= rule.lasting_ms:
        yield Finding((*here, "lasting"), duration_text(rule.lasting_ms),
                      f"less than the window, which is {duration_text(longest * MINUTE_MS)} long",
                      "it would be over before the rule could be raised: this can never be true")  # fmt: skip


def _minutes(settings: Settings, edge: str) -> list[tuple[int, int]] | None:
    """Weekday and minutes of an edge, for each day that has it; None where that depends on the sun."""
    if edge in settings.marks:
        found = [(day, settings.marks[edge].minutes(day)) for day in range(7)]
        return [(day, minutes) for day, minutes in found if minutes is not None]
    minutes = clock_time(edge)
    return None if minutes is None else [(day, minutes) for day in range(7)]


def claim(settings: Settings, path: Path, said: SignalTest) -> Iterator[Finding]:
    """What a signal must say."""
    names = [signal.name for signal in settings.signals]
    if said.signal not in names:
        yield Finding((*path, "signal"), f'"{said.signal}"', "the name of a [[signals]] entry",
                      nearest(said.signal, names))  # fmt: skip
    if all(part is None for part in (said.is_, said.is_not, said.above, said.below)):
        yield Finding(path, "nothing asked of it", 'is = "open", is_not, above or below')
    if said.above is not None and said.below is not None and said.above >= said.below:
        yield Finding((*path, "above"), f"above {said.above:g} and below {said.below:g}",
                      "bounds between which there is room")  # fmt: skip
    if said.is_ is not None and said.is_not is not None and set(said.is_) <= set(said.is_not):
        yield Finding((*path, "is_not"), "the same words as in is", "other words: this can never be true")


def _signals_agree(here: Path, rule: Rule) -> Iterator[Finding]:
    """Claims of one signal that nothing it can say fulfils together."""
    asked: dict[str, list[SignalTest]] = {}
    for at, said in enumerate(rule.signals):
        so_far = asked.setdefault(said.signal, [])
        before = _can_be(so_far)
        so_far.append(said)
        if before and not _can_be(so_far) and (len(so_far) > 1 or not _is_plain(said)):
            yield Finding((*here, "signals", at), f"nothing that {said.signal} can say",
                          "what it can say" if len(so_far) == 1 else "what it can say beside the other claim of it",
                          "this can never be true")  # fmt: skip


def _is_plain(said: SignalTest) -> bool:
    """Whether `claim` has found already what is wrong with it."""
    words_clash = said.is_ is not None and said.is_not is not None and set(said.is_) <= set(said.is_not)
    bounds_clash = said.above is not None and said.below is not None and said.above >= said.below
    return words_clash or bounds_clash


def _can_be(asked: list[SignalTest]) -> bool:
    """Whether one word, or one number, fulfils all claims; without listed words any but the excluded ones may come."""
    listed = next((said.is_ for said in asked if said.is_ is not None), None)
    if listed is not None:
        return any(all(_passes(said, word) for said in asked) for word in listed)
    above = max((said.above for said in asked if said.above is not None), default=float("-inf"))
    return all(said.below is None or said.below > above for said in asked)


def _passes(said: SignalTest, word: str) -> bool:
    if (said.is_ is not None and word not in said.is_) or word in (said.is_not or ()):
        return False
    if said.above is None and said.below is None:
        return True
    try:
        number = float(word)
    except ValueError:
        return False
    return (said.above is None or number > said.above) and (said.below is None or number < said.below)


def _usage(here: Path, rule: Rule) -> Iterator[Finding]:
    if rule.ran_today is not None and rule.ran_today + rule.lasting_ms >= DAY_MS:
        yield Finding((*here, "ran_today"), duration_text(rule.ran_today), "less than a day, with lasting",
                      "no load runs longer than that in one")  # fmt: skip
    if rule.spent is not None and rule.spent.over_wh is None and rule.spent.over_money is None:
        yield Finding((*here, "spent"), "no bound", "over_wh or over_money")


def _oversight(settings: Settings, here: Path, rule: Rule, loads: list[Meter]) -> Iterator[Finding]:
    if rule.breaker_share is not None and loads and all(meter.breaker_a is None for meter in loads):
        yield Finding((*here, "breaker_share"), f"{rule.breaker_share:g}", f"breaker_a on the meter {loads[0].name}",
                      "the amperes that stand on the breaker")  # fmt: skip
    for meter in loads if rule.breaker_share is not None else ():
        limit_w = (rule.breaker_share or 0) * (meter.breaker_a or 0) * settings.house.mains_v
        if limit_w > meter.highest_w and not meter.computed:
            yield Finding((*here, "breaker_share"), f"{rule.breaker_share:g}, which is {limit_w:g} W",
                          f"at most highest_w of {meter.name}, {meter.highest_w:g}",
                          "readings beyond it are refused: this can never be true")  # fmt: skip
        elif limit_w and rule.release_w is not None and rule.release_w > limit_w:
            yield Finding((*here, "release_w"), f"{rule.release_w:g}", f"at most {limit_w:g}, the share in watts")
    for key in ("level", "above_w", "below_w"):
        if rule.unheard is not None and getattr(rule, key) is not None:
            yield Finding((*here, key), f"{key} beside unheard", "one of the two",
                          "what is not heard has no known level or watts: this can never be true")  # fmt: skip
    parents = {meter.within for meter in settings.meters}
    if rule.exceeded_by_w is not None and loads and not any(meter.name in parents for meter in loads):
        yield Finding((*here, "exceeded_by_w"), f"{loads[0].name}", "a meter that others are within",
                      "nothing within it can exceed it")  # fmt: skip
    for key in ("breaker_share", "exceeded_by_w", "unheard"):
        if rule.together and getattr(rule, key) is not None:
            yield Finding((*here, key), f"{key} of several together", "no together beside it: each by itself")


def _told(settings: Settings, here: Path, rule: Rule) -> Iterator[Finding]:
    channels = [channel.name for channel in settings.channels]
    for at, name in enumerate(rule.tell or ()):
        if name not in channels:
            yield Finding((*here, "tell", at), f'"{name}"', "the name of a channel", nearest(name, channels))
    if not settings.channels:
        yield Finding(here, "", "no [[channels]]: this rule's episodes are kept, but nobody is told",
                      severity="warning")  # fmt: skip
