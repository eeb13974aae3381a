"""The page as it is served: what it shows is what the house knows, what it refuses it says, and nothing leaks."""

import json
import re
import socket
import ssl
import subprocess
from decimal import Decimal

import pytest

from support.pages import read
from support.paper import Paper
from support.servers import until
from wattround.analysis.reporting.data import as_json
from wattround.analysis.reporting.inquiry import Asked, find
from wattround.page.guard import MOST_BODY
from wattround.page.live import MOST_LISTENERS

pytestmark = pytest.mark.server
PAGES = ["/", "/?by=watts", "/?by=money", "/load/tv", "/load/tv?span=week", "/load/tv?span=month", "/load/tv?span=year",
         "/load/supply", "/load/tv/costs", "/episodes", "/episodes?days=365", "/account", "/account?period=today",
         "/proofs", "/letters", "/upkeep"]  # fmt: skip
TOKEN = "a secret of the house"


def cells(page, row):
    return next(each for each in page.one("tbody").rows() if each[0].startswith(row))


# -- what is shown ----------------------------------------------------------------------------------


@pytest.mark.parametrize("path", PAGES)
def test_every_page_is_sound_html_and_names_are_unique(house, path):
    answer = house.get(path)
    page = read(answer.text)
    names = [each.attributes["id"] for each in page.walk() if "id" in each.attributes]

    assert answer.status == 200
    assert len(names) == len(set(names))
    assert len(page.all("h1")) == 1
    assert page.one("html").attributes["lang"] == "en"
    assert not [
        each
        for each in page.walk()
        if "style" in each.attributes or any(key.startswith("on") for key in each.attributes)
    ]
    for each in page.walk():
        assert set(each.attributes.get("aria-labelledby", "").split()) <= set(names)


def test_now_shows_what_the_core_says(house):
    facts = {meter["name"]: meter for meter in house.run.inbox.ask("now").result(timeout=30)["meters"]}
    page = read(house.get("/").text)
    watts, level, _, kwh, money = cells(page, "Television")[1:]

    assert (watts, level) == ("120", "active")
    assert abs(Decimal(money) - Decimal(facts["tv"]["today_cost"])) <= Decimal("0.01")
    assert abs(float(kwh) * 1000 - facts["tv"]["today_in_wh"]) <= 10
    assert "Television a is on, nobody home" not in page.text
    assert re.search(r"a Television is on, nobody home, for 2 h 59 min: 35\d Wh, 0\.09 EUR\.", page.one("aside").text)
    assert "Nobody home." in page.text


def test_rows_come_in_the_order_that_was_asked_for(house):
    def order(by):
        return [row[0].rstrip(" a") for row in read(house.get(f"/?by={by}").text).one("tbody").rows()]

    assert order("tree")[0] == "Supply"
    assert [each.split("in ")[0].strip().removesuffix("a").strip() for each in order("watts")][:2] == [
        "Supply",
        "Television",
    ]


def test_the_account_is_the_report_to_the_cent(house):
    answer = house.get("/account?period=today")
    now_ms = house.run.inbox.ask("now").result(timeout=30)["now_ms"]
    facts = json.loads(as_json(find(house.settings, Asked("today"), now_ms)))
    table = next(each for each in read(answer.text).all("table") if each.attributes.get("aria-labelledby") == "account")
    rows = {row["label"]: row for row in facts["rows"]}

    assert len(table.rows()) - 1 == len(facts["rows"])
    for label, *shown in table.rows()[1:]:
        assert Decimal(shown[-1]) == Decimal(rows[label]["money"])
        assert Decimal(shown[-3]) == round(Decimal(str(rows[label]["energy_kwh"])), 2)
    assert house.get("/api/account?period=today").json == facts


def test_a_day_of_a_load_has_the_energy_of_the_ledger(house):
    page = read(house.get("/load/tv").text)
    api = house.get("/api/loads/tv?span=day").json
    uwh = house.run.energy_uwh("tv")

    assert f"{uwh / 1e9:.2f} kWh, 120.0 W in the mean; heard for " in page.text
    assert api["energy_kwh"] == pytest.approx(uwh / 1e9, abs=0.003)
    assert {cell["mean_w"] for cell in api["cells"]} <= {120.0, None}
    assert page.text.count("tv-nobody-home") >= 1


