"""The tools that look at the text of the program: format, lint, types, storeys."""

import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parents[2]
BIN = Path(sys.executable).parent
TOOLS = {
    "format": ("ruff", "format", "--check", "."),
    "lint": ("ruff", "check", "."),
    "types": ("mypy",),
    "storeys": ("lint-imports", "--no-cache"),
}


@pytest.mark.slow
@pytest.mark.parametrize("tool", TOOLS)
def test_nothing_is_found_by(tool: str) -> None:
    """What CI would find."""
    program, *arguments = TOOLS[tool]

    ran = subprocess.run(
        [BIN / program, *arguments], cwd=HERE, capture_output=True, text=True, check=False
    )

    assert ran.returncode == 0, ran.stdout[-6000:] + ran.stderr[-2000:]
