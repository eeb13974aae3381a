"""The verdict on messages and on the archive."""

from __future__ import annotations

import json
import urllib.parse
from collections import Counter, defaultdict
from collections.abc import Iterator
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from faulty.clock import FACTOR
from faulty.energy import YEAR_1970, Books
from faulty.run import Run
from faulty.servers import Database
from wattround.ledger.batch import EpisodeRow
from wattround.metering.minute import ESTIMATED, MINUTE_MS

ZONE = ZoneInfo("Europe/Madrid")
NEAR_S = 1.5
"""Wall seconds after a message within which a fault may have taken its acknowledgement away."""
EVENTS = {"raised": ("raised",), "settled": ("settled",), "missed": ("raised", "settled"), "reminder": ()}
Key = tuple[str, str, str, str]
"""Event, rule, load, begin."""


def wrong_messages(run: Run, books: Books) -> Iterator[str]:
    """Episodes that were not told, or told again without need."""
    yield from _raw(run, books)
    yield from _hook(run, books)
    for channel, facts, sent_ms, given_up_ms, trouble in books.outbox:
        if sent_ms is None and (given_up_ms is None or trouble != "said in a later message"):
            yield f"{channel}: a message was never sent ({trouble}): {facts[:120]}"


def _raw(run: Run, books: Books) -> Iterator[str]:
    heard: dict[Key, list[float]] = defaultdict(list)
    for at_s, facts in run.hub.told:
        if "began" in facts:
            heard[facts["event"], facts["rule"], facts["load"], facts["began"]].append(at_s)
    wanted = {key for episode in books.episodes for key in _keys(episode, _iso)}
    for key in sorted(wanted - heard.keys()):
        if not _broker_lost(run, books, key):
            yield f"hub: {' '.join(key)} was never told"
    for key in sorted(heard.keys() - wanted):
        yield f"hub: {' '.join(key)} was told, and is not in the ledger"
    for key, times_s in heard.items():
        if len(times_s) > 1 + sum(_unacknowledged(run, at_s, times_s[-1]) for at_s in times_s[:-1]):
            yield f"hub: {' '.join(key)} was told {len(times_s)} times"


def _keys(episode: EpisodeRow, name: object) -> Iterator[Key]:
    assert callable(name)
    yield "raised", episode.rule, episode.load, name(episode.began_ms)
    if episode.settled_ms is not None:
        yield "settled", episode.rule, episode.load, name(episode.began_ms)


def _iso(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _clock(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(ZONE).strftime("%H:%M")


def _unacknowledged(run: Run, at_s: float, again_s: float) -> bool:
    """Whether the acknowledgement of what was heard at `at_s` may not have come, or not have been written down."""
    broken = [
        *run.relay.breaks_s,
        *(death.at_s for death in run.keeper.deaths),
        *(end for _, end in run.broker_losses_s),
    ]
    if any(at_s - 0.5 <= each_s <= min(again_s, at_s + NEAR_S + run.delay_s) for each_s in broken):
        return True
    held = run.spans({"partition", "half-open", "broker-stop"})
    if any(begin <= at_s + 0.5 and at_s - 0.5 <= end + NEAR_S for begin, end in held):
        return True
    return bool(run.keeper.deaths) and run.disk_troubles.touch(at_s - NEAR_S, again_s)


def _broker_lost(run: Run, books: Books, key: Key) -> bool:
    """Whether the broker had taken it, and was killed before the hub had it."""
    for channel, facts, sent_ms, _, _ in books.outbox:
        told = json.loads(facts)
        if channel == "hub" and sent_ms and tuple(told.get(name) for name in ("event", "rule", "load", "began")) == key:
            for wrong_ms in (0, 7_200_000, -7_200_000):
                at_s = run.begin_s + (sent_ms - wrong_ms - run.first_ms) / 1000 / FACTOR
                if any(begin - 1.0 <= at_s <= end + 1.0 for begin, end in run.broker_losses_s):
                    return True
    return False


def _hook(run: Run, books: Books) -> Iterator[str]:
    """By minutes of the clock, as a person reads them: two episodes of one minute count together."""
    wanted = Counter(key for episode in books.episodes for key in _keys(episode, _clock))
    heard: Counter[Key] = Counter()
    excused: Counter[Key] = Counter()
    for taken in run.hook.taken:
        for line in taken.lines:
            words = line.split(" ")
            for each in EVENTS.get(words[0], ()):  # other lines: that it comes late
                key = (each, *words[1:4])
                heard[key] += 1
                if taken.unanswered or _unwritten(run, taken.at_s):
                    excused[key] += 1
    for key, count in sorted(wanted.items()):
        if heard[key] < count:
            yield f"hook: {' '.join(key)} was told {heard[key]} times, of {count}"
    for key, count in sorted(heard.items()):
        if count > wanted[key] + excused[key]:
            yield f"hook: {' '.join(key)} was told {count} times, of {wanted[key]}"


def _unwritten(run: Run, at_s: float) -> bool:
    """Whether the daemon was killed before it can have written down that the message was taken."""
    near = any(at_s - 0.5 <= death.at_s <= at_s + NEAR_S + run.delay_s for death in run.keeper.deaths)
    return near or (bool(run.keeper.deaths) and run.disk_troubles.touch(at_s - 0.5, at_s + NEAR_S))


# -- archive --------------------------------------------------------------------------------------------


def wrong_archive(run: Run, books: Books, database: Database) -> Iterator[str]:
    """Rows that the archive has otherwise than the ledger."""
    found = _exported(run, database)
    wrong = []
    for name, rows in books.rows.items():
        for minute, row in rows.items():
            expected = {
                "in_wh": row.in_uwh / 1e6, "out_wh": row.out_uwh / 1e6, "covered_s": row.covered_ms / 1000,
                "estimated": float(bool(row.origin & ESTIMATED)),
            }  # fmt: skip
            got = found.pop((name, minute), {})
            if any(abs(got.get(key, -1.0) - value) > 1e-9 * max(1.0, value) for key, value in expected.items()):
                wrong.append(
                    f"{name}, minute {(minute * MINUTE_MS - run.first_ms) / MINUTE_MS:.0f}: {got}, the ledger has {row}"
                )
    if wrong:
        yield f"archive: {len(wrong)} rows differ, the first: {wrong[0]}"
    found = {key: fields for key, fields in found.items() if key[1] >= YEAR_1970 * 60}
    if found:
        yield f"archive: {len(found)} rows that the ledger has not, the first: {next(iter(found.items()))}"


def _exported(run: Run, database: Database) -> dict[tuple[str, int], dict[str, float]]:
    """Fields by meter and minute; of several samples within a minute the newest."""
    database.get("/internal/force_flush")
    match = f'{{__name__=~"wattround_minute_.*",house="{run.house_id}"}}'
    query = urllib.parse.urlencode({"match[]": match, "start": 0, "end": run.clock.true_ms() / 1000 + 86_400})
    found: dict[tuple[str, int], dict[str, float]] = defaultdict(dict)
    for text in database.get(f"/api/v1/export?{query}").splitlines():
        series = json.loads(text)
        name = series["metric"]["__name__"].removeprefix("wattround_minute_")
        for at_ms, value in sorted(zip(series["timestamps"], series["values"], strict=True)):
            found[series["metric"]["meter"], at_ms // MINUTE_MS][name] = value
    return found
