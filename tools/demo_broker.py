"""A broker for the demo where mosquitto is not installed: amqtt on a loopback port. Argument: port."""

from __future__ import annotations

import asyncio
import logging
import sys

from amqtt.broker import Broker


async def serve(port: int) -> None:
    broker = Broker(
        {
            "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}},
            "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        }
    )
    await broker.start()
    await asyncio.Event().wait()


if __name__ == "__main__":
    logging.disable(logging.CRITICAL)
    asyncio.run(serve(int(sys.argv[1])))
