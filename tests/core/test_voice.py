"""Messages as they leave the house: real core, ledger and templates, channels that keep what they get."""

import json
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from support.house import HouseRun, settings_of
from wattround.config.templates import BUILT_IN, KINDS, SAMPLES, render
from wattround.core.offline import offline_hush
from wattround.ingest.delivery import LIVE, RETAINED
from wattround.ledger.reader import Reader

ZONE = ZoneInfo("Europe/Berlin")
HOUSE = """
[[meters]]
name = "tv"
label = "Television"
tags = ["screens"]
active_w = 40
standby_w = 1
power = { topic = "t/tv" }
[[meters]]
name = "pc"
label = "Computer"
tags = ["screens"]
active_w = 35
power = { topic = "t/pc" }
[[people]]
name = "imre"
topic = "p/imre"
home = ["home"]
[[rules]]
name = "screens-nobody-home"
tag = "screens"
occupancy = "empty"
[[channels]]
name = "phone"
url = "json://127.0.0.1:9"
[[channels]]
name = "hub"
mqtt = true
"""
NOON = "2026-06-10 12:00"


def ms(text):
    return int(datetime.fromisoformat(text).replace(tzinfo=ZONE).timestamp()) * 1000


class Evening(HouseRun):
    """A house whose loads draw what `watts` says, heard every 30 s."""

    def __init__(self, folder, text=HOUSE, begin=NOON):
        super().__init__(folder, text, ms(begin))
        self.watts = {"tv": 1, "pc": 1}

    def hear(self, topic, payload, timing=LIVE):
        self.inbox.put((topic, str(payload).encode(), self.clock.mono_ms(), timing, None))

    def go(self, minutes, **watts):
        self.watts.update(watts)
        for _ in range(minutes * 2):
            self.clock.pass_ms(30_000)
            for name, drawn in self.watts.items():
                self.hear(f"t/{name}", drawn)
            self.core.turn()
            self.deliver()

    def deliver(self):
        """The channels have sent what they took."""
        for waiting in self.mail.told[getattr(self, "_done", 0) :]:
            self.inbox.ask("delivered", number=waiting.id, sent=True, trouble="")
        self._done = len(self.mail.told)

    def told(self, channel="phone"):
        return [waiting.message for waiting in self.mail.told if waiting.message.channel == channel]

    def titles(self, channel="phone"):
        return [message.title for message in self.told(channel)]

    def restart(self):
        """The process dies, and another takes up its ledger."""
        self.kill()
        begin, folder, watts = self.clock.now_ms, self.folder.parent, self.watts
        text = self.text
        fresh = Evening.__new__(Evening)
        HouseRun.__init__(fresh, folder, text, begin)
        fresh.text, fresh.watts = text, watts
        return fresh


@pytest.fixture
def evening(tmp_path):
    run = Evening(tmp_path)
    run.text = HOUSE
    run.hear("p/imre", "home")
    run.go(1)
    yield run
    run.close()


def test_what_becomes_true_together_is_said_together_with_shares(evening):
    evening.go(5, tv=120, pc=180)
    evening.hear("p/imre", "away")
    evening.go(12)

    (message,) = evening.told()
    assert message.title == "2 at once, nobody home: 300 W"
    assert "- Computer: on since 12:06, 180 W, so far" in message.body
    assert "(60 %)" in message.body
    assert "(40 %)" in message.body
    assert "left like this 1.80 EUR a day" in message.body  # 0.3 kW x 24 h x 0.25 EUR
    assert "wattround hush RULE" in message.body
    facts = json.loads(message.facts)
    assert [episode["load"] for episode in facts["episodes"]] == ["pc", "tv"]


def test_programs_are_told_at_once_one_by_one(evening):
    evening.go(5, tv=120, pc=180)
    evening.hear("p/imre", "away")
    evening.go(12)

    facts = [json.loads(message.facts) for message in evening.told("hub")]
    assert [(fact["event"], fact["load"]) for fact in facts] == [("raised", "tv"), ("raised", "pc")]
    assert all(fact["hushed"] is False for fact in facts)


