"""What counts as a PIN: digits nobody guesses first, and fewer than a password has signs."""

import re

SHORTEST_PIN, LONGEST_PIN = 6, 9
_PIN = re.compile(rf"[0-9]{{{SHORTEST_PIN},{LONGEST_PIN}}}")
_IN_A_ROW = "01234567890", "09876543210"


def is_pin(word: str) -> bool:
    """Say whether a word has the shape of a PIN, which no password has: those are longer.

    >>> is_pin("271828"), is_pin("27182"), is_pin("2718281828")
    (True, False, False)
    """
    return _PIN.fullmatch(word) is not None


def weakness(pin: str) -> str:
    """Return why a PIN is guessed first, or nothing.

    >>> weakness("234567")
    'is a run of digits.'
    >>> weakness("474747")
    'repeats the same digits.'
    >>> weakness("271828")
    ''
    """
    if any(pin in run for run in _IN_A_ROW):
        return "is a run of digits."
    length = len(pin)
    parts = (pin[:size] for size in range(1, length // 2 + 1) if length % size == 0)
    if any(part * (length // len(part)) == pin for part in parts) or len(set(pin)) < 3:
        return "repeats the same digits."
    return ""
