"""What happens by the calendar. The ledger decides whether it is due; the scheduler only knocks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from wattround.config.letter import WeeklyLetter

UPKEEP_HOUR, UPKEEP_MINUTE = 4, 10
"""Local time; none between two and three, which clock changes skip or repeat."""
LETTER = "letter"


class Calendar:
    """Knocks at the core once a day, and at the letter's desk once a week."""

    def __init__(self, time_zone: str, knock: Callable[[], object]) -> None:
        from apscheduler.schedulers.background import BackgroundScheduler  # noqa: PLC0415 - only the running daemon

        self._scheduler: Any = BackgroundScheduler(
            timezone=time_zone,
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1},
        )
        self._scheduler.add_job(knock, "cron", hour=UPKEEP_HOUR, minute=UPKEEP_MINUTE)

    def weekly(self, letter: WeeklyLetter | None, time_zone: str, knock: Callable[[], object]) -> None:
        """Knock at a letter's hour from now on; None: no more."""
        if self._scheduler.get_job(LETTER) is not None:
            self._scheduler.remove_job(LETTER)
        if letter is not None:
            hour, minute = divmod(letter.at, 60)
            self._scheduler.add_job(
                knock, "cron", id=LETTER, day_of_week=letter.day, hour=hour, minute=minute, timezone=time_zone
            )

    def start(self) -> None:
        """Begin."""
        self._scheduler.start()

    def stop(self) -> None:
        """End at once; its jobs only put a request into a queue, or set a flag."""
        self._scheduler.shutdown(wait=False)