def test_one_load_says_why_it_came_what_it_costs_and_how_to_hush_it(evening):
    evening.hear("p/imre", "away")
    evening.go(12, tv=121)

    (message,) = evening.told()
    assert message.title == "Television: on, nobody home"
    assert "since 12:01 (10 min). It draws 121 W; so far 21 Wh, 0.01 EUR." in message.body
    assert "Left like this it costs 0.73 EUR a day." in message.body
    assert "wattround hush screens-nobody-home" in message.body


QUIET = HOUSE + '[manners]\nquiet = ["22:00", "07:00"]\n'


def test_quiet_hours_end_in_one_digest_with_what_came_and_went(tmp_path):
    with Evening(tmp_path, QUIET, "2026-06-10 21:59") as run:
        run.hear("p/imre", "away")
        run.go(30, tv=120)
        run.go(60, tv=1, pc=150)
        run.go(7 * 60)
        assert run.titles() == []

        run.go(35)
        (digest,) = run.told()

    assert digest.title.startswith("testhouse: 2 things to know")
    assert "Television was on, nobody home, from 21:59 on 10 June to 22:29 on 10 June (30 min)" in digest.body
    assert "Computer is on, nobody home, since 22:29 on 10 June" in digest.body


def test_a_raise_that_settled_while_its_channel_was_down_becomes_one_message(evening):
    evening.mail.open = False
    evening.hear("p/imre", "away")
    evening.go(30, tv=120)
    evening.go(30, tv=1)
    evening.mail.open = True
    evening.go(2)

    (message,) = evening.told()
    assert message.title == "Television: over after 30 min"
    assert message.body.startswith("Television was on, nobody home, from 12:01 to 12:31 (30 min);")
    assert "the message was delayed" in message.body


def test_a_message_that_was_delayed_says_so_and_one_in_time_does_not(evening):
    evening.hear("p/imre", "away")
    evening.mail.open = False
    evening.go(60, tv=120)
    evening.mail.open = True
    evening.go(1)

    (message,) = evening.told()
    assert message.title == "Television: on, nobody home"
    assert "(This was news" in message.body
    assert json.loads(message.facts)["delayed_s"] > 2400


def test_reminders_grow_further_apart_and_end(evening):
    evening.hear("p/imre", "away")
    evening.go(20 * 60, tv=120)

    titles = evening.titles()
    assert titles == ["Television: on, nobody home", "Television: still on", "Television: still on"]
    hours = [(message.created_ms - ms(NOON)) / 3_600_000 for message in evening.told()]
    assert [round(hour) for hour in hours] == [0, 3, 9]  # after three hours, and then after six more


CAPPED = HOUSE + "[manners]\nmost_a_day = 2\n"


def test_beyond_the_days_most_the_rest_waits_for_the_digest_and_is_counted(tmp_path):
    with Evening(tmp_path, CAPPED) as run:
        run.hear("p/imre", "away")
        for _ in range(3):
            run.go(15, tv=120)
            run.go(15, tv=1)
        assert run.titles() == ["Television: on, nobody home", "Television: over after 15 min"]
        run.go(20 * 60)

        digest = run.told()[-1]
    assert digest.title.startswith("testhouse: 2 things to know")
    assert "2 of these were held back" in digest.body


# -- hushing --------------------------------------------------------------------------------------


def ask(run, **facts):
    run.hear("wattround/testhouse/request", json.dumps(facts))
    run.go(1)
    topic, answer = run.mail.replies[-1]
    assert topic == "wattround/testhouse/reply"
    return json.loads(answer)


