"""Rendered drawings and tables, kept in this process under the digest of what they show.

The rows are read from the database at every request; only the writing of them as SVG or HTML is
saved. What a digest stands for never changes, so nothing kept here can be out of date.
"""

from collections import OrderedDict
from collections.abc import Callable, Hashable
from hashlib import sha256
from threading import Lock
from typing import Any

MOST_SIGNS = 48_000_000
"""Signs kept in all: some two hundred stacks of 700 layers, each as drawing and table."""


class Kept:
    """Text by key; the least used goes when there is too much."""

    def __init__(self, most_signs: int = MOST_SIGNS) -> None:
        self._most = most_signs
        self._signs = 0
        self._texts: OrderedDict[Hashable, str] = OrderedDict()
        self._lock = Lock()

    def get(self, key: Hashable, make: Callable[[], str]) -> str:
        """Return the text of a key, made if it is not there."""
        with self._lock:
            text = self._texts.get(key)
            if text is not None:
                self._texts.move_to_end(key)
                return text
        text = make()
        with self._lock:
            if key not in self._texts:
                self._texts[key] = text
                self._signs += len(text)
            while self._signs > self._most and len(self._texts) > 1:
                _, dropped = self._texts.popitem(last=False)
                self._signs -= len(dropped)
        return text


drawing_cache = Kept()


# Charts kept under the digest of everything they are made from.
#
# Writing a chart takes about 50 ms, the first of a process half a second; the rows behind it are
# read at every request, so what is kept can never be out of date.


def kept_chart(draw: Callable[..., str], /, *arguments: Any, **options: Any) -> str:
    """Return what ``draw`` makes of what it is given, made once.

    ``arguments`` and ``options`` are the plain values of
    service/platform/drawings/charts_given.py: two that read alike draw alike.
    """
    values = repr((draw.__module__, draw.__name__, arguments, sorted(options.items())))
    key = ("chart", sha256(values.encode()).hexdigest())
    return drawing_cache.get(key, lambda: draw(*arguments, **options))
