"""Lists as laboratories keep them: whatever encoding and preamble, the rows are found."""

from datetime import date, datetime
from io import BytesIO

import openpyxl
import pytest

from service.platform.errors import Refused
from service.platform.files.tables_in import (
    MOST_MB,
    MOST_ROWS,
    Cell,
    read_table,
    suggest_mapping,
    text_of,
)
from service.store.files import parts_in as files

PLAIN = "Serial;Type;Hours\nM-1;MEA;12,5\nM-2;MEA;0\n"


def cells(content: bytes) -> list[tuple[Cell, ...]]:
    return [row.cells for row in read_table(content, "list", headings=files.HEADINGS).rows]


@pytest.mark.parametrize(
    "content",
    [
        PLAIN.encode(),
        PLAIN.encode("utf-8-sig"),
        PLAIN.encode("utf-16"),
        PLAIN.encode("utf-16-le"),
        PLAIN.encode("cp1252"),
        PLAIN.replace("\n", "\r\n").encode(),
        PLAIN.replace("\n", "\r").encode(),
        PLAIN.replace(";", "\t").encode(),
        PLAIN.replace(";", "|").encode(),
        PLAIN.replace("12,5", '"12,5"').replace(";", ",").encode(),
    ],
)
def test_encoding_line_ends_and_delimiter_are_found(content: bytes) -> None:
    assert cells(content) == [("M-1", "MEA", "12,5"), ("M-2", "MEA", "0")]


def test_signs_of_an_old_windows_list_are_read() -> None:
    table = read_table("Stück;Höhe µm\n3;5\n".encode("cp1252"), "alt.csv")

    assert table.headers == ("Stück", "Höhe µm")
    assert "Windows-1252" in table.described


def test_the_heading_row_is_found_beneath_a_preamble_and_lines_keep_their_numbers() -> None:
    text = (
        "Tarnfield list of parts;;\nprinted 2026-01-05;;\n\nSeriennummer;Bauteil;Charge\n"
        'A-1;MEA;"L 1\nsecond line"\n\nA-2;MEA;L2\n'
    )

    table = read_table(text.encode(), "list.csv", headings=files.HEADINGS)

    assert table.headers == ("Seriennummer", "Bauteil", "Charge")
    assert table.header_line == 4
    assert [(row.line, row.cells[0]) for row in table.rows] == [(5, "A-1"), (8, "A-2")]
    assert table.rows[0].cells[2] == "L 1\nsecond line"


def test_a_row_wider_than_the_headings_is_marked() -> None:
    table = read_table(b"serial,lot\nA,1\nB,2,three\nC,3,\n", "list.csv")

    assert [row.is_too_wide for row in table.rows] == [False, True, False]


def a_book(*rows: tuple[object, ...], empty_sheet_first: bool = False) -> bytes:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    if empty_sheet_first:
        sheet = book.create_sheet("parts")
    for row in rows:
        sheet.append(row)
    for cell in sheet["A"]:
        if isinstance(cell.value, int):
            cell.number_format = "00000"
    made = BytesIO()
    book.save(made)
    return made.getvalue()


def test_xlsx_keeps_dates_numbers_and_leading_zeros_apart() -> None:
    content = a_book(
        ("serial", "received", "hours", "lot"),
        (42, date(2026, 3, 7), 12.5, "007"),
        ("00042b", datetime.fromisoformat("2026-03-07 14:20"), 3, None),  # sheets know no zone
        empty_sheet_first=True,
    )

    first, second = cells(content)

    assert first[0] == "00042"  # shown so by its number format
    assert text_of(first[1]) == "2026-03-07"
    assert first[2:] == (12.5, "007")
    assert second[0] == "00042b"
    assert text_of(second[1]) == "2026-03-07 14:20"
    assert second[2:] == (3, None)


@pytest.mark.parametrize(
    ("cell", "text"), [(12.0, "12"), (0.1, "0.1"), (None, ""), (7, "7"), ("  x ", "x")]
)
def test_a_cell_as_text_is_what_a_person_sees(cell: Cell, text: str) -> None:
    assert text_of(cell) == text


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "empty"),
        (b" \n \n", "empty"),
        (b"serial;lot\n", "no row beneath"),
        (b";;\n;;\n", "no filled row"),
        (b"\x89PNG\r\n\x1a\n\x01\x02", "some other kind"),
        (b"PK\x03\x04not a book", "XLSX"),
        (b"a;b\n1;" + b"x" * 3000 + b"\n", "more than 2000 characters"),
        (b"a" * (MOST_MB * 1024 * 1024 + 1), "MB"),
        (b"a;b\n" + b"1;2\n" * (MOST_ROWS + 50), "rows"),
        ((";".join(["a"] * 300) + "\n1\n").encode(), "columns"),
    ],
)
def test_what_is_no_table_is_refused_in_words(content: bytes, said: str) -> None:
    with pytest.raises(Refused) as refused:
        read_table(content, "list.csv")

    assert said in str(refused.value)


@pytest.mark.parametrize(
    ("headers", "found"),
    [
        (("Serial No.", "Batch", "Hours [h]"), {"serial": 0, "lot": 1, "hours_before": 2}),
        (("Ser.-Nr.", "Charge", "Bauteil"), {"serial": 0, "lot": 1, "part_type": 2}),
        (("Zeichnungs-Nr.", "Änderungsstand"), {"drawing_number": 0, "revision": 1}),
        (("Stückzahl", "Menge"), {"quantity": 1}),
        (("MEA serial number", "x"), {"serial": 0}),
        (("colour", "taste"), {}),
    ],
)
def test_columns_are_suggested_by_the_words_of_both_languages(
    headers: tuple[str, ...], found: dict[str, int]
) -> None:
    assert suggest_mapping(headers, files.SYNONYMS) == found
