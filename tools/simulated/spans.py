"""Spans of time: lists of (from, to) in milliseconds, in order and apart from each other."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable

Span = tuple[int, int]
Spans = list[Span]


def union(*parts: Iterable[Span], gap_ms: int = 0) -> Spans:
    """All of them as one; what lies no further apart than `gap_ms` is joined."""
    found: Spans = []
    for begin, end in sorted(span for part in parts for span in part):
        if found and begin <= found[-1][1] + gap_ms:
            found[-1] = (found[-1][0], max(found[-1][1], end))
        elif end > begin:
            found.append((begin, end))
    return found


def both(left: Iterable[Span], right: Iterable[Span]) -> Spans:
    """What lies in both."""
    left, right = list(left), list(right)
    found: Spans = []
    at = 0
    for begin, end in left:
        while at and right[at - 1][1] > begin:
            at -= 1
        while at < len(right) and right[at][0] < end:
            low, high = max(begin, right[at][0]), min(end, right[at][1])
            if low < high:
                found.append((low, high))
            at += 1
    return found


def without(left: Iterable[Span], right: Iterable[Span]) -> Spans:
    """What lies in the left but not in the right."""
    right = list(right)
    found: Spans = []
    for begin, end in left:
        at = begin
        for low, high in right:
            if high <= at or low >= end:
                continue
            if low > at:
                found.append((at, low))
            at = max(at, high)
        if at < end:
            found.append((at, end))
    return found


def settled(spans: Iterable[Span], after_ms: int) -> Spans:
    """What is left of each once so long has passed."""
    return [(begin + after_ms, end) for begin, end in spans if begin + after_ms < end]


def holds(spans: Spans, at_ms: int) -> bool:
    """Whether an instant lies in one of them."""
    found = bisect_right(spans, at_ms, key=lambda span: span[0]) - 1
    return found >= 0 and at_ms < spans[found][1]


def meet(spans: Iterable[Span], begin: int, end: int) -> bool:
    """Whether any of them overlaps with the span from `begin` to `end`."""
    return any(low < end and high > begin for low, high in spans)


def total_ms(spans: Iterable[Span]) -> int:
    """How long they are together."""
    return sum(end - begin for begin, end in spans)