def test_a_hostile_name_stays_a_name(tmp_path):
    hostile = '<script>alert(1)</script>&amp;\\" onload=\\"x'
    with Paper(tmp_path, label=hostile, name="</title><img src=x>", hours=1) as made:
        for path in ("/", "/load/tv", "/episodes", "/account?period=today", "/upkeep", "/load/tv/costs"):
            page = read(made.get(path).text)
            assert len(page.all("script")) == 1
            assert not page.all("img")
            assert "<script>alert(1)</script>" in page.text or path == "/account?period=today"
        assert made.get("/api/now").json["meters"][1]["label"].startswith("<script>")


def test_a_house_without_anything_yet_has_pages_too(tmp_path):
    with Paper(tmp_path, hours=0) as made:
        assert {path: made.get(path).status for path in ("/", "/episodes", "/upkeep", "/load/tv")} == {
            "/": 200, "/episodes": 200, "/upkeep": 200, "/load/tv": 200,
        }  # fmt: skip
        answer = made.get("/account")
        assert answer.status == 200
        assert "the ledger has no" in read(answer.text).text.lower()
        assert made.get("/account?period=today").status == 400


# -- what is refused --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "status", "says"),
    [
        ("/nothing", 404, "There is no such page."), ("/load/none", 404, 'There is no meter "none"'),
        ("/load/%3Cscript%3E", 404, 'There is no meter "<script>"'), ("/load/tv?span=century", 400, "day, week, month, year"),
        ("/?by=size", 400, "tree, watts, money"), ("/episodes?days=8", 400, "7, 30, 365"),
        ("/account?period=century", 400, "expected one of today"), ("/account?from=2026-02-30", 400, "expected a day"),
        ("/account?from=2026-06-02&to=2026-06-01", 400, "expected a day before it"),
        ("/account?from=1900-01-01&to=2999-01-01", 400, "at most 3700"), ("/account?from=1999-01-01&to=1999-01-02", 400, "Nothing is kept"),
        ("/account?against=yesterday", 400, "expected previous"), ("/account?to=2026-06-01", 400, "expected from beside it"),
        ("/account?from=2026-06-01&then_from=2026-06-09&then_to=2026-06-08", 400, "expected the earlier day first"),
        ("/letters/2026-W53", 404, 'no letter of "2026-W53"'), ("/letters/%3Cb%3E", 404, "no letter of"),
        ("/load/" + "x" * 3000, 414, "more than 2048"), ("/load/tv?span=" + "%00" * 300, 400, "Span: found"), ("//evil.example", 404, "no such page"),
        ("/load/tv/../../etc/passwd", 404, "no such page"), ("/account?from=%FF", 400, "expected a day"),
    ],
)  # fmt: skip
def test_what_makes_no_sense_is_said_clearly(house, path, status, says):
    answer = house.get(path)

    assert answer.status == status
    assert says in read(answer.text).text
    assert "Traceback" not in answer.text
    assert "/work" not in answer.text


def test_another_name_or_another_page_gets_nothing(house):
    assert house.get("/", Host="evil.example").status == 421
    assert house.get("/api/now", Host="evil.example").json == {
        "trouble": "This page does not answer to evil.example. [page] names lists what it is called."
    }
    fields = {"do": "hush", "rule": "tv-nobody-home", "load": "tv", "how": "1d"}
    for headers in ({"Origin": "http://evil.example"}, {"Origin": "null"}, {"Sec_Fetch_Site": "cross-site"}):
        assert house.post("/hush", fields, **headers).status == 403
    assert house.run.inbox.ask("now").result(timeout=30)["hushes"] == []


def test_a_hush_goes_through_the_core_and_back(house):
    fields = {"rule": "tv-nobody-home", "load": "tv"}
    origin = {"Origin": house.url}
    answer = house.post("/hush", {"do": "hush", "how": "2h", **fields}, **origin)

    assert (answer.status, answer.headers["location"]) == (303, "/episodes")
    assert house.run.inbox.ask("now").result(timeout=30)["hushes"][0]["until"].startswith("for 1 h 59 min")
    assert "Hushed: tv-nobody-home, Television, for 1 h 59 min." in read(house.get("/episodes").text).text
    assert house.post("/hush", {"do": "unhush", **fields}, **origin).status == 303
    assert house.run.inbox.ask("now").result(timeout=30)["hushes"] == []
    for wrong, says in (
        ({"do": "hush", "how": "2h", "rule": "no-such"}, "expected the name of a rule"),
        ({"do": "hush", "how": "forever", **fields}, 'expected "off"'),
        ({"do": "switch-off", **fields}, "expected hush or unhush"),
        ({"do": "hush", "how": "off", "rule": "day-spent"}, "about the house"),
        ({}, "expected hush or unhush"),
    ):
        answer = house.post("/hush", wrong, **origin)
        assert answer.status == 400
        assert says in read(answer.text).text


