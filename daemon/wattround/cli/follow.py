"""`wattround walk --follow`: the watts of a few meters in large figures, for whoever reads them from afar."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from difflib import get_close_matches

from rich.console import Console
from rich.live import Live
from rich.text import Text

from wattround.cli.ears import Ears, Keys

_FIGURES = {
    "0": "███/█ █/█ █/█ █/███", "1": "██ / █ / █ / █ /███", "2": "███/  █/███/█  /███", "3": "███/  █/███/  █/███",
    "4": "█ █/█ █/███/  █/  █", "5": "███/█  /███/  █/███", "6": "███/█  /███/█ █/███", "7": "███/  █/  █/  █/  █",
    "8": "███/█ █/███/█ █/███", "9": "███/█ █/███/  █/███", "-": "   /   /███/   /   ", "+": "   / █ /███/ █ /   ",
    ".": "   /   /   /   / █ ", "?": "███/  █/ ██/   / █ ",
}  # fmt: skip
LINES, STRIDE = 5, 4
FINE_W = 100.0
"""Below this a decimal is shown."""


class Follow:
    """Shows what it hears until it is interrupted; Enter begins the difference anew."""

    def __init__(self, ears: Ears, keys: Keys, names: Sequence[str]) -> None:
        known = [name for name, meter in ears.house.meters.items() if not meter.captured]
        for name in names:
            if name not in known and not any(meter.captured for meter in ears.house.meters.values()):
                near = get_close_matches(name, known, 1)
                hint = f" (did you mean {near[0]}?)" if near else f": {', '.join(known)}"
                raise ValueError(f'--follow: found "{name}"; expected the name of a meter{hint}')
        self._ears, self._keys, self._names = ears, keys, names
        self._marks: dict[str, float] = {}

    def run(self) -> None:
        """Until it is interrupted, or the keyboard is gone."""
        console = Console(highlight=False)
        with Live(self._page(), console=console, auto_refresh=False, screen=console.is_terminal) as display:

            def turn() -> bool:
                if self._keys.line() is not None:
                    self._mark()
                display.update(self._page(), refresh=True)
                return False

            self._ears.listen(turn)

    def _mark(self) -> None:
        now_ms = self._ears.now_ms()
        found = {name: self._ears.house.watts(name, now_ms) for name in self._names}
        self._marks = {name: watts for name, watts in found.items() if watts is not None}

    def _page(self) -> Text:
        now_ms = self._ears.now_ms()
        width = shutil.get_terminal_size((40, 24)).columns
        lines: list[str] = []
        for name in self._names:
            watts = self._ears.house.watts(name, now_ms)
            lines += [f"{name}, W", *large(number_text(watts), width), ""]
            if name in self._marks:
                change = None if watts is None else watts - self._marks[name]
                lines += ["since Enter, W", *large(number_text(change, signed=True), width), ""]
        lines.append("Enter: begin the difference here. Ctrl-C: end.")
        return Text("\n".join(lines))


def number_text(watts: float | None, *, signed: bool = False) -> str:
    """Watts as they are shown: small ones with a decimal; "?" while they are not known."""
    if watts is None:
        return "?"
    digits = 1 if abs(watts) < FINE_W else 0
    return f"{watts:{'+' if signed else ''}.{digits}f}"


def large(text: str, width: int) -> list[str]:
    """Five lines of figures; one plain line where there is no room for them."""
    if len(text) * STRIDE > width:
        return [text]
    return [" ".join(_FIGURES[each].split("/")[line] for each in text) for line in range(LINES)]
