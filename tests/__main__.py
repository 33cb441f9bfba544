"""``python -m tests``: everything the project is checked with, on two processes.

Format, lint, types and storeys are tests too (``tests/house/test_tools.py``), so that one summary
at the end tells all. Arguments go to pytest: ``python -m tests tests/trade -x``.
"""

import sys

import pytest

if __name__ == "__main__":
    sys.exit(pytest.main(["-n", "2", "--dist", "worksteal", *sys.argv[1:]]))
