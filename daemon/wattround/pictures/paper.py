"""Pages that are files: a template, with the look in its head and a policy that lets nothing else in."""

from __future__ import annotations

import base64
import hashlib
import re
from typing import Any

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from wattround.pictures.ink import DARK, LIGHT


def environment(*packages: str) -> Environment:
    """Templates of these packages' folders. Every text is escaped but Markup, which `picture` makes.

    Filters: `dates` keeps days on one line, `minus` gives numbers a sign as wide as their plus.
    """
    loaders = [PackageLoader(*package.rsplit(".", 1)) for package in packages]
    pages = Environment(
        loader=ChoiceLoader(loaders), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
        auto_reload=False,
    )  # fmt: skip
    pages.filters |= {"dates": dates, "minus": minus}
    return pages


def look() -> str:
    """The style of every page."""
    return environment("wattround.pictures").get_template("look.css.j2").render(light=LIGHT, dark=DARK)


def render(package: str, template: str, page: Any) -> str:
    """The file that a package's template makes of `page`, and of `style` and `style_hash` for its policy."""
    style = look()
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    safe = Markup(style)  # noqa: S704 - a file of ours, filled with colours of ours
    found = environment(package).get_template(template)
    return found.render(page=page, style=safe, style_hash=f"sha256-{digest}")


def picture(drawn: str) -> Markup:
    """What `ink.Drawing.svg` has written: it escapes whatever it was given."""
    return Markup(drawn)  # noqa: S704 - see above


def minus(number: str) -> str:
    """A number with a sign as wide as its plus."""
    return number.replace("-", "\N{MINUS SIGN}")


def dates(text: str) -> Markup:
    """Text whose days stay on one line."""
    parts = re.split(r"(\d{4}-\d\d-\d\d)", text)
    whole = Markup('<span class="date">{}</span>')
    return Markup().join(whole.format(part) if at % 2 else part for at, part in enumerate(parts))
