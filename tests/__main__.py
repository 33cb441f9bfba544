"""``python -m tests``: everything the project is checked with by day, on two processes.

``python -m tests --whole``   by night: both engines for every test, all examples, their seed told
``python -m tests --moved``   list what runs by night only

Format, lint, types and storeys are tests too (``tests/house/test_tools.py``), so that one summary
at the end tells all. Other arguments go to pytest: ``python -m tests tests/trade -x``.
"""

import os
import secrets
import sys

import pytest

MOVED = ["--whole", "-m", "night", "--collect-only", "-q"]


def arguments(given: list[str]) -> list[str]:
    """What pytest is told, for what was typed."""
    if "--moved" in given:
        return [*MOVED, *(word for word in given if word != "--moved")]
    seeded = any(word.startswith("--hypothesis-seed") for word in given)
    if "--whole" in given and not seeded:
        given = [f"--hypothesis-seed={secrets.randbelow(2**32)}", *given]
    return ["-n", "2", "--dist", "worksteal", *given]


if __name__ == "__main__":
    # Else each process of the run, and each command and migration in it, compiles all anew.
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    sys.exit(pytest.main(arguments(sys.argv[1:])))
