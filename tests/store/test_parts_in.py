"""Lists of parts against the database: what they make, every row in error, all or nothing."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import Engine, func, select
from sqlalchemy.orm import Session

from service.people.tables import Role
from service.platform.arithmetic.vocabulary import Usability, Whereabouts
from service.platform.database import changing, reading
from service.platform.errors import NotAllowed, Refused, RefusedTogether
from service.platform.files.fields_in import Reading
from service.platform.files.tables_in import read_table, suggest_mapping
from service.platform.permissions import Person
from service.platform.tables import AuditEntry
from service.store.changes.imports import SourceFile, write_parts
from service.store.files import parts_in as files
from service.store.files.parts_in import ListOptions, PartsSeen
from service.store.tables import Lot, LotInput, Part
from tests import builders

BERLIN = ZoneInfo("Europe/Berlin")
NOW = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)
SOURCE = SourceFile("list.csv", "0" * 64)


@dataclass
class Lists:
    engine: Engine
    by: Person

    def look(self, text: str, by: Person | None = None, **how: object) -> PartsSeen:
        """Read a list, its columns by their headings."""
        table = read_table(text.encode(), "list.csv", headings=files.HEADINGS)
        mapping = suggest_mapping(table.headers, files.SYNONYMS)
        part_type_id, differ = how.pop("part_type_id", None), bool(how.pop("alike_differ", False))
        options = ListOptions(Reading(BERLIN, NOW, **how), by or self.by, part_type_id, differ)  # type: ignore[arg-type]
        with reading(self.engine) as session:
            return files.plan(session, table, mapping, SOURCE, options)

    def write(self, seen: PartsSeen, by: Person | None = None) -> int:
        with changing(self.engine, by or self.by, now=NOW) as work:
            return write_parts(work, seen.plan)

    def count(self, table: type[Part | Lot | AuditEntry]) -> int:
        with Session(self.engine) as session:
            return session.scalar(select(func.count()).select_from(table)) or 0


@pytest.fixture
def lists(engine: Engine) -> Lists:
    """A lab with part types, one MEA M-1 of lot L-1, and somebody of quality."""
    with Session(engine) as session:
        types = builders.the_part_types(session)
        lot = builders.a_lot(session, types.mea, label="L-1")
        builders.a_part(session, types.mea, serial="M-1", lot=lot)
        person = builders.a_person(session, Role.QUALITY)
        by = Person(person.id, person.login, person.name, frozenset({Role.QUALITY}))
        session.commit()
    return Lists(engine, by)


def said(seen: PartsSeen) -> list[tuple[int, str]]:
    return [(wrong.line, wrong.said) for wrong in seen.wrong]


def test_a_list_as_a_german_spreadsheet_writes_it_is_taken(lists: Lists) -> None:
    seen = lists.look(
        "Seriennummer;Bauteil;Charge;Betriebsstunden;Eingang;Lagerort;Freigabe;Bemerkung\n"
        "M-7;mea;L-9;1.250,5;07.03.2026;Regal 3;frei;gebraucht\n"
        "0008;TEL-001 rev. A;l-1;;;;ungeprüft;\n"
    )
    assert said(seen) == []

    made = lists.write(seen)

    assert made == 3  # two parts and a lot
    with Session(lists.engine) as session:
        part = session.scalars(select(Part).where(Part.serial == "M-7")).one()
        assert (part.hours_before, part.place, part.usability) == (
            1250.5,
            "Regal 3",
            Usability.ACCEPTED,
        )
        assert part.whereabouts is Whereabouts.IN_STORE
        lot = session.get_one(Lot, part.lot_id)
        assert lot.label == "L-9"
        assert lot.received_at is not None
        assert lot.received_at.astimezone(BERLIN).date().isoformat() == "2026-03-07"
        other = session.scalars(select(Part).where(Part.serial == "0008")).one()
        assert session.get_one(Lot, other.lot_id).label == "L-1"  # the known lot, not a second one


def test_a_list_leaves_one_entry_of_the_trail_with_the_hash_of_its_file(lists: Lists) -> None:
    before = lists.count(AuditEntry)

    lists.write(lists.look("serial,type\nM-7,mea\nM-8,mea\n"))

    assert lists.count(AuditEntry) == before + 1
    with Session(lists.engine) as session:
        entry = session.scalars(select(AuditEntry).order_by(AuditEntry.id.desc())).first()
        assert entry is not None
        assert entry.act == "parts:imported"
        assert SOURCE.sha256 in entry.changes


def test_every_row_in_error_is_named_with_all_its_reasons_and_nothing_is_written(
    lists: Lists,
) -> None:
    seen = lists.look(
        "serial;type;lot;hours;received;status;qty\n"
        "m-1 ;mea;L-1;0;;;\n"
        "M-2;mea;;12,5;31.02.2026;;\n"
        "M-3;meaa;;-4;;wonderful;2\n"
        "M-4;mea;;1,234;;;\n"
        "M-5;mea;;;;gesperrt;\n"
        ";mea;;;;;\n"
        "M-6;mea;;;;;\n"
        "M-6;mea;;;;;\n"
    )

    found: dict[int, list[str]] = {}
    for line, words in said(seen):
        found.setdefault(line, []).append(words)
    assert "there is such a part of this type whose maker is not known" in found[2][0]
    assert "calendar" in found[3][0]
    assert [words.split(":")[0].split(" “")[0] for words in found[4]] == [
        "part type",
        "quantity",
        "hours it comes with",
        "whether it may be used",
    ]
    assert "Nearest: mea" in found[4][0]
    assert "1,2340" in found[5][0]  # says how to leave no doubt
    assert "hold" in found[6][0]
    assert "no serial number" in found[7][0]
    assert "line 8" in found[9][0]
    assert not seen.may_be_written


@pytest.mark.both_engines
def test_a_measured_thickness_comes_with_the_list(lists: Lists) -> None:
    """A striking one is remarked on, one in another unit refused with the range that can be."""
    text = "serial;type;lot;measured thickness mm;qty\nM-7;mea;;0,48;\nM-8;mea;;0.65;\n"
    seen = lists.look(text)
    wrong = lists.look(text + "M-9;mea;;480;\n;gas gasket;G-1;0.4;20\n")

    lists.write(seen)

    assert seen.remarks == {3: "30\u2009% more than the 0.5\u2009mm of its type."}
    with Session(lists.engine) as session:
        rows = session.execute(
            select(Part.serial, Part.measured_thickness_mm).where(Part.serial.in_(["M-7", "M-8"]))
        )
        assert {tuple(row) for row in rows} == {("M-7", 0.48), ("M-8", 0.65)}
    (line, words), (other, lot) = said(wrong)
    assert (line, other) == (4, 5)
    assert words.startswith("measured thickness in mm “480”: no part of this type measures that.")
    assert "480 µm would be 0.48 mm" in words
    assert "not measured one by one" in lot


@pytest.mark.parametrize("typed", ["NaN", "-", "–", "n/a", "#N/A", "inf", "+"])
def test_a_cell_without_a_number_is_refused_by_its_column(lists: Lists, typed: str) -> None:
    seen = lists.look(f"serial;type;hours;measured thickness mm\nM-4;mea;{typed};{typed}\n")

    (line, hours), (other, thickness) = said(seen)
    assert (line, other) == (2, 2)
    assert hours.startswith(f"hours it comes with “{typed}”: not a number.")
    assert thickness.startswith(f"measured thickness in mm “{typed}”: not a number.")
    assert "an empty cell where it is not known" in hours
    assert not seen.may_be_written


def test_a_word_on_the_decimal_mark_settles_what_is_ambiguous(lists: Lists) -> None:
    seen = lists.look("serial;type;hours\nM-4;mea;1,234\n", decimal=",")

    assert seen.plan.parts[0].entry.hours_before == 1.234


def test_days_with_slashes_need_a_word_on_which_comes_first(lists: Lists) -> None:
    text = "serial;type;lot;received\nM-4;mea;L-5;7/3/2026\n"

    assert "which comes first" in said(lists.look(text))[0][1]
    seen = lists.look(text, day_first=True)
    assert seen.plan.lots[0].entry.received_at == datetime(2026, 3, 7, 11, 0, tzinfo=UTC)


def test_counted_items_come_as_a_lot_with_its_quantity(lists: Lists) -> None:
    seen = lists.look("type,lot,qty,expires\ngas gasket,G-1,500,2030-01-31\n")
    assert said(seen) == []

    lists.write(seen)

    with Session(lists.engine) as session:
        lot = session.scalars(select(Lot).where(Lot.label == "G-1")).one()
        assert lot.quantity == 500
        assert lists.count(Part) == 1


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("gas gasket,,500", "no lot is given"),
        ("gas gasket,G-1,", "how many items"),
        ("gas gasket,G-1,many", "not a number"),
        ("gas gasket,G-1,1.5", "whole number"),
    ],
)
def test_a_lot_of_counted_items_needs_label_and_quantity(
    lists: Lists, row: str, words: str
) -> None:
    seen = lists.look(f"type,lot,qty\n{row}\n")

    assert words in said(seen)[0][1]


def test_rows_of_one_lot_must_agree_with_each_other_and_with_the_lot_known(lists: Lists) -> None:
    seen = lists.look(
        "serial;type;lot;supplier\nM-7;mea;L-9;Ash Ltd\nM-8;mea;l-9;Beck Ltd\nM-9;mea;L-1;Ash Ltd\n"
    )

    assert "line 2 says Ash Ltd" in said(seen)[0][1]
    assert "the lot as it is kept says Fellside" in said(seen)[1][1]


def test_a_scanned_code_in_the_serial_column_is_understood(lists: Lists) -> None:
    seen = lists.look("serial;type\n(01)04012345678901(10)L-1(21)M-77;mea\n")

    assert said(seen) == []
    assert seen.plan.parts[0].entry.serial == "M-77"
    assert seen.plan.parts[0].lot_label == "L-1"


def test_a_part_type_can_be_said_for_all_rows(lists: Lists) -> None:
    with Session(lists.engine) as session:
        mea = builders.the_part_types(session).mea.id

    assert "no part type" in said(lists.look("serial\nM-7\n"))[0][1]
    assert lists.look("serial\nM-7\n", part_type_id=mea).may_be_written


def test_two_people_importing_the_same_list_do_not_make_its_parts_twice(lists: Lists) -> None:
    text = "serial,type\nM-7,mea\nM-8,mea\n"
    one, two = lists.look(text), lists.look(text)
    lists.write(one)

    with pytest.raises(RefusedTogether) as refused:
        lists.write(two)

    assert [refusal.reason[:7] for refusal in refused.value.refusals] == ["line 2:", "line 3:"]
    assert lists.count(Part) == 3


def test_only_who_may_judge_parts_can_import_judgements(lists: Lists) -> None:
    builder = Person(lists.by.id, "b", "B", frozenset({Role.BUILDER}))
    text = "serial,type,status\nM-7,mea,ok\n"

    seen = lists.look(text, by=builder)

    assert "role quality" in said(seen)[0][1]
    with pytest.raises(NotAllowed):
        lists.write(lists.look(text), by=builder)


def test_a_mapping_that_cannot_work_is_refused(lists: Lists) -> None:
    table = read_table(b"a,b\n1,2\n", "list.csv")
    options = ListOptions(Reading(BERLIN, NOW), lists.by)
    wrong: list[dict[str, int]] = [{"serial": 0, "lot": 0}, {"serial": 7}, {"colour": 0}, {}]

    with reading(lists.engine) as session:
        for mapping in wrong:
            with pytest.raises(Refused):
                files.plan(session, table, mapping, SOURCE, options)


def test_the_statements_of_a_look_do_not_grow_with_the_list(
    lists: Lists, statements: Callable[[], object]
) -> None:
    def counted(rows: int) -> int:
        text = "serial,type,lot\n" + "".join(f"N-{n},mea,L-{n % 7}\n" for n in range(rows))
        with statements() as seen:  # type: ignore[attr-defined]
            lists.look(text)
        return len(seen)

    assert counted(5) == counted(300)


@pytest.mark.both_engines
def test_serials_that_look_alike_are_refused_unless_said_to_differ(lists: Lists) -> None:
    """Whole serials, in the list and in store: 0 and O, 1, I and l."""
    text = "part type;serial\nmea;MD-0010\nmea;MD-0O1O\nmea;md-OOI0\nmea;M-I\nair plate;MD-0010\n"

    seen = lists.look(text)
    differ = lists.look(text, alike_differ=True)

    assert [line for line, _words in said(seen)] == [3, 4, 5]
    assert "it looks like MD-0010 of line 2" in said(seen)[0][1]
    assert "it looks like M-1, which is kept here" in said(seen)[2][1]
    assert differ.may_be_written


def test_case_35_hours_nobody_knows_are_taken_as_unknown(lists: Lists) -> None:
    lists.write(lists.look("serial,type,hours\nM-7,mea,unknown\nM-8,mea,\nM-9,mea,0\n"))

    with Session(lists.engine) as session:
        parts = session.execute(
            select(Part.serial, Part.hours_before, Part.hours_before_unknown)
            .where(Part.serial.in_(("M-7", "M-8", "M-9")))
            .order_by(Part.serial)
        ).all()
    assert [tuple(part) for part in parts] == [
        ("M-7", 0.0, True),
        ("M-8", 0.0, None),
        ("M-9", 0.0, False),
    ]


def test_a_list_says_what_its_lots_are_made_of(lists: Lists) -> None:
    with Session(lists.engine) as session:
        roll, coating = (builders.a_material(session, label).id for label in ("R-7", "C-1"))
        session.commit()
    head = "serial;part type;lot;membrane roll;coating batch;coated on\n"

    seen = lists.look(f"{head}M-7;mea;Q-3;r-7;C-1;2026-03-07\nM-8;mea;Q-3;R-7;C-1;2026-03-07\n")

    assert said(seen) == []
    assert lists.write(seen) == 3
    with Session(lists.engine) as session:
        inputs = session.scalars(select(LotInput).order_by(LotInput.id)).all()
        assert [(x.input_lot_id, x.role) for x in inputs] == [
            (roll, "membrane"),
            (coating, "coating"),
        ]
        assert inputs[0].since is None
        assert f"{inputs[1].since:%Y-%m-%d}" == "2026-03-07"
    wrong = said(lists.look(f"{head}M-9;mea;Q-4;R-9;;\nM-10;mea;Q-3;R-7;;\nM-11;mea;;R-7;;\n"))
    assert [line for line, _why in wrong] == [2, 3, 4]
    assert "membrane lot “R-9”: there is no such lot." in wrong[0][1]
    assert "the lot is kept" in wrong[1][1]
