"""Dates and times against the examples printed in the standards."""

import csv
from datetime import UTC, datetime
from pathlib import Path

import pytest

from service.platform.arithmetic.dates import parse_when

DATA = Path(__file__).parent / "data" / "moments.csv"


def rows() -> list[dict[str, str]]:
    lines = [line for line in DATA.read_text("utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines, delimiter=";"))


@pytest.mark.parametrize("row", rows(), ids=lambda row: row["text"])
def test_printed_examples_are_the_moments_they_name(row: dict[str, str]) -> None:
    printed = datetime.fromisoformat(row["utc"]).replace(tzinfo=UTC)

    assert parse_when(row["text"], UTC) == printed, row["source"]
