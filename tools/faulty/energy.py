"""The verdict on energy: every minute of the ledger against what the house drew and said."""

from __future__ import annotations

import json
import sqlite3
from collections import defaultdict
from collections.abc import Iterator

from faulty.clock import FACTOR
from faulty.house import BOTH_W, CHECKPOINT_MS, HOLD_MS, PLAIN_W, STAMPED_HOLD_MS
from faulty.run import Run
from wattround.ledger.opening import FILE
from wattround.ledger.reader import Reader
from wattround.ledger.state import saved_state
from wattround.metering.formula import Formula, combined_minute
from wattround.metering.minute import MINUTE_MS, Minute

RECONNECT_S = 1.5
"""Wall seconds that a reconnection may take beyond the fault, and a start to be heard again."""
IDLE_S = 1.5
"""Wall seconds by which a checkpoint may be late: the core looks each half second where nothing arrives, and a commit
takes its time where other programs want the machine, too."""
PIECES_UWH = 5
JITTER_MS = 120_000
"""House time by which the arrival of what has no time of its own wavers."""
TAIL_MINUTES = 25
"""What power may be measured for after the counter's last value."""
YEAR_1970 = 8_760
"""Hours; what was measured by a clock not yet set is kept by the hour only, being so old."""


class Books:
    """What the ledger holds after a run."""

    def __init__(self, run: Run) -> None:
        reader = Reader(run.ledger, run.house_id)
        self.rows: dict[str, dict[int, Minute]] = defaultdict(dict)
        for row in reader.minutes(0, 1 << 31):
            self.rows[row.meter][row.minute] = row
        self.episodes = reader.episodes(0, 1 << 50)
        self.numbers = {name: number for name, (number, _) in reader.meters().items()}
        reader.close()
        connection = sqlite3.connect(f"{(run.ledger / FILE).absolute().as_uri()}?mode=ro", uri=True)
        self.readings = dict(
            connection.execute("SELECT at_ms, watts FROM reading WHERE meter = ?", (self.numbers.get("stamped", -1),))
        )
        self.hours = connection.execute("SELECT hour, meter, in_uwh, out_uwh, covered_ms FROM hour").fetchall()
        self.outbox = connection.execute(
            "SELECT channel, facts, sent_ms, given_up_ms, trouble FROM outbox ORDER BY id"
        ).fetchall()
        saved = saved_state(connection, run.house_id, "house")
        self.state = saved[1] if saved else {}
        self.sound = connection.execute("PRAGMA integrity_check").fetchone()[0]
        connection.close()

    def pruned_uwh(self, meter: str) -> int:
        """What a meter took in hours whose minutes are not kept any more."""
        kept = {minute // 60 for minute in self.rows[meter]}
        return sum(
            into for hour, number, into, *_ in self.hours
            if number == self.numbers[meter] and hour < YEAR_1970 and hour not in kept
        )  # fmt: skip

    def total_uwh(self, meter: str) -> int:
        """All that a meter took, with what is still to be added to a minute that another clock has filled."""
        plain = self.state.get("meters", {}).get(meter)
        waiting_wms = plain[8] if plain and plain[7] in (plain[16] or ()) else 0.0
        return sum(row.in_uwh for row in self.rows[meter].values()) + self.pruned_uwh(meter) + round(waiting_wms / 3.6)


def wrong_energy(run: Run, books: Books) -> Iterator[str]:
    """Whatever of the energy is not as it must be."""
    if books.sound != "ok":
        yield f"ledger: {books.sound}"
    yield from _stamped(run, books)
    yield from _counted(run, books)
    yield from _plain(run, books)
    yield from _settled(run, books)
    yield from _computed(books)
    yield from _hours(books)
    yield from _checkpoints(run)
    for name, rows in books.rows.items():
        over = [row for row in rows.values() if not 0 <= row.covered_ms <= MINUTE_MS or row.in_uwh < 0 or row.out_uwh]
        if over:
            yield f"{name}: a minute that cannot be: {over[0]}"


# -- stamped readings -----------------------------------------------------------------------------------


def _stamped(run: Run, books: Books) -> Iterator[str]:
    """Known readings are those published, but for what the broker lost; minutes are the integral of those known."""
    published = run.house.truth.readings
    for at_ms, watts in books.readings.items():
        if published.get(at_ms) != watts:
            yield f"stamped: a reading that nobody sent, {watts} W at {at_ms}"
    lost = [at_ms for at_ms in published if at_ms not in books.readings]
    unexplained = [at_ms for at_ms in lost if not _lost_by_broker(run, json.dumps({"w": published[at_ms], "t": at_ms}))]
    if unexplained:
        yield f"stamped: {len(unexplained)} readings lost, the first {_step(run, unexplained[0])}"
    expected = integral({at_ms: published[at_ms] for at_ms in published if at_ms in books.readings}, STAMPED_HOLD_MS)
    found = {minute: (row.in_uwh, row.covered_ms) for minute, row in books.rows["stamped"].items()}
    for minute in sorted(expected.keys() | found.keys()):
        energy, covered = expected.get(minute, (0.0, 0))
        row_uwh, row_ms = found.get(minute, (0, 0))
        if abs(row_uwh - energy) > PIECES_UWH or row_ms != covered:
            yield (
                f"stamped: minute {_step(run, minute * MINUTE_MS)}: {row_uwh} uWh in {row_ms} ms,"
                f" expected {energy:.0f} in {covered}"
            )


def integral(readings: dict[int, int], hold_ms: int) -> dict[int, tuple[float, int]]:
    """Microwatt-hours and covered milliseconds by minute, of readings that are held until the next, `hold_ms` at most."""
    found: dict[int, tuple[float, int]] = defaultdict(lambda: (0.0, 0))
    instants = sorted(readings)
    for at_ms, following in zip(instants, [*instants[1:], 1 << 62], strict=False):
        begin_ms, end_ms = at_ms, min(following, at_ms + hold_ms)
        while begin_ms < end_ms:
            minute = begin_ms // MINUTE_MS
            stop_ms = min(end_ms, (minute + 1) * MINUTE_MS)
            energy, covered = found[minute]
            found[minute] = (energy + readings[at_ms] * (stop_ms - begin_ms) / 3.6, covered + stop_ms - begin_ms)
            begin_ms = stop_ms
    return dict(found)


def _lost_by_broker(run: Run, payload: str) -> bool:
    """Whether each time that the broker had it lies shortly before it was killed, or while it knew no session."""
    windows = [*run.broker_losses_s, *run.sessionless_s()]
    had_s = run.had_s.get(payload, [])
    return all(any(begin <= at_s <= end for begin, end in windows) for at_s in had_s)


def _near_an_outage(run: Run, payload: str) -> bool:
    spans = run.spans({"broker-kill", "broker-restart", "broker-stop"})
    return any(begin - 1.0 <= at_s <= end + 1.5 for at_s in run.had_s.get(payload, []) for begin, end in spans)


def _step(run: Run, at_ms: int) -> str:
    return f"at {(at_ms - run.first_ms) / 60_000:.1f} min ({(at_ms - run.first_ms) / 1000 / FACTOR:.2f} s)"


# -- counters -------------------------------------------------------------------------------------------


def _counted(run: Run, books: Books) -> Iterator[str]:
    truth = run.house.truth
    registers = [truth.registers[at_ms] for at_ms in sorted(truth.registers)]
    for name, values in (("register", registers), ("pulses", truth.pulses)):
        found = books.total_uwh(name)
        # a later begin where the first ones came so shortly after another, on the quick clock of a machine that was
        # late, that no load could have drawn so much
        begins = values[:1] if name == "register" else values[: 2 + run.delay_ms // MINUTE_MS]
        if all(abs(found - (values[-1] - begin) * 1e6) > PIECES_UWH + len(books.rows[name]) for begin in begins):
            yield f"{name}: {found / 1e6:.6f} Wh in all, expected {values[-1] - values[0]:.6f}"
    yield from _register_minutes(run, books)


def _register_minutes(run: Run, books: Books) -> Iterator[str]:
    """Each minute whose ends the register told is exact, unless the broker lost one of them."""
    registers = run.house.truth.registers
    for at_ms in sorted(registers):
        if at_ms + MINUTE_MS not in registers:
            continue
        row = books.rows["register"].get(at_ms // MINUTE_MS)
        expected = (registers[at_ms + MINUTE_MS] - registers[at_ms]) * 1_000_000
        if row is not None and abs(row.in_uwh - expected) <= PIECES_UWH and row.covered_ms == MINUTE_MS:
            continue
        near = [at for at in range(at_ms - 9 * MINUTE_MS, at_ms + 10 * MINUTE_MS, MINUTE_MS) if at in registers]
        payloads = [json.dumps({"wh": registers[at], "t": at}) for at in near]
        # after a broken line the meters say what is new before what they had kept: a counter's late values are no news
        if not any(_lost_by_broker(run, each) or _near_an_outage(run, each) for each in payloads):
            yield f"register: minute {_step(run, at_ms)}: {row}, expected {expected} uWh"
            return


def _settled(run: Run, books: Books) -> Iterator[str]:
    """Power and counter: up to where it last settled, the counter has the last word."""
    plain = books.state.get("meters", {}).get("both")
    if not plain or not isinstance(plain[-2], list):
        yield "both: its register is not in the ledger"
        return
    last_wh, _, anchor_ms, _, gained_wh = plain[-2][:5]
    minute = anchor_ms // MINUTE_MS
    before_uwh = sum(row.in_uwh for at, row in books.rows["both"].items() if not minute <= at <= minute + TAIL_MINUTES)
    before_uwh += books.pruned_uwh("both")
    row = books.rows["both"].get(minute)
    after_uwh = BOTH_W * ((minute + 1) * MINUTE_MS - anchor_ms) / 3.6  # in that minute, measured by power alone
    before_uwh += max(0.0, (row.in_uwh if row else 0) - after_uwh)
    expected_wh = last_wh - gained_wh - run.house.truth.both[0]
    if abs(before_uwh / 1e6 - expected_wh) > BOTH_W * (JITTER_MS + 2 * run.delay_ms) / 3_600_000:
        yield f"both: {before_uwh / 1e6:.3f} Wh settled, expected {expected_wh:.3f}"


# -- watts stamped on arrival ---------------------------------------------------------------------------


def _plain(run: Run, books: Books) -> Iterator[str]:
    """Energy and covered time agree; not more is covered than was lived, and not less than the faults explain."""
    rows = books.rows["plain"].values()
    for row in rows:
        if abs(row.in_uwh - PLAIN_W * row.covered_ms / 3.6) > PIECES_UWH:
            yield f"plain: {row.in_uwh} uWh in {row.covered_ms} ms of a minute at {PLAIN_W} W"
            break
    covered_ms = sum(row.covered_ms for row in rows)
    lived_ms = run.spoke_ms[-1] - run.spoke_ms[0]
    most_ms = run.heard_ms() + HOLD_MS + 2 * JITTER_MS - run.deaf_ms()
    if covered_ms > most_ms:
        yield f"plain: {covered_ms / 1000:.0f} s covered, at most {most_ms / 1000:.0f} s were lived"
    least_ms = lived_ms - run.explained_ms(RECONNECT_S) - 2 * MINUTE_MS
    if covered_ms < least_ms:
        yield f"plain: {covered_ms / 1000:.0f} s covered, at least {least_ms / 1000:.0f} s were expected"


def _checkpoints(run: Run) -> Iterator[str]:
    """What a kill lost is no more than the checkpoint, unless the disk took nothing or the clock was set."""
    begun = run.begun_s()
    for death in run.keeper.deaths:
        since_s = max([0.0, *(started for started in run.keeper.started_s if started < death.at_s)])
        if death.saved_ms is None or run.disk_troubles.touch(since_s, death.at_s) or run.clock_was_set_near(death.at_s):
            continue
        begun_s = max((at_s for at_s in begun if since_s <= at_s < death.at_s), default=death.at_s)
        if death.at_s - begun_s < run.lateness_s:  # it had not begun yet, or just so
            continue
        lost_ms = death.at_ms - death.saved_ms
        if lost_ms > CHECKPOINT_MS + (IDLE_S + run.lateness_s) * FACTOR * 1000:
            yield f"a kill lost {lost_ms / 1000:.0f} s of the house's time, the checkpoint is {CHECKPOINT_MS / 1000:.0f} s"


# -- what is made of other rows -------------------------------------------------------------------------


def _computed(books: Books) -> Iterator[str]:
    """Minutes of a computed meter are what those of its parts make."""
    formula = Formula("sum", (("stamped", 1.0), ("register", 1.0)))
    minutes = books.rows["stamped"].keys() | books.rows["register"].keys() | books.rows["sum"].keys()
    for minute in sorted(minutes):
        parts = {name: books.rows[name][minute] for name in ("stamped", "register") if minute in books.rows[name]}
        expected, found = combined_minute(formula, parts), books.rows["sum"].get(minute)
        if (expected and expected[2:7]) != (found and found[2:7]):
            yield f"sum: minute {minute}: {found}, its parts make {expected}"
            return


def _hours(books: Books) -> Iterator[str]:
    """Hour totals are what their minutes make, for every hour up to the newest that is there."""
    sums: dict[tuple[int, int], list[int]] = defaultdict(lambda: [0, 0, 0])
    for name, rows in books.rows.items():
        for row in rows.values():
            for place, value in enumerate((row.in_uwh, row.out_uwh, row.covered_ms)):
                sums[row.minute // 60, books.numbers[name]][place] += value
    totals = {(hour, meter): values for hour, meter, *values in books.hours}
    newest = max((hour for hour, _ in totals), default=0)
    for key in sorted(sums.keys() | totals.keys()):
        if key[0] < YEAR_1970 and key not in sums:
            continue
        if key[0] <= newest and sums.get(key) != totals.get(key):
            yield f"hour {key[0]} of meter {key[1]}: {totals.get(key)}, its minutes make {sums.get(key)}"
            return