def test_requests_that_are_too_large_or_no_form_are_refused(house):
    long = house.ask("POST", "/hush", b"x" * (MOST_BODY + 1), {"Content-Type": "application/x-www-form-urlencoded"})
    assert long.status == 413
    assert house.ask("POST", "/hush", b"{}", {"Content-Type": "application/json"}).status == 400
    assert (
        house.ask("POST", "/hush", b"\xff\xfe=1", {"Content-Type": "application/x-www-form-urlencoded"}).status == 400
    )
    many = "&".join(f"a{at}=1" for at in range(50)).encode()
    assert house.ask("POST", "/hush", many, {"Content-Type": "application/x-www-form-urlencoded"}).status == 400
    assert house.ask("DELETE", "/").status == 405
    assert house.ask("GET", "/", headers={"Content-Length": "99999999"}).status == 413
    with socket.create_connection(("127.0.0.1", house.port)) as raw:
        raw.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n" + b"X: " + b"y" * 40_000)
        assert raw.recv(20).startswith(b"HTTP/1.1 4")
    with socket.create_connection(("127.0.0.1", house.port)) as raw:
        body = b"1000\r\n" + b"z" * 4096 + b"\r\n" + b"1000\r\n" + b"z" * 4096 + b"\r\n0\r\n\r\n"
        raw.sendall(
            b"POST /hush HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/x-www-form-urlencoded\r\n"
            b"Transfer-Encoding: chunked\r\n\r\n" + body
        )
        assert raw.recv(20).startswith((b"HTTP/1.1 4", b"HTTP/1.1 5", b""))
    assert house.get("/").status == 200


def test_every_answer_keeps_the_browser_from_doing_more(house):
    """CSP 3, and the fetch and HTML standards' own headers; nothing inline is let in, so nothing inline is there."""
    for path in ("/", "/nothing", "/api/now", "/look.css", "/page.js", "/metrics"):
        headers = house.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "same-origin"
        assert "server" not in headers
    assert house.get("/").headers["cache-control"] == "no-store"


def test_an_unforeseen_failure_is_told_without_its_words(house, monkeypatch):
    def broken(*_more):
        raise RuntimeError("the secret words")

    monkeypatch.setattr("wattround.page.views.upkeep_view", broken)
    answer = house.get("/upkeep")

    assert answer.status == 500
    assert "That did not work." in answer.text
    assert "secret words" not in answer.text
    assert "RuntimeError" not in answer.text


# -- who may come in --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def locked(tmp_path_factory):
    folder = tmp_path_factory.mktemp("locked")
    (folder / "token").write_text(TOKEN)
    with Paper(folder, page=f'token_file = "{folder / "token"}"\nprefix = "/watt"\n', hours=1) as made:
        yield made


def test_without_the_token_nothing_of_the_house_is_told(locked):
    for path in (*PAGES, "/live", "/api/now", "/metrics", "/openapi.json", "/nothing"):
        answer = locked.get(path)
        assert answer.status == 401
        assert answer.headers["www-authenticate"].startswith("Bearer")
        assert not re.search("Television|Test House|tv-nobody", answer.text)
    assert locked.post("/hush", {"do": "unhush", "rule": "tv-nobody-home"}).status == 401
    assert locked.get("/health").json == {"state": "running"}


def test_the_token_opens_the_page_and_a_cookie_keeps_it_open(locked):
    answer = locked.post("/watt/enter", {"token": TOKEN, "to": "/load/tv?span=week"}, Origin=locked.url)
    cookie = answer.headers["set-cookie"].partition(";")[0]

    assert (answer.status, answer.headers["location"]) == (303, "/watt/load/tv?span=week")
    assert locked.get("/load/tv", Cookie=cookie).status == 200
    assert locked.get("/watt/load/tv", Cookie=f"a=b; {cookie}; c=d").status == 200
    assert locked.get("/api/now", Authorization=f"Bearer {TOKEN}").status == 200
    for broken in (
        "wattround=",
        "wattround=x",
        cookie + "0",
        "wattround=" + "ü" * 9,
        "; ;=;wattround",
        "a=" + "b" * 4000,
    ):
        assert locked.get("/", Cookie=broken.encode().decode("latin-1")).status == 401


@pytest.mark.parametrize("to", ["//evil.example", "https://evil.example", "/\\evil.example", "evil", "/\r\nX: y", ""])
def test_nobody_is_sent_to_another_place(locked, to):
    answer = locked.post("/enter", {"token": TOKEN, "to": to}, Origin=locked.url)

    assert answer.status == 303
    assert re.fullmatch(r"/watt/[^/\\\r\n]*", answer.headers["location"])
    assert "X" not in answer.headers


