"""What is said of a round, in short sentences."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from wattround.analysis.walk.combine import Combined, rounded
from wattround.analysis.walk.house import Hear
from wattround.analysis.walk.round import Other, Verdict

CAUTIONS = (
    "Work inside a panel is for a licensed electrician. The round needs nobody there: switches and plugs will do.",
    "Leave alone what cools food or medicine, what is medical, and what keeps somebody safe.",
    "Shut a computer down first. Do not just cut its power.",
    "Heaters, ovens, pumps: no more often than you would switch them anyway.",
)


def meters_heard(heard: Sequence[Hear]) -> Iterator[str]:
    """Which can be used, how often they come, and what is wrong with the others."""
    well = [each for each in heard if not each.trouble and each.rhythm is not None]
    rhythms = Counter(_rhythm(each) for each in well)
    shown = ", ".join(f"{count} {rhythm}" for rhythm, count in rhythms.most_common())
    yield f"{len(well)} of {len(heard)} meters can be followed{': ' if shown else '.'}{shown}{'.' if shown else ''}"
    for each in heard:
        if each.trouble:
            yield f"  {each.name}: {each.trouble}."


def _rhythm(of: Hear) -> str:
    if of.rhythm is None:
        return "silent"
    if of.rhythm.at_changes:
        return "when they change"
    every_s = of.rhythm.every_ms / 1000
    return f"every {every_s:.0f} s" if every_s >= 0.95 else "several times a second"


def watts_text(found: Combined) -> str:
    """Watts and how far off they may be: "58.1 W ± 0.9"."""
    watts, off = rounded(found.watts, found.expanded_w)
    return f"{watts} W ± {off}"


def verdict_lines(found: Verdict, place: str) -> Iterator[str]:
    """What the repeats say so far; `place` is what people call the circuit."""
    if found.found is None or found.place.name is None:
        yield from _nothing(found)
        return
    times = f"{found.found.repeats} time{'s' if found.found.repeats > 1 else ''}"
    yield f"{watts_text(found.found)} on {place}, seen {times}."
    if not found.found.is_clear:
        yield "That cannot be told from nothing."
    yield from (f"Note: {remark}." for remark in found.remarks)
    if found.place.doubtful:
        yield f"It may hang on {', '.join(found.place.doubtful)}: too noisy or too slow to tell so far."


def _nothing(found: Verdict) -> Iterator[str]:
    if found.place.candidates:
        yield f"Cannot tell where it hangs: {', '.join(found.place.candidates)} moved with it."
    elif found.blind_w is not None:
        yield f"No circuit moved. {found.blind_w:.1f} W or more would have been seen."
    else:
        yield "Cannot tell: no circuit could be read before and after."


def inrush_line(found: Verdict) -> str:
    """What it drew more at first; nothing where nothing was seen."""
    if found.inrush_w is None:
        return ""
    return f"At first it drew {found.inrush_w:.0f} W more, at least: what is shorter than a reading is not seen."


def wanted_line(found: Verdict) -> str:
    """What is still wanted."""
    if found.found is None:
        return "Once more may tell."
    if found.more is None:
        return (
            f"More repeats would hardly help: this circuit is not quiet enough. ± {found.found.expanded_w:.1f} W it is."
        )
    if found.more == 0:
        return "That is enough."
    return f"{found.more} more switch{'es are' if found.more > 1 else ' is'} wanted."


def others_line(others: Sequence[Other], titles: dict[str, str]) -> str:
    """What else moved meanwhile; nothing where nothing did."""
    shown = ", ".join(f"{titles.get(each.name, each.name)} {each.watts:+.0f} W" for each in others[:3])
    return f"Meanwhile something else switched: {shown}." if shown else ""