def test_a_hushed_rule_is_not_told_but_kept_and_speaks_again_when_its_time_is_over(evening):
    answer = ask(evening, do="hush", rule="screens-nobody-home", for_s=7200, id="a1")
    assert answer == {"ok": True, "done": "screens-nobody-home: hushed for 2 h", "id": "a1"}
    evening.hear("p/imre", "away")
    evening.go(60, tv=120)
    assert evening.titles() == []
    assert [json.loads(message.facts)["hushed"] for message in evening.told("hub")] == [True]

    evening.go(65)

    assert evening.titles() == ["Television: on, nobody home"]


def test_until_the_load_is_next_off(evening):
    evening.hear("p/imre", "away")
    evening.go(15, tv=120)
    assert ask(evening, do="hush", rule="screens-nobody-home", load="tv")["ok"]
    evening.go(10 * 60)
    evening.go(10, tv=1)
    assert evening.titles() == ["Television: on, nobody home"]

    evening.go(15, tv=120)

    assert evening.titles() == ["Television: on, nobody home"] * 2


def test_for_good_lasts_until_it_is_lifted_and_what_is_open_is_told_then(evening):
    ask(evening, do="hush", rule="screens-nobody-home", until="good")
    evening.hear("p/imre", "away")
    evening.go(20 * 60, tv=120)
    assert evening.titles() == []

    assert ask(evening, do="unhush", rule="screens-nobody-home")["done"] == "screens-nobody-home: speaks again"
    evening.go(2)
    assert evening.titles() == ["Television: on, nobody home"]


@pytest.mark.parametrize(("request_", "trouble"), [
    ("nonsense", "no JSON"),
    ("[1]", "expected one JSON object"),
    ('{"do": "switch-off"}', "do: expected one of hush, unhush"),
    ('{"do": "hush", "rule": "tv"}', "rule: expected the name of a rule; known: screens-nobody-home"),
    ('{"do": "hush", "rule": "screens-nobody-home", "load": "oven"}', "load: expected a load of this rule: tv, pc"),
    ('{"do": "hush", "rule": "screens-nobody-home", "for_s": -5}', "for_s: expected whole seconds"),
    ('{"do": "hush", "rule": "screens-nobody-home", "for_s": 1.5}', "for_s: expected whole seconds"),
    ('{"do": "hush", "rule": "screens-nobody-home", "for_s": true}', "for_s: expected whole seconds"),
    ('{"do": "hush", "rule": "screens-nobody-home", "until": "later"}', "until: expected"),
    ('{"do": "hush", "rule": "screens-nobody-home", "forever": 1}', "forever: an unknown key"),
    ('{"do": "hush", "rule": ["x"]}', "rule: expected the name of a rule"),
    ('{"do": ["hush"]}', "do: expected one of"),
    ('{"do": "hush", "rule": "screens-nobody-home", "id": "' + "x" * 3000 + '"}', "more than 2048 bytes"),
])  # fmt: skip
def test_a_malformed_request_is_refused_with_a_reason(evening, request_, trouble):
    evening.hear("wattround/testhouse/request", request_)
    evening.go(1)

    answer = json.loads(evening.mail.replies[-1][1])
    assert answer["ok"] is False
    assert trouble in answer["trouble"]


def test_a_retained_request_is_refused(evening):
    evening.hear("wattround/testhouse/request", '{"do": "hush", "rule": "screens-nobody-home"}', RETAINED)
    evening.go(1)

    assert "retained" in json.loads(evening.mail.replies[-1][1])["trouble"]
    assert not list(evening.house.voice.manners.hushes)


def test_a_hush_survives_a_kill_right_after_its_answer(evening):
    ask(evening, do="hush", rule="screens-nobody-home", until="good")
    again = evening.restart()

    assert [hush.rule for hush in again.house.voice.manners.hushes] == ["screens-nobody-home"]
    again.close()


