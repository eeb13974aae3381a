"""Tell systemd how we are (sd_notify): one datagram to the socket that it names; nothing elsewhere."""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping


class Notifier:
    """Speaks to systemd's notification socket, if there is one."""

    def __init__(self, environment: Mapping[str, str]) -> None:
        address = environment.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        mine = environment.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        self.watchdog_ms = int(environment.get("WATCHDOG_USEC", "0")) // 1000 if mine else 0

    def say(self, **facts: str) -> bool:
        """Send assignments such as READY="1"; False if nobody listens."""
        if not self._address:
            return False
        text = "\n".join(f"{key}={value}" for key, value in facts.items())
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
                sender.connect(self._address)
                sender.sendall(text.encode())
        except OSError:
            return False
        return True
