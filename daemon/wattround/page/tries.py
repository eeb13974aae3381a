"""How often somebody may try: wrong tokens are slowed down, requests are counted. No clock: time is an argument."""

from __future__ import annotations

from collections import OrderedDict

MOST_ADDRESSES = 512
"""Remembered at once; the one that was quiet for longest is forgotten."""
FREE_TRIES = 5
LONGEST_WAIT_S = 300
FORGOTTEN_AFTER_S = 3600
ALL_TRIES, ALL_TRIES_PER_S = 60.0, 0.5
"""Wrong tokens of all addresses together: so many at once, and so many a second in the long run."""


class Bucket:
    """So many at once, refilled by so many a second."""

    def __init__(self, size: float, per_s: float) -> None:
        self._size, self._per_s, self._left, self._at_s = size, per_s, size, 0.0

    def left(self, now_s: float) -> float:
        """How many are left."""
        self._left = min(self._size, self._left + max(0.0, now_s - self._at_s) * self._per_s)
        self._at_s = now_s
        return self._left

    def take(self, now_s: float) -> bool:
        """Take one; False if there is none."""
        if self.left(now_s) < 1:
            return False
        self._left -= 1
        return True


class Rates:
    """A bucket for each address."""

    def __init__(self, size: float, per_s: float) -> None:
        self._size, self._per_s = size, per_s
        self._buckets: OrderedDict[str, Bucket] = OrderedDict()

    def take(self, address: str, now_s: float) -> bool:
        """Count a request; False if there were too many."""
        bucket = self._buckets.pop(address, None) or Bucket(self._size, self._per_s)
        self._buckets[address] = bucket
        if len(self._buckets) > MOST_ADDRESSES:
            self._buckets.popitem(last=False)
        return bucket.take(now_s)


class Tries:
    """Wrong tokens: five are free, each further one doubles the wait before the next is even looked at."""

    def __init__(self) -> None:
        self._wrong: OrderedDict[str, tuple[int, float]] = OrderedDict()
        self._all = Bucket(ALL_TRIES, ALL_TRIES_PER_S)

    def wait_s(self, address: str, now_s: float) -> float:
        """How long an address has to wait until its token is looked at; 0: it is now."""
        count, last_s = self._wrong.get(address, (0, 0.0))
        own = 0.0
        if count >= FREE_TRIES and now_s - last_s < FORGOTTEN_AFTER_S:
            own = last_s + min(LONGEST_WAIT_S, 2 ** min(20, count - FREE_TRIES)) - now_s
        return max(0.0, own, 0.0 if self._all.left(now_s) >= 1 else 1 / ALL_TRIES_PER_S)

    def failed(self, address: str, now_s: float) -> int:
        """A token was wrong; how many of this address's were, within an hour of each other."""
        count, last_s = self._wrong.pop(address, (0, 0.0))
        count = count + 1 if now_s - last_s < FORGOTTEN_AFTER_S else 1
        self._wrong[address] = count, now_s
        if len(self._wrong) > MOST_ADDRESSES:
            self._wrong.popitem(last=False)
        self._all.take(now_s)
        return count

    def passed(self, address: str) -> None:
        """A token was right."""
        self._wrong.pop(address, None)