def test_without_a_daemon_a_hush_is_written_for_the_next_one(evening):
    evening.hear("p/imre", "away")
    evening.go(15, tv=120)
    evening.kill()
    done = offline_hush(
        evening.settings, evening.folder, evening.clock.now_ms, {"do": "hush", "rule": "screens-nobody-home"}
    )
    assert done == "screens-nobody-home: hushed until the load is next off or on standby"

    again = evening.restart()
    again.go(60)
    assert again.titles() == []
    assert [news.rule for news in again.house.engine.open_episodes(again.clock.now_ms)] == ["screens-nobody-home"]
    again.close()


def test_what_was_pending_when_the_process_died_is_told_once(evening):
    evening.hear("p/imre", "away")
    evening.watts["tv"] = 120
    while not evening.house.engine.open_episodes(evening.clock.now_ms):
        evening.clock.pass_ms(10_000)
        evening.hear("t/tv", 120)
        evening.core.turn()
    evening.core.commit(evening.clock.now_ms)
    assert evening.titles() == []  # gathered for half a minute

    again = evening.restart()
    again.hear("p/imre", "away")
    again.go(5)
    assert again.titles() == ["Television: on, nobody home"]
    again.close()


# -- words ----------------------------------------------------------------------------------------

OTHERS = """
[[meters]]
name = "tv"
label = "Television"
active_w = 40
breaker_a = 1
power = { topic = "t/tv" }
[[meters]]
name = "pc"
label = "Computer"
active_w = 35
power = { topic = "t/pc" }
[[channels]]
name = "phone"
url = "json://127.0.0.1:9"
[[rules]]
name = "r"
"""


@pytest.mark.parametrize(("rule", "title", "words"), [
    ('load = "tv"\nbreaker_share = 0.5\nlasting = "20m"', "Television: at 50 % of its breaker's rating or more",
     ["It draws 120 W; its breaker is rated 1 A", "licensed electrician"]),
    ('load = "pc"\nbelow_w = 20\nlasting = "15m"', "Computer: drawing less than 20 W", ["It draws 1 W."]),
    ("spent = { over_wh = 50 }", "testhouse: past 50 Wh today", ["kWh"]),
    ('load = "tv"\nspent = { over_money = 0.01, per = "week" }', "Television: past 0.01 EUR this week", ["So far 0.0"]),
    ('loads = ["tv", "pc"]\ntogether = true\nabove_w = 100', "Television, Computer: drawing 100 W or more",
     ["It draws 121 W"]),
    ('load = "tv"\nran_today = "15m"', "Television: on for 15 min or more today", []),
    ('load = "tv"\noutside = ["08:00", "11:00"]', "Television: on, outside 08:00 to 11:00", []),
    ('load = "tv"\nabove_w = 60\nbetween = ["11:30", "13:00"]',
     "Television: drawing 60 W or more, between 11:30 and 13:00", []),
])  # fmt: skip
def test_each_kind_of_rule_has_its_words(tmp_path, rule, title, words):
    with Evening(tmp_path, OTHERS + rule) as run:
        run.go(35, tv=120)
        (message,) = run.told()

    assert message.title == title
    for word in words:
        assert word in message.body


def test_a_silent_meter_is_told_and_a_count_is_told_once(tmp_path):
    text = OTHERS + 'load = "pc"\nunheard = "20m"\n[[rules]]\nname = "day"\nspent = { over_wh = 50 }\n'
    with Evening(tmp_path, text) as run:
        run.go(5, tv=120)
        del run.watts["pc"]
        run.go(24 * 60)
        titles = run.titles()

    assert titles.count("Computer: silent for 20 min or longer") == 1
    assert titles.count("testhouse: past 50 Wh today") == 2  # once a day
    assert not any("over after" in title for title in titles)


