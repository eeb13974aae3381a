"""The page of the real daemon: what a meter publishes is on it, and it comes, moves and goes with the settings."""

import json
import signal
import socket
import urllib.error
import urllib.request

import pytest

from ports import free_port, listening
from support.house import TV_RULE
from support.servers import until

pytestmark = pytest.mark.server


def get(port, path):
    with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=20) as answer:
        return answer.read().decode()


def page(port, more=""):
    return f'[page]\nlisten = "127.0.0.1:{port}"\n{more}'


def opened(daemon, port, broker_port, more=""):
    """A daemon whose page listens: it measures a moment earlier."""
    run = daemon(TV_RULE + page(port, more), broker_port)
    until(lambda: listening(port))
    return run


def test_what_a_plug_publishes_is_seen_at_once(mosquitto, hub, daemon):
    port = free_port()
    opened(daemon, port, mosquitto.port)
    until(lambda: hub.say("t/tv", 120) or json.loads(get(port, "/api/now"))["meters"][0]["watts_w"] == 120, every=0.2)

    with socket.create_connection(("127.0.0.1", port), timeout=20) as news:
        news.sendall(b"GET /live HTTP/1.0\r\nHost: localhost\r\n\r\n")
        until(lambda: '"tv":["120"' in news.recv(65_536).decode())
        hub.say("t/tv", 0)
        until(lambda: '"tv":["0","off"' in news.recv(65_536).decode())
    assert ">Television<" in get(port, "/")


def test_it_moves_with_the_settings_and_goes_with_them(mosquitto, daemon):
    first, second = free_port(), free_port()
    run = opened(daemon, first, mosquitto.port)
    text = run.file.read_text()
    assert "Television" in get(first, "/")

    run.file.write_text(text.replace(str(first), str(second)))
    run.process.send_signal(signal.SIGHUP)
    until(lambda: listening(second))
    assert "Television" in get(second, "/")
    assert not listening(first)

    run.file.write_text(text.replace(f"127.0.0.1:{first}", "off"))
    run.process.send_signal(signal.SIGHUP)
    until(lambda: not listening(second))
    assert run.now()["meters"][0]["name"] == "tv"


def test_the_daemon_stops_in_time_while_a_page_is_open(mosquitto, daemon):
    port = free_port()
    run = opened(daemon, port, mosquitto.port)
    with socket.create_connection(("127.0.0.1", port), timeout=20) as news:
        news.sendall(b"GET /live HTTP/1.0\r\nHost: localhost\r\n\r\n")
        assert news.recv(12).endswith(b"200")
        assert run.stop() == 0
    assert [event["clean"] for event in run.events() if event["event"] == "stopped"] == [True]


def test_two_daemons_that_want_one_port_both_measure(mosquitto, daemon):
    port = free_port()
    with socket.create_server(("127.0.0.1", port)):
        run = daemon(TV_RULE + page(port), mosquitto.port)
        until(lambda: [event for event in run.events() if "Address already in use" in str(event.get("trouble"))])
        assert run.now()["daemon"]["broker"] == "connected"
    until(lambda: listening(port))
    assert json.loads(get(port, "/health")) == {"state": "running"}


def test_a_token_is_needed_where_the_settings_say_so(mosquitto, daemon, tmp_path):
    port = free_port()
    (tmp_path / "token").write_text("a secret of the house\n")
    opened(daemon, port, mosquitto.port, f'token_file = "{tmp_path}/token"\n')

    with pytest.raises(urllib.error.HTTPError, match="401"):
        get(port, "/")
    request = urllib.request.Request(
        f"http://127.0.0.1:{port}/api/now", headers={"Authorization": "Bearer a secret of the house"}
    )
    with urllib.request.urlopen(request, timeout=20) as answer:
        assert json.load(answer)["house"] == "testhouse"
