"""What is wrong with the letter's settings as a whole."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from wattround.config.finding import Finding
from wattround.config.letter import WeeklyLetter

DAY_MINUTES = 1440


def letter_findings(letter: WeeklyLetter | None, channels: Sequence[tuple[str, bool]]) -> Iterator[Finding]:
    """Its hour lies within its day; its channels are there, and are for people. `channels`: names, and whether mqtt."""
    if letter is None:
        return
    if letter.at >= DAY_MINUTES:
        found = f'"{letter.at // 60}:{letter.at % 60:02}"'
        yield Finding(("letter", "at"), found, "a time before midnight", "for the small hours, name the day after")
    for_programs = {name for name, mqtt in channels if mqtt}
    for_people = [name for name, mqtt in channels if not mqtt]
    known = ", ".join(for_people) or "none is configured"
    for index, name in enumerate(letter.channels):
        if name in for_programs:
            yield Finding(
                ("letter", "channels", index), f'"{name}", which is MQTT', f"a channel with a URL: {known}",
                "a letter is for people; programs have wattround report --json",
            )  # fmt: skip
        elif name not in for_people:
            yield Finding(("letter", "channels", index), f'"{name}"', f"the name of a channel with a URL: {known}")
        elif name in letter.channels[:index]:
            yield Finding(("letter", "channels", index), f'"{name}"', "each channel once")
