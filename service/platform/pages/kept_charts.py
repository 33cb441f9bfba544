"""Charts kept under the digest of everything they are made from.

Writing a chart takes about 50 ms, the first of a process half a second; the rows behind it are
read at every request, so what is kept can never be out of date.
"""

from collections.abc import Callable
from hashlib import sha256
from typing import Any

from service.platform.pages.kept_drawings import kept


def kept_chart(draw: Callable[..., str], /, *given: Any, **named: Any) -> str:
    """What ``draw`` makes of what it is given, made once.

    ``given`` and ``named`` are the plain values of service/platform/drawings/charts_given.py: two
    that read alike draw alike.
    """
    values = repr((draw.__module__, draw.__name__, given, sorted(named.items())))
    key = ("chart", sha256(values.encode()).hexdigest())
    return kept.get(key, lambda: draw(*given, **named))
