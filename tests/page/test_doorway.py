"""The page's thread: brings in its libraries with the first visitor, and whatever is wrong with it, measuring goes on."""

import io
import socket
import subprocess
import sys
import threading
from contextlib import suppress

import pytest

from ports import free_port
from support.house import HouseRun, settings_of
from support.paper import BEGIN_MS, Paper
from support.servers import until
from wattround.config.page import place_of
from wattround.logs import configure_logs
from wattround.page.doorway import Doorway
from wattround.page.lanes import MOST_WAITING, Busy, Lane

pytestmark = pytest.mark.server
METER = '[[meters]]\nname = "tv"\npower = { topic = "t/tv" }\n'

VISIT = """
import socket, sys, threading
from concurrent.futures import Future
from wattround.page.doorway import Doorway
from wattround.config.page import Page, place_of
class Settings: page = Page()
place = place_of("127.0.0.1:{port}")
stop = threading.Event()
door = Doorway(lambda: Settings, lambda what, **facts: Future(), place)
thread = threading.Thread(target=door.run, args=(stop,)); thread.start()
def loaded(): return sorted({{"fastapi", "uvicorn", "jinja2", "wattround.analysis", "numpy", "pandas", "typer"}} & set(sys.modules))
import time
for _ in range(200):
    with socket.socket() as probe:
        if not probe.connect_ex(("127.0.0.1", {port})) == 0: time.sleep(0.02); continue
        before = loaded() if not probe.getpeername() is None else None
        probe.sendall(b"GET /look.css HTTP/1.0\\r\\nHost: localhost\\r\\n\\r\\n")
        answer = probe.recv(20)
        break
print(answer, loaded())
stop.set(); thread.join(10); print(thread.is_alive())
"""


def test_nothing_is_brought_in_before_somebody_comes_and_never_the_analysis_stack():
    code = "import sys, wattround.service, wattround.page.doorway; print(sorted({'fastapi', 'uvicorn', 'wattround.page.server', 'wattround.analysis'} & set(sys.modules)))"
    alone = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True, timeout=60)
    assert alone.stdout == "[]\n"

    visited = subprocess.run(
        [sys.executable, "-c", VISIT.format(port=free_port())], check=True, capture_output=True, text=True, timeout=60
    )
    answer, alive = visited.stdout.splitlines()[-2:]
    assert answer == "b'HTTP/1.1 200 OK\\r\\ndat' ['fastapi', 'jinja2', 'uvicorn', 'wattround.analysis']"
    assert alive == "False"


MISSING = """
import sys, threading
for name in {names}: sys.modules[name] = None
import importlib.util
found = importlib.util.find_spec
importlib.util.find_spec = lambda name, *more: None if name in {names} else found(name, *more)
from wattround.page.doorway import Doorway
from wattround.config.page import place_of
stop = threading.Event()
door = Doorway(lambda: None, lambda *_: None, place_of("127.0.0.1:{port}"))
thread = threading.Thread(target=door.run, args=(stop,)); thread.start()
import socket
with socket.socket() as probe: free = probe.connect_ex(("127.0.0.1", {port})) != 0
stop.set(); thread.join(10)
print("\\nfree", free, "alive", thread.is_alive())
"""


def test_where_a_library_is_missing_it_says_what_to_do_and_goes_on():
    code = MISSING.format(names=["fastapi"], port=free_port())
    answer = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True, timeout=60)

    said = answer.stdout + answer.stderr
    assert "no page: a library is not installed" in said
    assert "fastapi" in said
    assert ".[page]" in said
    assert 'page.listen = \\"off\\"' in said or 'page.listen = "off"' in said
    assert "\nfree True alive False\n" in answer.stdout


def served(folder, page):
    settings = settings_of(METER + page, folder / "ledger")
    stop = threading.Event()
    door = Doorway(lambda: settings, lambda *_a, **_k: None, place_of(settings.page.listen))
    thread = threading.Thread(target=door.run, args=(stop,), daemon=True)
    thread.start()
    return stop, thread, door


def test_a_port_that_is_taken_is_told_once_and_tried_again(tmp_path, said, monkeypatch):
    monkeypatch.setattr("wattround.page.doorway.RETRY_S", 0.0)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        stop, thread, _ = served(tmp_path, f'[page]\nlisten = "127.0.0.1:{port}"\n')
        until(lambda: "Address already in use" in said())
    until(lambda: "the page waits" in said())
    stop.set()
    thread.join(10)

    assert said().count("Address already in use") == 1
    assert not thread.is_alive()


@pytest.fixture
def said():
    """What was logged so far."""
    out = io.StringIO()
    configure_logs(out)
    yield out.getvalue
    configure_logs()


def test_a_token_that_is_missing_is_told_with_its_place_and_no_page_is_shown(tmp_path, said):
    port = free_port()
    stop, thread, _ = served(tmp_path, f'[page]\nlisten = "127.0.0.1:{port}"\ntoken_file = "{tmp_path}/none"\n')
    until(lambda: "the page waits" in said())
    with suppress(ConnectionResetError):  # turned away, perhaps before the connection stood
        socket.create_connection(("127.0.0.1", port), timeout=10).close()
    until(lambda: "none: No such file" in said())
    stop.set()
    thread.join(10)


def test_it_stops_at_once_while_somebody_listens(tmp_path):
    made = Paper(tmp_path, hours=0)
    with made:
        raw = socket.create_connection(("127.0.0.1", made.port), timeout=10)
        raw.sendall(b"GET /live HTTP/1.0\r\nHost: localhost\r\n\r\n")
        assert raw.recv(12).endswith(b"200")
    raw.close()


OTHER = '[house]\nid = "testhouse"\nname = "Another"\ntime_zone = "UTC"\ncurrency = "USD"\nprice_per_kwh = 1\n'


def test_other_settings_are_shown_from_the_next_look_on(tmp_path):
    with Paper(tmp_path, hours=0) as made:
        made.settings = settings_of(METER, made.run.folder, OTHER)
        text = made.get("/").text
        assert "Another" in text
        assert "Money in USD" in text


# -- lanes ------------------------------------------------------------------------------------------


def test_a_lane_does_one_job_at_a_time_and_the_same_question_once(tmp_path):
    run = HouseRun(tmp_path, METER, BEGIN_MS)
    lane = Lane("lane", lambda: run.settings)
    begun, go_on = [], threading.Event()

    def job(_tally):
        begun.append(1)
        go_on.wait(10)
        return len(begun)

    first = lane.begin("a", job)
    until(lambda: begun)
    same = lane.begin("a", job)
    others = [lane.begin(number, job) for number in range(MOST_WAITING - 1)]
    with pytest.raises(Busy):
        lane.begin("too many", job)
    assert len(begun) == 1
    go_on.set()
    assert first.result(10) == 1
    assert same is first
    assert [each.result(10) for each in others] == list(range(2, MOST_WAITING + 1))
    assert lane.begin("b", job, keep_s=3600).result(10) == lane.begin("b", job, keep_s=3600).result(10)
    lane.close()
    run.close()
