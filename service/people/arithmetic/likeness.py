"""Whether two accounts look like one person's: names that differ by a slip, the same address."""

import re
import unicodedata

SHORTEST = 6
"""Letters a name needs before one slip is let pass."""


def alike(first: str, second: str) -> bool:
    """Say whether two names are one but for capitals, accents, order and at most one slip.

    >>> alike("Anton Reyes", "REYES, Antón"), alike("Anton Reyes", "Anton Reyer")
    (True, True)
    >>> alike("Anton Reyes", "Petra Lind"), alike("Bench 1", "Bench 2")
    (False, False)
    """
    if re.findall(r"\d+", first) != re.findall(r"\d+", second):
        return False
    left, right = _plain(first), _plain(second)
    if not left or not right:
        return False
    return left == right or (min(len(left), len(right)) >= SHORTEST and _one_slip(left, right))


def same_mail(first: str | None, second: str | None) -> bool:
    """Say whether two mail addresses are given and the same.

    >>> same_mail("ines@lab.example", "Ines@lab.example "), same_mail(None, None)
    (True, False)
    """
    left, right = ((mail or "").strip().casefold() for mail in (first, second))
    return bool(left) and left == right


def _plain(name: str) -> str:
    """The words of a name in alphabetical order, letters only, without accents."""
    split = unicodedata.normalize("NFKD", name.casefold())
    letters = "".join(sign for sign in split if not unicodedata.combining(sign))
    return "".join(sorted(re.findall(r"[^\W\d_]+", letters)))


def _one_slip(left: str, right: str) -> bool:
    """Whether one letter was changed, left out, added, or two neighbours were exchanged."""
    short, long = sorted((left, right), key=len)
    if len(long) - len(short) > 1:
        return False
    at = next((i for i, (a, b) in enumerate(zip(short, long, strict=False)) if a != b), len(short))
    if len(short) < len(long):
        return short[at:] == long[at + 1 :]
    exchanged = short[at : at + 2] == long[at : at + 2][::-1] and short[at + 2 :] == long[at + 2 :]
    return exchanged or short[at + 1 :] == long[at + 1 :]
