"""What becomes of episodes: rows for the ledger, and messages for channels, with manners where people read them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

import structlog

from wattround.config.model import Meter, Settings
from wattround.config.rule import Rule
from wattround.core.hushing import carry_out
from wattround.core.rulebook import HOUSE, channel_ways, manners_ways, rule_ways, subjects
from wattround.core.telling import House, Scene, tell_bulletin, tell_raw
from wattround.core.watched import Watched
from wattround.core.words import BREAKER_CAUTION, number, troubles
from wattround.ledger.batch import Batch, EpisodeRow, Message
from wattround.money.twoprices import Worth
from wattround.rules.engine import Engine, EpisodeNews
from wattround.rules.manners import Bulletin, Manners, Withdraw
from wattround.rules.marks import period_begin

log = structlog.get_logger("house")


class Figures(NamedTuple):
    """What messages need to know beside an episode: watts of a meter now, and figures of a rule's condition."""

    watts: Callable[[str], float | None]
    excess_w: Callable[[str], float | None]
    spent_uwh: Callable[[Rule, str], int]
    base_w: Callable[[], tuple[float | None, float | None, list[tuple[str, float]]]]
    troubles: Callable[[], frozenset[str]]
    lost: Callable[[str], Watched | None]


class Voice:
    """Tells of episodes. `withdraw` takes back a bulletin that has not been sent yet."""

    def __init__(self, settings: Settings, figures: Figures) -> None:
        self._figures = figures
        self.manners = Manners(manners_ways(settings), {}, {})
        self.withdraw: Withdraw = lambda _channel, _ref: False

    def configure(self, settings: Settings, house: House, meters: Mapping[str, Meter]) -> None:
        """Take up settings."""
        self._settings, self._house, self._meters = settings, house, meters
        self._rules = {rule.name: rule for rule in settings.rules}
        self._raw = [channel for channel in settings.channels if channel.is_raw]
        self.manners.configure(manners_ways(settings), rule_ways(settings), channel_ways(settings))

    # -- episodes ---------------------------------------------------------------------------------

    def hear(self, news: EpisodeNews, batch: Batch) -> None:
        """An episode was raised, or has settled."""
        settled_ms = news.at_ms if news.what == "settled" else None
        scene = self._scene(news)
        batch.episodes.append(
            EpisodeRow(
                news.rule, news.load, news.began_ms, news.raised_ms, settled_ms, news.waste_uwh,
                str(scene.worth.amount), news.reason, scene.worth.unknown_uwh,
            )
        )  # fmt: skip
        log.info("episode", what=news.what, rule=news.rule, load=news.load, waste_wh=round(news.waste_uwh / 1e6, 3))
        rule = self._rules.get(news.rule)
        hushed = self.manners.hushes.covers(news.rule, news.load)
        told = tell_raw(news, scene, self._house, hushed=hushed)
        for channel in self._raw:
            if rule is None or rule.tell is None or channel.name in rule.tell:
                batch.messages.append(Message(channel.name, news.at_ms, told.title, told.body, told.facts))
        self.manners.hear(news)

    def speak(self, now_ms: int, engine: Engine, batch: Batch) -> None:
        """Say what is due."""
        if now_ms < self.manners.next_ms():
            return

        def open_now(rule: str, load: str) -> EpisodeNews | None:
            return next((news for news in engine.open_episodes(now_ms) if (news.rule, news.load) == (rule, load)), None)

        for bulletin in self.manners.speak(now_ms, open_now, self.withdraw):
            told = tell_bulletin(bulletin, self._scene, self._house, self._settings.templates)
            batch.messages.append(
                Message(bulletin.channel, _since(bulletin), told.title, told.body, told.facts, bulletin.ref)
            )

    def say(
        self, title: str, body: str, facts: str, at_ms: int, batch: Batch, channels: tuple[str, ...] | None = None
    ) -> None:
        """Put a message for each of the named channels (None: all) into the batch."""
        for channel in self._settings.channels:
            if channels is None or channel.name in channels:
                batch.messages.append(Message(channel.name, at_ms, title, body, facts))

    def rule(self, name: str) -> Rule | None:
        """A rule's settings."""
        return self._rules.get(name)

    # -- scenes -----------------------------------------------------------------------------------

    def label(self, load: str, rule: Rule | None) -> str:
        """What a person calls a load: a meter, the house, or several meters together."""
        meter = self._meters.get(load)
        if meter is not None:
            return meter.label or load
        if load == HOUSE:
            if rule is not None and rule.trouble is not None:
                return "wattround"
            base = rule is not None and rule.base_load_up_w is not None
            return f"Base load of {self._house.title}" if base else self._house.title
        members = self._members(load, rule)
        return ", ".join(self.label(name, None) for name in members) if members else load

    def _members(self, load: str, rule: Rule | None) -> tuple[str, ...]:
        if rule is None:
            return ()
        return next((found.members for found in subjects(rule, self._meters) if found.load == load), ())

    def _meters_of(self, load: str, rule: Rule | None) -> tuple[str, ...]:
        return self._members(load, rule) or (load,)

    def worth(self, news: EpisodeNews) -> Worth:
        """What an episode's waste would have saved."""
        meters = self._meters_of(news.load, self._rules.get(news.rule))
        return self._house.purse.waste(meters, news.began_ms, news.at_ms, news.waste_uwh)

    def _scene(self, news: EpisodeNews) -> Scene:
        rule = self._rules.get(news.rule)
        meters = self._meters_of(news.load, rule)
        watts = [self._figures.watts(name) for name in meters]
        known = [part for part in watts if part is not None]
        total = sum(known) if known and len(known) == len(watts) else None
        wastes = rule is None or (rule.of_load and ("active" in rule.levels or rule.above_w is not None))
        return Scene(
            rule, self.label(news.load, rule), total, self._note(news, rule, total), wastes, frozenset(meters),
            self.worth(news), None if total is None else self._house.purse.a_day(total, news.at_ms),
        )  # fmt: skip

    def _note(self, news: EpisodeNews, rule: Rule | None, watts: float | None) -> str:
        if rule is None:
            return ""
        notes = []
        if rule.breaker_share is not None:
            meter = self._meters.get(news.load)
            rating = meter.breaker_a if meter is not None else None
            draw = f"It draws {number(watts)} W" if watts is not None else "Its draw is not known just now"
            notes.append(f"{draw}; its breaker is rated {rating:g} A. {BREAKER_CAUTION}" if rating else draw)
        if rule.below_w is not None and watts is not None:
            notes.append(f"It draws {number(watts)} W.")
        if rule.spent is not None:
            spent_uwh = self._figures.spent_uwh(rule, news.load)
            begin_ms = period_begin(news.at_ms, rule.spent.per, self._house.zone)
            cost = self._house.purse.share_text(spent_uwh, begin_ms, news.at_ms)
            notes.append(f"So far {spent_uwh / 1e9:.2f} kWh, {cost}.")
        if rule.exceeded_by_w is not None:
            notes.append(self._exceeded(news.load))
        if rule.base_load_up_w is not None:
            notes.append(self._base_load(news.at_ms))
        if rule.worn_off:
            notes.append(self._lost(news.load, news.at_ms))
        if rule.trouble is not None:
            notes.append(f"{troubles(self._figures.troubles() & set(rule.trouble)).capitalize()}.")
        return " ".join(notes)

    def _lost(self, load: str, at_ms: int) -> str:
        """Which saving is lost, and what it had been worth."""
        lost = self._figures.lost(load)
        if lost is None:
            return ""
        a_day = self._house.purse.a_day(float(lost.saved_wh) / 24, at_ms)
        year = "" if a_day is None else f", {self._house.purse.text(a_day * 365)} a year"
        return (
            f'What "{lost.change}" had saved, {lost.saved_wh / 1000:.2f} kWh a day{year}, is at least partly lost:'
            f' something was set back, or the load has changed. wattround prove "{lost.change}" shows the days.'
        )

    def _exceeded(self, load: str) -> str:
        excess_w = self._figures.excess_w(load)
        by = f" by {number(excess_w)} W now" if excess_w is not None else ""
        return (
            f"The meters within it show more than it does{by}: a clamp turned round, a wrong nesting, or a factor"
            " that is missing. Clamps sit behind covers with lethal voltages: that is a licensed electrician's work."
        )

    def _base_load(self, at_ms: int) -> str:
        base_w, up_w, culprits = self._figures.base_w()
        if base_w is None or up_w is None:
            return ""
        named = ", ".join(f"{self.label(name, None)} +{number(rise)} W" for name, rise in culprits[:5])
        a_day = self._house.purse.a_day(up_w, at_ms)
        year = "" if a_day is None else f": {self._house.purse.text(a_day * 365)} in a year"
        whose = f"By meter: {named}." if named else "No single meter accounts for it."
        return (
            f"It is {number(base_w)} W in the quietest hour of the night now, {number(up_w)} W more than in the weeks"
            f" before{year}. {whose}"
        )

    def hush(self, facts: Mapping[str, Any], now_ms: int, batch: Batch) -> str:
        """Hush or un-hush as a request says; what was done.

        Raises:
            ValueError: with a reason, for a request that cannot be carried out.
        """
        done = carry_out(self.manners, self._rules, self._meters, facts, now_ms)
        batch.pressing = True
        return done


def _since(bulletin: Bulletin) -> int:
    """When the news of a bulletin was new: an old one says that it was delayed. A digest is of its own hour."""
    if bulletin.kind == "digest":
        return bulletin.at_ms
    return min(item.news.at_ms if item.reminder == 0 else bulletin.at_ms for item in bulletin.items)
