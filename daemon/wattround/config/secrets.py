"""Where secrets come from: files and systemd credentials, read when they are needed."""

from __future__ import annotations

import os
from pathlib import Path

from pydantic import SecretStr


class MissingSecret(Exception):  # noqa: N818 - reads as what it is
    """A secret that the settings name cannot be read; the text names the place, never the value."""


def secret_of(inline: SecretStr | None, file: str | None, credential: str | None) -> str | None:
    """The secret's text without a trailing line end, or None when none is configured.

    Raises:
        MissingSecret: when the named file or credential is not there or empty.
    """
    if inline is not None:
        return _plain(inline.get_secret_value(), "the secret in the file")
    if file is None and credential is None:
        return None
    path = Path(file) if file is not None else _credential_path(str(credential))
    try:
        text = path.read_text().rstrip("\r\n")
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not text"
        raise MissingSecret(f"{path}: {reason}") from None
    return _plain(text, str(path))


def _plain(text: str, where: str) -> str:
    if not text or not text.isascii() or not text.isprintable():
        raise MissingSecret(f"{where}: one line of plain characters is expected")
    return text


def _credential_path(name: str) -> Path:
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    if folder is None:
        raise MissingSecret(f"credential {name}: not started by systemd with LoadCredential={name}:...")
    if "/" in name:
        raise MissingSecret(f"credential {name}: a name without a slash is expected")
    return Path(folder) / name