def test_children_that_exceed_their_parent_are_told(tmp_path):
    text = (
        OTHERS.replace('name = "pc"', 'name = "pc"\nwithin = "tv"') + 'load = "tv"\nlasting = "10m"\nexceeded_by_w = 30'
    )
    with Evening(tmp_path, text) as run:
        run.go(15, tv=20, pc=90)
        (message,) = run.told()

    assert message.title.startswith("Television: exceeded by the meters within it")
    assert "70 W now" in message.body


def test_the_daemons_own_troubles_are_told(tmp_path):
    text = OTHERS + 'trouble = ["archive", "broker"]'
    with Evening(tmp_path, text) as run:
        run.core.health = lambda: {"broker": "no broker"}
        run.go(12)
        (message,) = run.told()

    assert message.title == "wattround: in trouble"
    assert "The broker cannot be reached." in message.body


def test_a_base_load_that_creeps_up_is_told_with_its_culprit(tmp_path):
    text = OTHERS.replace('name = "r"\n', 'name = "r"\nbase_load_up_w = 20\n')
    with Evening(tmp_path, text, "2026-05-01 23:30") as run:
        run.watts = {"tv": 10, "pc": 50}
        for night in range(12):
            if night == 9:
                run.watts["tv"] = 45
            for _ in range(7 * 60):
                run.clock.pass_ms(60_000)
                for name, drawn in run.watts.items():
                    run.hear(f"t/{name}", drawn)
                run.core.turn()
            run.clock.pass_ms(17 * 3_600_000)
        (message,) = run.told()

    assert message.title == "Base load of testhouse: up by 20 W or more"
    assert "It is 95 W in the quietest hour of the night now, 35 W more" in message.body
    assert "By meter: Television +35 W" in message.body
    assert "76.65 EUR in a year" in message.body  # 0.035 kW x 8760 h x 0.25 EUR


# -- templates ------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_the_built_in_texts_work_on_every_sample(kind):
    for source in BUILT_IN[kind]:
        for letter in SAMPLES:
            assert render(source, letter)


def test_a_template_of_ones_own_speaks(tmp_path):
    own = HOUSE + '[templates.raised]\ntitle = "Oh, {{ lines[0].label }}"\n'
    with Evening(tmp_path, own) as run:
        run.hear("p/imre", "away")
        run.go(12, tv=120)
        (message,) = run.told()

    assert message.title == "Oh, Television"
    assert "It draws 120 W" in message.body


def test_a_template_that_fails_on_a_real_message_loses_nothing(tmp_path):
    own = (
        HOUSE
        + "[templates.raised]\nbody = \"{{ 1 // (lines|length - 3) }}{{ lines[0].watts.split()[5] if lines[0].rule == 'screens-nobody-home' }}\"\n"
    )
    with Evening(tmp_path, own) as run:
        run.hear("p/imre", "away")
        run.go(12, tv=120)
        (message,) = run.told()

    assert message.title == "Television: on, nobody home"
    assert "It draws 120 W" in message.body


def test_a_label_cannot_smuggle_a_template_in(tmp_path):
    with Evening(tmp_path, HOUSE.replace('"Television"', '"{{ 7 * 7 }} {% raw %}"')) as run:
        run.hear("p/imre", "away")
        run.go(12, tv=120)
        (message,) = run.told()

    assert message.title.startswith("{{ 7 * 7 }} {% raw %}: on")


def test_episodes_and_what_was_heard_are_kept(evening):
    evening.hear("p/imre", "away")
    evening.go(20, tv=120)
    evening.go(20, tv=1)
    reader = Reader(evening.folder, "testhouse")
    (row,) = reader.episodes(0, 1 << 50)
    words = reader._db.execute("SELECT kind, name, value FROM signal_word ORDER BY at_ms").fetchall()
    reader.close()

    assert (row.rule, row.load, row.reason) == ("screens-nobody-home", "tv", "level")
    assert words == [("person", "imre", "home"), ("person", "imre", "away")]


def test_the_settings_of_this_file_are_right():
    for text in (HOUSE, QUIET, CAPPED):
        assert settings_of(text).rules
