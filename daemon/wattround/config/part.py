"""What every table of the file has in common."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

MINUTE_MS = 60_000
HOUR_MS = 3_600_000
DAY_MS = 86_400_000


class Part(BaseModel):
    """Any table of the file: unknown keys are refused, types are not coerced, values never change."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, hide_input_in_errors=True, populate_by_name=True
    )
