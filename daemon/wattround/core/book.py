"""The book: everything that a person may enter, and what becomes of a request to add, change or remove an entry."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, TypeVar

from pydantic import ValidationError

from wattround.core.bill import Bill
from wattround.core.change import Change
from wattround.core.entry import Entry, Household
from wattround.core.inventory import Load
from wattround.core.trial import Trial
from wattround.core.watched import Watched
from wattround.ledger.batch import EntryRow
from wattround.ledger.book import Book

KINDS: Mapping[str, type[Entry]] = {kind.kind: kind for kind in (Bill, Change, Load, Watched, Trial)}
WORDS = ("add", "change", "remove")

E = TypeVar("E", bound=Entry)


def entries(book: Book, kind: type[E]) -> dict[int, E]:
    """Entries of a kind that stand, by their numbers.

    Raises:
        ValueError: if one was not written by this wattround.
    """
    found = {}
    for row in book.rows(kind.kind):
        try:
            found[row.number] = kind.model_validate_json(row.body or "")
        except ValidationError as error:
            told = _told(error, json.loads(row.body or "{}"))
            raise ValueError(f"{kind.kind} {row.number} of the ledger cannot be read: {told}") from None
    return found


def entered(book: Book, request: Any, house: Household, now_ms: int) -> EntryRow:
    """The row that carries a request out: `do` (add, change or remove), `kind`, and its `number` or `entry`, or both.

    Raises:
        ValueError: with a reason, for a request that cannot be carried out.
    """
    if not isinstance(request, Mapping):
        raise ValueError('expected a request such as {"do": "remove", "kind": "bill", "number": 1}')  # noqa: TRY004
    do, kind = request.get("do"), request.get("kind")
    if do not in WORDS:
        raise ValueError(f"do: expected one of {', '.join(WORDS)}")
    if not isinstance(kind, str) or kind not in KINDS:
        raise ValueError(f"kind: expected one of {', '.join(KINDS)}")
    others = entries(book, KINDS[kind])
    number: Any = book.newest(kind) + 1 if do == "add" else request.get("number")
    if do != "add":
        if type(number) is not int or number not in others:
            known = f"one of {', '.join(map(str, others))}" if others else "none has been entered"
            raise ValueError(f"number: found {number}; expected the number of a {kind}: {known}")
        del others[number]
    if do == "remove":
        return EntryRow(kind, number, now_ms, None)
    entry = _entry(KINDS[kind], request.get("entry"))
    objection = entry.objection(others, house) or _namesake(book, entry)
    if objection is not None:
        raise ValueError(objection)
    return EntryRow(kind, number, now_ms, entry.model_dump_json(by_alias=True, exclude_defaults=True))


def _entry(kind: type[E], found: Any) -> E:
    try:
        return kind.model_validate(found)
    except ValidationError as error:
        raise ValueError(_told(error, found)) from None


def _namesake(book: Book, entry: Entry) -> str | None:
    """Changes and trials are both asked for by their names, so none may have one of the other kind's."""
    if isinstance(entry, Change):
        other, names = Trial.kind, [each.name for each in entries(book, Trial).values()]
    elif isinstance(entry, Trial):
        other, names = Change.kind, [each.name for each in entries(book, Change).values()]
    else:
        return None
    if entry.name not in names:
        return None
    return f'name: found "{entry.name}", which a {other} has; expected a name of its own'


def _told(error: ValidationError, found: Any) -> str:
    """What is wrong with the first wrong value."""
    detail = error.errors(include_url=False, include_input=False)[0]
    if not detail["loc"]:
        return "entry: expected a table of its values"
    key = str(detail["loc"][0])
    if detail["type"] == "missing":
        return f"{key}: found nothing; expected it"
    if detail["type"] == "extra_forbidden":
        return f"{key}: an unknown key"
    context = detail.get("ctx", {})
    expected = context.get("error") or context.get("expected") or detail["msg"]
    shown = json.dumps(found.get(key), ensure_ascii=False)
    return f"{key}: found {shown if len(shown) <= 60 else shown[:57] + '...'}; expected {expected}"
