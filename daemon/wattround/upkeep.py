"""What happens by the calendar. The ledger decides whether it is due; the scheduler only knocks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

UPKEEP_HOUR, UPKEEP_MINUTE = 4, 10
"""Local time; none between two and three, which clock changes skip or repeat."""


class Calendar:
    """Knocks at the core once a day."""

    def __init__(self, time_zone: str, knock: Callable[[], object]) -> None:
        from apscheduler.schedulers.background import BackgroundScheduler  # noqa: PLC0415 - only the running daemon

        self._scheduler: Any = BackgroundScheduler(
            timezone=time_zone,
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1},
        )
        self._scheduler.add_job(knock, "cron", hour=UPKEEP_HOUR, minute=UPKEEP_MINUTE)

    def start(self) -> None:
        """Begin."""
        self._scheduler.start()

    def stop(self) -> None:
        """End at once; its one job only puts a request into a queue."""
        self._scheduler.shutdown(wait=False)
