"""The system's Chromium, told to keep to itself."""

from __future__ import annotations

import shutil
from typing import Any

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip


def launch(playwright: Any) -> Any:
    """A browser with a new, empty profile."""
    return playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
