"""The archive's thread: asks the core for rows, sends them, reports what the database answered."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from concurrent.futures import TimeoutError as FutureTimeout
from typing import Any

import structlog

from wattround.archive.client import write_service
from wattround.config.model import Archive
from wattround.config.secrets import MissingSecret, secret_of
from wattround.ledger.batch import ArchiveRow

log = structlog.get_logger("archive")

IDLE_S = 5.0
FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 300.0
TIMEOUT_MS = 20_000
CONTENT = (400, 413, 422)
"""Statuses that may be about what was sent, and not about who asks, or when."""
Ask = Callable[..., Future[Any]]


class Refused(Exception):  # noqa: N818 - reads as what it is
    """The database answered, and not with success. `status` is HTTP's."""

    def __init__(self, status: int, text: str) -> None:
        super().__init__(f"HTTP {status}: {text}")
        self.status = status


class Port:
    """The one call that we need of a time-series database: write lines, all or an error."""

    def __init__(self, archive: Archive) -> None:
        token = secret_of(archive.token, archive.token_file, archive.token_credential)
        self._archive = archive
        self._service = write_service(archive.url, token or "none", TIMEOUT_MS, archive.ca_file)

    def write(self, lines: list[str]) -> None:
        """Write lines stamped in milliseconds.

        Raises:
            Refused: if the database did not say that it has them.
            ConnectionError: if it could not be reached.
        """
        from influxdb_client.rest import ApiException  # noqa: PLC0415
        from urllib3.exceptions import HTTPError  # noqa: PLC0415

        try:
            _, status, _ = self._service.post_write_with_http_info(
                self._archive.org, self._archive.bucket, "\n".join(lines), precision="ms"
            )
        except ApiException as error:
            raise Refused(int(error.status or 0), str(error.reason)) from None
        except HTTPError as error:
            raise ConnectionError(type(error).__name__) from None
        except ValueError:  # an error page in no known encoding
            raise Refused(0, "an answer that cannot be read: is this a time-series database?") from None
        if status != 204:  # anything else is not a database that took them
            raise Refused(int(status), "204 was expected: is this the write address of a time-series database?")

    def close(self) -> None:
        """Give up the connection."""
        self._service.api_client.rest_client.pool_manager.clear()


class Shipper:
    """Follows the ledger. An outage costs nothing but time."""

    def __init__(self, archive: Archive, ask: Ask) -> None:
        self._archive, self._ask = archive, ask
        self._failures = 0
        self._taken = ""
        self._following: Future[Any] | None = None
        self.beat_s = time.monotonic()

    def run(self, stop: threading.Event) -> None:
        """Ship until told to stop."""
        port: Port | None = None
        while not stop.is_set():
            try:
                port = port or Port(self._archive)
                shipped = self._ship(port, stop)
            except (Refused, ConnectionError, MissingSecret) as error:
                self._following = None
                if isinstance(error, Refused) and error.status in (401, 403) and port is not None:
                    port.close()
                    port = None  # the token may have been renewed meanwhile
                self._note(str(error))
                self._pause(stop, min(LONGEST_WAIT_S, FIRST_WAIT_S * 2 ** min(self._failures, 9)))
                continue
            if not shipped:
                self._pause(stop, IDLE_S)
        if port is not None:
            port.close()

    def _pause(self, stop: threading.Event, seconds: float) -> None:
        until = time.monotonic() + seconds
        while not stop.is_set() and (left := until - time.monotonic()) > 0:
            self.beat_s = time.monotonic()
            stop.wait(min(left, 0.5))

    def _answer(self, reply: Future[Any], stop: threading.Event) -> Any:
        while not stop.is_set():
            self.beat_s = time.monotonic()
            try:
                return reply.result(timeout=0.5)
            except FutureTimeout:
                continue
        return None

    def _ship(self, port: Port, stop: threading.Event) -> bool:
        """Ship one parcel; False if there was nothing to ship."""
        parcel = self._answer(self._following, stop) if self._following else None
        self._following = None
        if parcel is None or not parcel.rows:
            parcel = self._answer(self._ask("archive-rows"), stop)
        if parcel is None or not parcel.rows:
            return False
        if parcel.more:  # the core reads them while the database takes these
            self._following = self._ask("archive-rows", following=parcel)
        self._write(port, parcel.rows, stop)
        told = self._ask("archive-arrived", parcel=parcel)
        if self._following is None:
            self._answer(told, stop)
        if self._failures:
            log.info("archive works again", failures=self._failures)
            self._failures = 0
        return True

    def _write(self, port: Port, rows: list[ArchiveRow], stop: threading.Event) -> bool:
        """Write rows; where they are refused for their content, halve, and leave the single bad one out.

        A database that takes no row at all has a wrong address or a wrong setting: then nothing is left out.
        Returns whether some were taken.
        """
        self.beat_s = time.monotonic()
        try:
            port.write([row.line for row in rows])
        except Refused as error:
            if error.status not in CONTENT or stop.is_set():
                raise
            if len(rows) == 1:
                if not self._taken:
                    raise
                port.write([self._taken])  # does it still take what it has taken before?
                return self._last_try(port, rows[0])
            half = len(rows) // 2
            first = self._write(port, rows[:half], stop)
            return self._write(port, rows[half:], stop) or first
        self._taken = rows[-1].line
        return True

    def _last_try(self, port: Port, row: ArchiveRow) -> bool:
        """Others are taken, or are taken again: whether this one is, too. If not, it is left out."""
        try:
            port.write([row.line])
        except Refused as error:
            if error.status not in CONTENT:
                raise
            log.error("archive refuses a row, left out", row=row._asdict(), answer=str(error))
            return False
        return True

    def _note(self, trouble: str) -> None:
        self._failures += 1
        self._ask("archive-trouble", trouble=trouble)
        if self._failures in (1, 5) or self._failures % 60 == 0:
            log.warning("archive does not take rows, they wait in the ledger", url=self._archive.url, trouble=trouble,
                        failures=self._failures)  # fmt: skip
