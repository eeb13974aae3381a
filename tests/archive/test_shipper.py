"""The shipper against a database that answers as it is told: nothing is lost, nothing hangs, no secret is said."""

import threading
from concurrent.futures import Future
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from support.house import settings_of
from support.servers import until
from wattround.archive.shipper import Shipper
from wattround.core.archiving import Parcel
from wattround.ledger.batch import ArchiveRow

pytestmark = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")


class Database(ThreadingHTTPServer):
    """Answers with the next of `answers` (a status, or what makes one of the body), then 204 for ever."""

    daemon_threads = True

    def __init__(self, *answers, always=204, body=b""):
        super().__init__(("127.0.0.1", 0), Handler)
        self.answers, self.always, self.body = list(answers), always, body
        self.requests = []
        threading.Thread(target=self.serve_forever, daemon=True).start()

    @property
    def url(self):
        return f"http://127.0.0.1:{self.server_address[1]}"


class Handler(BaseHTTPRequestHandler):
    def do_POST(self):
        lines = self.rfile.read(int(self.headers["Content-Length"])).decode().splitlines()
        self.server.requests.append((lines, self.headers.get("Authorization")))
        answer = self.server.answers.pop(0) if self.server.answers else self.server.always
        status = answer(lines) if callable(answer) else answer
        self.send_response(status)
        self.send_header("Content-Length", "0" if status == 204 else str(len(self.server.body)))
        self.end_headers()
        if status != 204:
            self.wfile.write(self.server.body)

    def log_message(self, *_):
        pass


class Queue:
    """Hands out full parcels one behind another, from the first that has not arrived; those asked for ahead, too."""

    def __init__(self, count):
        self.left, self.arrived, self.troubles = list(range(count)), [], []

    def ask(self, what, following=None, **facts):
        reply = Future()
        if what == "archive-rows":
            first = following.after[0] + 1 if following else (self.left or [1_000])[0]
            rows = [row(first * 10 + each) for each in range(3)]
            reply.set_result(Parcel(rows if first in self.left else [], in_order=True, after=(first, 0)))
            return reply
        if what == "archive-arrived":
            self.arrived.append(facts["parcel"].after[0])
            self.left.remove(facts["parcel"].after[0])
        else:
            self.troubles.append(facts["trouble"])
        reply.set_result(None)
        return reply


class CoreSide:
    """Hands out one parcel until it has arrived; remembers what it is told."""

    def __init__(self, rows):
        self.rows, self.arrived, self.troubles = rows, [], []

    def ask(self, what, **facts):
        reply = Future()
        if what == "archive-rows":
            reply.set_result(Parcel([] if self.arrived else self.rows, in_order=True))
            return reply
        if what == "archive-arrived":
            self.arrived.append(facts["parcel"])
        else:
            self.troubles.append(facts["trouble"])
        reply.set_result(None)
        return reply


def row(minute):
    return ArchiveRow(minute, 1, 0, f"wattround_minute,house=h,meter=m in_wh=1.0 {minute * 60_000}")


ROWS = [row(29_000_000 + number) for number in range(40)]


@pytest.fixture
def ship(monkeypatch):
    """Runs a shipper against a database until `enough`."""
    monkeypatch.setattr("wattround.archive.shipper.FIRST_WAIT_S", 0.02)
    stops = []

    def run(database, enough, token="", rows=ROWS, core=None):
        settings = settings_of(
            f'[archive]\nurl = "{database.url}"\n{token}\n[[meters]]\nname = "m"\npower = {{ topic = "t" }}\n'
        )
        core, stop = core or CoreSide(rows), threading.Event()
        shipper = Shipper(settings.archive, core.ask)
        thread = threading.Thread(target=shipper.run, args=(stop,))
        thread.start()
        stops.append((stop, thread, database))
        until(lambda: enough(core))
        return core

    yield run
    for stop, thread, database in stops:
        stop.set()
        thread.join(5)
        assert not thread.is_alive()
        database.shutdown()
        database.server_close()


@pytest.mark.parametrize("trouble", [500, 503, 429, 401, 404, 200, 307])
def test_anything_but_204_is_tried_again(ship, trouble):
    database = Database(trouble)
    core = ship(database, lambda core: core.arrived)

    assert len(database.requests) == 2
    assert str(trouble) in core.troubles[0]


def test_an_answer_that_is_no_text_is_tried_again(ship):
    core = ship(Database(500, body=b"\xff\xfe\xfd"), lambda core: core.arrived)

    assert len(core.troubles) == 1