def test_behind_a_proxy_every_address_has_the_prefix(locked):
    for given in ("/watt/", "/", "/watt"):
        page = read(locked.get(given, Authorization=f"Bearer {TOKEN}").text)
        for element in page.walk():
            for key in ("href", "src", "action"):
                value = element.attributes.get(key, "#")
                assert value.startswith(("/watt/", "#")), value
    assert locked.get("/watt/look.css").status == locked.get("/look.css").status == 200
    assert locked.get("/watt/openapi.json", Authorization=f"Bearer {TOKEN}").json["servers"] == [{"url": "/watt"}]


def test_many_wrong_tokens_are_slowed_down(tmp_path):
    (tmp_path / "token").write_text(TOKEN)
    with Paper(tmp_path, page=f'token_file = "{tmp_path / "token"}"\n', hours=0) as made:
        statuses = [made.post("/enter", {"token": f"wrong{at}"}, Origin=made.url).status for at in range(9)]
        answer = made.post("/enter", {"token": TOKEN}, Origin=made.url)

        assert statuses[:5] == [401] * 5
        assert statuses[-1] == 429
        assert answer.status == 429
        assert int(answer.headers["retry-after"]) >= 1
        assert "Too many wrong tokens." in answer.text
        assert made.get("/api/now", Authorization="Bearer nonsense").status == 429


def test_a_page_with_a_certificate_is_encrypted(tmp_path):
    files = [str(tmp_path / name) for name in ("key.pem", "cert.pem")]
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", files[0], "-out", files[1], "-days", "2",
         "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost"], check=True, capture_output=True, timeout=60,
    )  # fmt: skip
    lines = f'tls_key_file = "{files[0]}"\ntls_certificate_file = "{files[1]}"\n'
    (tmp_path / "token").write_text(TOKEN)
    with Paper(tmp_path, page=lines + f'token_file = "{tmp_path / "token"}"\n', hours=0, wait=False) as made:
        trusting = ssl.create_default_context(cafile=files[1])

        def spoken():
            raw = socket.create_connection(("127.0.0.1", made.port), timeout=5)
            with raw, trusting.wrap_socket(raw, server_hostname="localhost") as sealed:
                sealed.sendall(
                    b"POST /enter HTTP/1.0\r\nHost: localhost\r\nContent-Type: application/x-www-form-urlencoded\r\n"
                    b"Content-Length: 27\r\n\r\ntoken=a+secret+of+the+house"
                )
                return sealed.recv(4000).decode()

        answer = until(lambda: _or_none(spoken))
        assert answer.startswith("HTTP/1.1 303")
        assert "; Secure" in answer


def _or_none(what):
    try:
        return what()
    except OSError:
        return None


# -- live -------------------------------------------------------------------------------------------


def events(made, stop_after):
    """The first events of a stream, as (seconds since the last, data)."""
    with socket.create_connection(("127.0.0.1", made.port), timeout=20) as raw:
        raw.sendall(b"GET /live HTTP/1.0\r\nHost: localhost\r\n\r\n")
        text = ""
        while not stop_after(text):
            part = raw.recv(65_536).decode()
            assert part, text
            text += part
        return [json.loads(line[6:]) for line in text.splitlines() if line.startswith("data: {") and line.endswith("}")]


def test_what_changes_comes_by_itself_and_what_does_not_is_not_repeated(house):
    [first, *_] = events(house, lambda text: text.count("\n\n") >= 3)
    assert set(first["rows"]) == {"supply", "tv", "freezer"}
    house.draw("tv", 3)
    try:
        found = events(house, lambda text: '"tv":["3"' in text)
    finally:
        house.draw("tv", 120)
    assert any(each["rows"].get("tv", [""])[0] == "3" for each in found)
    later = events(house, lambda text: text.count("\n\n") >= 6)[1:]
    assert all(set(each["rows"]) < {"supply", "tv", "freezer"} for each in later)


def test_more_listeners_than_there_may_be_are_told_so(house):
    open_ones = []
    try:
        for _ in range(MOST_LISTENERS):
            raw = socket.create_connection(("127.0.0.1", house.port), timeout=20)
            raw.sendall(b"GET /live HTTP/1.0\r\nHost: localhost\r\n\r\n")
            assert raw.recv(12).endswith(b"200")
            open_ones.append(raw)
        until(lambda: house.get("/live").status == 503)
        assert house.get("/").status == 200
    finally:
        for raw in open_ones:
            raw.close()
