"""`wattround episodes`, `hush` and `unhush`, with a daemon and without one."""

import json
import subprocess
from decimal import Decimal

import pytest

from support.daemon import COMMAND
from support.house import HEAD, TV_RULE, HouseRun
from support.servers import until
from wattround.ingest.delivery import LIVE


def command(*words):
    return subprocess.run([*COMMAND, *map(str, words)], capture_output=True, text=True, timeout=60)


@pytest.fixture
def kept(tmp_path):
    """A ledger with an episode that is over and one that is open, and its settings file."""
    file = tmp_path / "w.toml"
    with HouseRun(tmp_path, TV_RULE) as run:
        file.write_text(f'{HEAD}[ledger]\nfolder = "{run.folder}"\n{TV_RULE}')
        run.inbox.put(("p/imre", b"away", run.clock.mono_ms(), LIVE, None))
        run.live("t/tv", 120, 60)
        run.live("t/tv", 0, 30)
        run.live("t/tv", 120, 30)
        run.commit(run.clock.now_ms)
        run.core.close()
    return file


DAYS = ("--from", "2026-05-28", "--to", "2026-05-29")


def test_open_and_past_episodes_are_listed_with_totals(kept):
    answer = command("episodes", kept, *DAYS)

    assert answer.returncode == 0, answer.stderr
    text = answer.stdout
    assert "Open" in text
    assert "Over" in text
    assert "it is no longer on" in " ".join(text.split())
    assert "tv-nobody-home" in text
    assert "Television" in text


def test_the_totals_are_the_sums_of_the_episodes(kept):
    facts = json.loads(command("episodes", kept, *DAYS, "--json").stdout)

    (past,), (open_,) = facts["past"], facts["open"]
    assert past["waste_wh"] == pytest.approx(119.5 * 600 / 3600, rel=0.02)  # 10 min at 120 W, 0.5 W of it standby
    assert past["reason"] == "level"
    for totals in (facts["by_rule"], facts["by_load"]):
        (total,) = totals
        assert total["episodes"] == 2
        assert total["waste_wh"] == pytest.approx(past["waste_wh"] + open_["waste_wh"])
        assert Decimal(total["cost"]) == pytest.approx(Decimal(past["cost"]) + Decimal(open_["cost"]))


def test_a_rule_that_had_none_has_none(kept):
    assert "No episodes in this span" in command("episodes", kept, *DAYS, "--load", "oven").stdout
    assert "No episodes in this span" in command("episodes", kept, "--from", "2020-01-01", "--to", "2020-01-02").stdout


@pytest.mark.parametrize(("words", "trouble"), [
    (("--from", "yesterday"), "expected a day such as"),
    (("--from", "2026-05-30", "--to", "2026-05-29"), "after --to"),
])  # fmt: skip
def test_wrong_days_are_refused(kept, words, trouble):
    answer = command("episodes", kept, *words)

    assert answer.returncode == 2
    assert trouble in answer.stderr


def test_without_a_ledger_it_says_so(tmp_path):
    file = tmp_path / "w.toml"
    file.write_text(f'{HEAD}[ledger]\nfolder = "{tmp_path / "none"}"\n{TV_RULE}')

    answer = command("episodes", file)

    assert answer.returncode == 69
    assert "no such file" in answer.stderr


def test_without_a_daemon_a_hush_waits_for_its_start(kept):
    answer = command("hush", "tv-nobody-home", kept, "--for", "3d")
    assert answer.returncode == 0, answer.stderr
    assert answer.stdout == "tv-nobody-home: hushed for 3 d (no daemon runs: from its start)\n"
    assert "hushed: tv-nobody-home" in command("episodes", kept, *DAYS).stdout

    assert "speaks again" in command("unhush", "tv-nobody-home", kept).stdout
    assert "hushed:" not in command("episodes", kept, *DAYS).stdout


@pytest.mark.parametrize(("words", "trouble"), [
    (("hush", "no-such-rule"), "known: tv-nobody-home"),
    (("hush", "tv-nobody-home", "--load", "oven"), "expected a load of this rule: tv"),
    (("hush", "tv-nobody-home", "--for", "soon"), "a duration such as"),
    (("hush", "tv-nobody-home", "--for", "1h", "--for-good"), "one of --for"),
    (("unhush", "no-such-rule"), "known: tv-nobody-home"),
])  # fmt: skip
def test_what_cannot_be_hushed_is_refused_with_a_reason(kept, words, trouble):
    answer = command(words[0], words[1], kept, *words[2:])

    assert answer.returncode == 2
    assert trouble in answer.stderr


@pytest.mark.server
def test_a_running_daemon_hushes_by_command_and_by_mqtt(mosquitto, hub, daemon):
    run = daemon(TV_RULE + '[[channels]]\nname = "hub"\nmqtt = true\n', mosquitto.port)
    assert command("hush", "tv-nobody-home", run.file).stdout == (
        "tv-nobody-home: hushed until the load is next off or on standby\n"
    )
    hub.say("p/imre", "away", retain=True)
    until(lambda: hub.say("t/tv", 120) or run.now()["episodes"], every=0.1)
    assert run.now()["episodes"][0]["hushed"] is True
    assert "hushed: Television" in command("now", run.file).stdout
    until(lambda: hub.episodes()[0]["hushed"] is True)

    hub.say("wattround/testhouse/request", json.dumps({"do": "unhush", "rule": "tv-nobody-home", "id": 7}))

    def answers():
        return [json.loads(payload) for topic, payload, _ in hub.heard if topic == "wattround/testhouse/reply"]

    until(answers)
    assert answers() == [{"ok": True, "done": "tv-nobody-home: speaks again", "id": 7}]
    assert run.now()["episodes"][0]["hushed"] is False
