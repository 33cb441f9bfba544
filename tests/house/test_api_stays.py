"""What machines ask and are answered stays as it was; each difference is listed.

The release before is meant: `api_lines.py` says how `api_before.txt` is made, and when anew.
"""

import re
from pathlib import Path

from tests.house.api_lines import described_now

BEFORE = set((Path(__file__).parent / "api_before.txt").read_text().splitlines())
GONE: dict[str, str] = {}
"""Patterns of lines that are no longer so, with why a caller does without."""
NEW: dict[str, str] = {}
"""Patterns of lines that came, with what they are for. Nothing new is asked of an old call."""


def listed(lines: set[str], patterns: dict[str, str]) -> tuple[list[str], list[str]]:
    """Give the lines no pattern matches, and the patterns that match no line."""
    unknown = [x for x in lines if not any(re.fullmatch(pattern, x) for pattern in patterns)]
    idle = [pattern for pattern in patterns if not any(re.fullmatch(pattern, x) for x in lines)]
    return sorted(unknown), idle


def test_every_difference_of_the_api_is_listed() -> None:
    now = set(described_now())

    assert listed(BEFORE - now, GONE) == ([], [])
    assert listed(now - BEFORE, NEW) == ([], [])
