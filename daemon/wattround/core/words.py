"""What a rule says, in the words of a message: what the load does, in what circumstances, and why that ended."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from wattround.config.kinds import clock_time, duration_text, sun_time
from wattround.config.rule import Rule, SignalTest
from wattround.money.amount import amount_text
from wattround.rules.condition import Reason

_LEVEL = {"active": "on", "standby": "on standby", "off": "off"}
_PER = {"day": "today", "week": "this week", "month": "this month"}
_TROUBLE = {
    "archive": "the archive does not take what is sent",
    "broker": "the broker cannot be reached",
    "channel": "a channel does not take its messages",
    "disk": "the disk is nearly full",
    "ledger": "the ledger cannot be written",
}
BREAKER_CAUTION = (
    "Hours of current near a breaker's rating heat it and the wiring. Where 80 % for three hours counts as a "
    "continuous load is a matter of your local code: ask a licensed electrician, and do not work in the panel yourself."
)
_BECAUSE: Mapping[Reason, str] = {
    "level": "it is no longer {state}",
    "occupancy": "the house is no longer {occupancy}",
    "time": "the hours that this rule watches are over",
    "signal": "{signals} no longer",
    "usage": "what is counted lies within its bound again, or a new {period} has begun",
    "base-load": "the base load has come down",
    "heard": "it is heard again",
    "tree": "the meters agree again",
    "trouble": "that is over",
    "saving": "its saving is watched anew",
    "saving-unknown": "its saving is no longer watched",
    "level-unknown": "nothing is heard of it any more; whether it is still {state} cannot be told",
    "occupancy-unknown": "who is home cannot be told any more",
    "signal-unknown": "nothing recent is known of {signals_named} any more",
    "base-load-unknown": "there are too few nights to tell",
    "heard-unknown": "the broker is away, and nothing can be heard",
    "tree-unknown": "not all of these meters are heard",
    "rule-changed": "the rule was changed",
}


def number(value: float) -> str:
    """A figure with thousands apart, without needless decimals."""
    return f"{value:,.0f}" if abs(value) >= 100 or round(value, 1) == round(value) else f"{value:,.1f}"


def state(rule: Rule | None, currency: str) -> str:
    """What the load does while the rule holds: "on", "drawing less than 20 W"."""
    if rule is None:
        return "on"
    words = [" or ".join(_LEVEL[level] for level in rule.levels)] if rule.levels else []
    if rule.breaker_share is not None:
        words.append(f"at {rule.breaker_share * 100:.0f} % of its breaker's rating or more")
    if rule.above_w is not None:
        words.append(f"drawing {number(rule.above_w)} W or more")
    if rule.below_w is not None:
        words.append(f"drawing less than {number(rule.below_w)} W")
    if rule.starts_per_hour is not None:
        words.append(f"starting more than {rule.starts_per_hour} times an hour")
    if rule.ran_today is not None:
        words.append(f"on for {duration_text(rule.ran_today)} or more today")
    return " and ".join([*words, *_counted(rule, currency)]) or "as the rule describes"


def _counted(rule: Rule, currency: str) -> list[str]:
    words = []
    if rule.spent is not None:
        wanted = rule.spent
        limits = []
        if wanted.over_wh is not None:
            limits.append(
                f"{number(wanted.over_wh / 1000)} kWh" if wanted.over_wh >= 1000 else f"{wanted.over_wh:g} Wh"
            )
        if wanted.over_money is not None:
            limits.append(amount_text(Decimal(str(wanted.over_money)), currency))
        course = "on course to pass" if wanted.on_course else "past"
        words.append(f"{course} {' or '.join(limits)} {_PER[wanted.per]}")
    if rule.base_load_up_w is not None:
        words.append(f"up by {number(rule.base_load_up_w)} W or more")
    if rule.unheard is not None:
        words.append(f"silent for {duration_text(rule.unheard)} or longer")
    if rule.exceeded_by_w is not None:
        words.append(f"exceeded by the meters within it, by {number(rule.exceeded_by_w)} W or more")
    if rule.trouble is not None:
        words.append("in trouble")
    if rule.worn_off:
        words.append("using more again than was proven")
    return words


def why(rule: Rule | None) -> str:
    """The circumstances that make it worth telling: "nobody home and past bedtime"."""
    if rule is None:
        return ""
    words = []
    if rule.occupancy is not None:
        words.append("nobody home" if rule.occupancy == "empty" else "somebody home")
    if rule.between is not None:
        begins, ends = rule.between
        named = clock_time(begins) is None and sun_time(begins) is None
        words.append(f"past {begins}" if named else f"between {edge(begins)} and {edge(ends)}")
    if rule.outside is not None:
        words.append(f"outside {edge(rule.outside[0])} to {edge(rule.outside[1])}")
    words += [said(claim) for claim in rule.signals]
    return " and ".join(words)


def when(rule: Rule | None, currency: str) -> str:
    """Both, as a line says it: "on, nobody home"."""
    return ", ".join(each for each in (state(rule, currency), why(rule)) if each)


def edge(found: str) -> str:
    """A time, or a mark's name, as it is said."""
    by_sun = sun_time(found)
    if by_sun is None or by_sun.later_ms == 0:
        return found
    side = "after" if by_sun.later_ms > 0 else "before"
    return f"{duration_text(abs(by_sun.later_ms))} {side} {by_sun.event}"


def said(claim: SignalTest) -> str:
    """What a signal says: "window is open for 5 min"."""
    parts = []
    if claim.is_ is not None:
        parts.append(f"is {' or '.join(claim.is_)}")
    if claim.is_not is not None:
        parts.append(f"is not {' or '.join(claim.is_not)}")
    if claim.above is not None:
        parts.append(f"is above {claim.above:g}")
    if claim.below is not None:
        parts.append(f"is below {claim.below:g}")
    lasting = f" for {duration_text(claim.lasting)}" if claim.lasting else ""
    return f"{claim.signal} {' and '.join(parts) or 'is known'}{lasting}"


def because(reason: Reason | None, rule: Rule | None, currency: str) -> str:
    """Why an episode ended."""
    signals = rule.signals if rule is not None else ()
    return _BECAUSE[reason or "level"].format(
        state=state(rule, currency),
        period=rule.spent.per if rule is not None and rule.spent is not None else "day",
        occupancy=(rule.occupancy if rule is not None else None) or "so",
        signals=" and ".join(said(claim) for claim in signals),
        signals_named=" and ".join(claim.signal for claim in signals),
    )


def troubles(names: Any) -> str:
    """The daemon's troubles."""
    return "; ".join(_TROUBLE[name] for name in sorted(names))
