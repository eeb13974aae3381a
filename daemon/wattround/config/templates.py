"""The texts of messages: Jinja2 in a sandbox, with built-in ones that the file may replace."""

from __future__ import annotations

from functools import lru_cache
from typing import Any, Literal, NamedTuple

from wattround.config.rule import Template, Templates

Kind = Literal["raised", "settled", "reminder", "digest"]
KINDS: tuple[Kind, ...] = ("raised", "settled", "reminder", "digest")
MOST_TITLE, MOST_BODY = 200, 8000


class Line(NamedTuple):
    """One episode in a message. Texts are ready to be read; `sentence` says all of it."""

    event: Literal["raised", "settled", "missed", "reminder"]
    label: str
    load: str
    rule: str
    state: str
    why: str
    began: str
    ended: str
    lasting: str
    watts: str
    energy: str
    cost: str
    cost_a_day: str
    share: str
    because: str
    note: str
    sentence: str
    hush: str


class Letter(NamedTuple):
    """What a template is given. `wastes`: some line is of a load that draws for nothing; the totals are of those."""

    house: str
    lines: tuple[Line, ...]
    why: str
    watts: str
    energy: str
    cost: str
    cost_a_day: str
    held_back: int
    wastes: bool


_RAISED_TITLE = """\
{% if lines|length == 1 %}{{ lines[0].label }}: {{ lines[0].state }}{{ ', ' ~ lines[0].why if lines[0].why }}
{%- else %}{{ lines|length }} at once{{ ', ' ~ why if why }}{{ ': ' ~ watts if wastes }}{% endif %}"""
_RAISED_BODY = """\
{% if lines|length == 1 %}{{ lines[0].sentence }}
({{ lines[0].hush }})
{%- else %}{% for line in lines -%}
- {{ line.label }}: {{ line.state }} since {{ line.began }}{{ ', ' ~ line.watts if line.watts }}\
{% if line.share %}, so far {{ line.energy }}, {{ line.cost }} ({{ line.share }}){% endif %}\
{{ '; ' ~ line.note if line.note }} (rule {{ line.rule }})
{% endfor -%}
{% if wastes %}Together {{ watts }}, so far {{ energy }}, {{ cost }}\
{{ '; left like this ' ~ cost_a_day ~ ' a day' if cost_a_day }}.
{% endif %}(To hear no more of one: wattround hush RULE){% endif %}"""
_SETTLED_TITLE = """\
{% if lines|length == 1 %}{{ lines[0].label }}: over after {{ lines[0].lasting }}
{%- else %}{{ lines|length }} are over{{ ': ' ~ energy ~ ', ' ~ cost if wastes }}{% endif %}"""
_SETTLED_BODY = """\
{% for line in lines %}{{ '- ' if lines|length > 1 }}{{ line.sentence }} (rule {{ line.rule }})
{% endfor %}"""
_REMINDER_TITLE = """\
{% if lines|length == 1 %}{{ lines[0].label }}: still {{ lines[0].state }}
{%- else %}{{ lines|length }} are still going on{% endif %}"""
_REMINDER_BODY = """\
{% for line in lines %}{{ '- ' if lines|length > 1 }}{{ line.sentence }}
({{ line.hush }})
{% endfor %}"""
_DIGEST_TITLE = """\
{{ house }}: {{ lines|length }} thing{{ 's' if lines|length > 1 }} to know{{ ', ' ~ energy ~ ', ' ~ cost if wastes }}"""
_DIGEST_BODY = """\
{% for line in lines %}- {{ line.sentence }} (rule {{ line.rule }})
{% endfor %}{% if held_back %}{{ held_back }} of these were held back: there had been enough messages that day.
{% endif %}(To hear no more of one: wattround hush RULE)"""
BUILT_IN: dict[Kind, tuple[str, str]] = {
    "raised": (_RAISED_TITLE, _RAISED_BODY),
    "settled": (_SETTLED_TITLE, _SETTLED_BODY),
    "reminder": (_REMINDER_TITLE, _REMINDER_BODY),
    "digest": (_DIGEST_TITLE, _DIGEST_BODY),
}


class BadTemplate(Exception):  # noqa: N818 - reads as what it is
    """A template that cannot be used; the text says why."""


@lru_cache(1)
def _sandbox() -> Any:
    # 6 MB that a house does not need whose only channels are for programs
    from jinja2 import StrictUndefined  # noqa: PLC0415
    from jinja2.sandbox import ImmutableSandboxedEnvironment  # noqa: PLC0415

    # plain text, not HTML: nothing is to be escaped
    return ImmutableSandboxedEnvironment(undefined=StrictUndefined, autoescape=False)


@lru_cache(64)
def _compiled(source: str) -> Any:
    return _sandbox().from_string(source)


def _template_error() -> type[Any]:
    from jinja2 import TemplateError  # noqa: PLC0415

    return TemplateError


def render(source: str, letter: Letter) -> str:
    """The text of a template.

    Raises:
        BadTemplate: if it has a fault, asks for what there is not, or does what a text has no business to.
    """
    try:
        text: str = _compiled(source).render(letter._asdict())
    except _template_error() as error:
        line = getattr(error, "lineno", None)
        raise BadTemplate(f"{error.message}{f' (its line {line})' if line and line > 1 else ''}") from None
    except Exception as error:  # noqa: BLE001 - whatever a text of the file does, it must not end the daemon
        raise BadTemplate(str(error) or type(error).__name__) from None
    return text.strip()


def sources(kind: Kind, templates: Templates) -> tuple[str, str]:
    """Title and body of a kind of message: the file's, else the built-in ones."""
    own: Template = getattr(templates, kind)
    title, body = BUILT_IN[kind]
    return (title if own.title is None else own.title, body if own.body is None else own.body)


def letter_text(kind: Kind, templates: Templates, letter: Letter) -> tuple[str, str]:
    """Title and body of a message. Where the file's template fails after all, the built-in one speaks."""
    try:
        title, body = (render(source, letter) for source in sources(kind, templates))
    except BadTemplate:
        title, body = (render(source, letter) for source in BUILT_IN[kind])
    return " ".join(title.split())[:MOST_TITLE], body[:MOST_BODY]


_SAMPLE_LINE = Line(
    "raised", "Television", "television", "tv-nobody-home", "on", "nobody home", "14:02", "", "2 h 10 min", "118 W",
    "252 Wh", "0.07 EUR", "0.79 EUR", "", "", "", "Television is on, nobody home, since 14:02 (2 h 10 min).",
    "to hear no more of it: wattround hush tv-nobody-home",
)  # fmt: skip
_OVER = _SAMPLE_LINE._replace(event="settled", ended="16:12", because="it is no longer on", watts="")
SAMPLES: tuple[Letter, ...] = tuple(
    Letter("The house", lines, "nobody home", "236 W", "504 Wh", "0.14 EUR", "1.58 EUR", held_back, wastes=True)
    for lines, held_back in (((_SAMPLE_LINE,), 0), ((_SAMPLE_LINE, _OVER), 2), ((_OVER,), 0))
)


def faults(templates: Templates) -> list[tuple[Kind, str, str]]:
    """What is wrong with the file's templates, tried on sample messages: kind, title or body, what."""
    found = []
    for kind in KINDS:
        for part in ("title", "body"):
            source = getattr(getattr(templates, kind), part)
            if source is None:
                continue
            try:
                texts = [render(source, letter) for letter in SAMPLES]
            except BadTemplate as trouble:
                found.append((kind, part, str(trouble)))
                continue
            if part == "title" and not all(texts):
                found.append((kind, part, "an empty title"))
    return found
