"""GS1 data against worked examples that GS1 prints."""

import csv
from datetime import date
from pathlib import Path

import pytest

from service.store.arithmetic.identifiers import check_digit, gs1_date, read_scan

DATA = Path(__file__).parent / "data" / "gs1.csv"


def rows() -> list[dict[str, str]]:
    lines = [line for line in DATA.read_text("utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines, delimiter=";"))


@pytest.mark.parametrize("row", rows(), ids=lambda row: row["code"])
def test_worked_examples_are_read_as_printed(row: dict[str, str]) -> None:
    scan = read_scan(row["code"].replace("<GS>", "\x1d"))

    assert scan.gtin == row["gtin"]
    assert (scan.serial or "") == row["serial"]
    assert (scan.lot or "") == row["lot"]
    assert (scan.expiry.isoformat() if scan.expiry else "") == row["expiry"]


@pytest.mark.parametrize(
    ("digits", "printed", "source"),
    [
        ("629104150021", 3, "gs1.org, How to calculate a check digit manually (GTIN-13)"),
        ("730001100001", 7, "GS1 Sweden, Så beräknas kontrollsiffran (GTIN-13)"),
        ("890400021003", 7, "GS1 India, How to calculate the check digit (GTIN-13)"),
        (
            "37610425002123456",
            9,
            "GS1 General Specifications 7.9, example of 18 digits; from memory",
        ),
    ],
)
def test_check_digits_are_those_printed(digits: str, printed: int, source: str) -> None:
    assert check_digit(digits) == printed, source


@pytest.mark.parametrize(
    ("two", "present", "full"),
    [
        # GS1 General Specifications 7.12, from memory: the year of the date less that of the
        # present day is 51 to 99: the century before; -99 to -50: the next one; else this one.
        ("63", 2012, 1963),
        ("62", 2012, 2062),
        ("00", 2050, 2100),
        ("01", 2050, 2001),
        ("48", 1999, 2048),
        ("50", 1999, 1950),
        ("26", 2026, 2026),
    ],
)
def test_the_century_follows_the_general_specifications(two: str, present: int, full: int) -> None:
    assert gs1_date("17", f"{two}0131", present).year == full


def test_day_nought_is_the_last_of_the_month_in_leap_years_too() -> None:
    # GS1 General Specifications, note on (17), from memory: "020200" means 28 February 2002.
    assert gs1_date("17", "020200", 2002) == date(2002, 2, 28)
    assert gs1_date("17", "240200", 2024) == date(2024, 2, 29)