def test_one_row_that_is_refused_does_not_hold_up_the_others(ship):
    poison = f" {29_000_007 * 60_000}"
    refuse = lambda lines: 400 if any(line.endswith(poison) for line in lines) else 204  # noqa: E731
    database = Database(always=refuse)
    ship(database, lambda core: core.arrived)

    taken = {
        line for lines, _ in database.requests if not any(line.endswith(poison) for line in lines) for line in lines
    }
    assert len(taken) == len(ROWS) - 1


@pytest.mark.parametrize("status", [400, 413, 422])
def test_a_database_that_refuses_everything_loses_nothing(ship, status):
    """A wrong address or organisation is no reason to leave rows out."""
    core = ship(Database(always=status), lambda core: core.troubles)

    assert core.arrived == []


@pytest.mark.parametrize("status", [400, 422])
def test_a_database_that_begins_to_refuse_everything_loses_nothing_either(ship, status, monkeypatch):
    """A setting of its is changed, and changed back: a row is left out only while others are taken."""
    monkeypatch.setattr("wattround.archive.shipper.IDLE_S", 0.05)
    database = Database(always=lambda _lines: status if refusing.is_set() else 204)
    refusing = threading.Event()
    core = ship(database, lambda core: core.arrived, rows=ROWS[:1])
    refusing.set()
    core.rows = ROWS[1:3]
    core.arrived.clear()
    until(lambda: core.troubles)
    assert core.arrived == []
    refusing.clear()

    until(lambda: core.arrived)
    assert len(database.requests[-1][0]) == 2


def test_a_single_row_that_is_refused_is_left_out_where_an_earlier_one_is_still_taken(ship, monkeypatch):
    """A house of one meter: its parcels have one row each."""
    monkeypatch.setattr("wattround.archive.shipper.IDLE_S", 0.05)
    poison = f" {ROWS[1].minute * 60_000}"
    database = Database(always=lambda lines: 400 if any(line.endswith(poison) for line in lines) else 204)
    core = ship(database, lambda core: core.arrived, rows=ROWS[:1])
    core.rows = ROWS[1:2]
    core.arrived.clear()

    until(lambda: core.arrived)
    assert core.troubles == []


def test_a_database_that_takes_rows_again_just_as_it_is_asked_whether_it_does_loses_nothing(ship, monkeypatch):
    monkeypatch.setattr("wattround.archive.shipper.IDLE_S", 0.05)
    database = Database(204, 400)
    core = ship(database, lambda core: core.arrived, rows=ROWS[:1])
    core.rows = ROWS[1:2]
    core.arrived.clear()

    until(lambda: core.arrived)
    assert database.requests[-1][0][0].endswith(f" {ROWS[1].minute * 60_000}")


def test_a_parcel_that_is_too_large_is_halved(ship):
    database = Database(always=lambda lines: 413 if len(lines) > 8 else 204)
    ship(database, lambda core: core.arrived)

    assert sum(len(lines) for lines, _ in database.requests if len(lines) <= 8) == len(ROWS)


def test_the_token_is_sent_and_never_said(ship, tmp_path, capfd):
    file = tmp_path / "token"
    file.write_text("s3cret-token\n")
    database = Database(401)
    core = ship(database, lambda core: core.arrived, f'token_file = "{file}"')

    assert [authorization for _, authorization in database.requests] == ["Token s3cret-token"] * 2
    assert "s3cret" not in " ".join(core.troubles)
    assert "s3cret" not in "".join(capfd.readouterr())


def test_a_token_with_a_line_break_is_refused_and_never_said(ship, tmp_path, capfd):
    file = tmp_path / "token"
    file.write_text("s3cret\nmore\n")
    core = ship(Database(), lambda core: core.troubles, f'token_file = "{file}"')

    assert "one line of plain characters" in core.troubles[0]
    assert "s3cret" not in "".join(capfd.readouterr()) + core.troubles[0]


@pytest.mark.parametrize("answers", [[], [204, 500], [204, 204, 401, 503]])
def test_parcels_go_out_in_order_and_each_until_it_is_taken(ship, monkeypatch, answers):
    """What was asked for ahead is asked for anew after a failure."""
    monkeypatch.setattr("wattround.core.archiving.BATCH_ROWS", 3)
    database = Database(*answers)
    core = ship(database, lambda core: len(core.arrived) == 6, core=Queue(6))

    taken = [lines for number, (lines, _) in enumerate(database.requests) if [*answers, *[204] * 9][number] == 204]
    assert core.arrived == list(range(6))
    assert [int(lines[0].rsplit(" ")[-1]) // 600_000 for lines in taken] == list(range(6))
    assert len(core.troubles) == sum(answer != 204 for answer in answers)
