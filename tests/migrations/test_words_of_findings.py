"""The words that were fixed before are the first version; findings keep what was written."""

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.bench.changes.layers import note_finding
from service.operation.migrating import migrate
from service.physics.arithmetic.conditions import FindingEntry
from service.platform.database import make_engine
from service.records.arithmetic.lab_words import FIRST
from service.records.queries.lab_words import newest_words
from service.records.tables import Finding, LabWordsVersion
from tests.bench.at_the_bench import a_lab

BEFORE = "a7d1"


def test_fixed_words_become_the_first_version_and_findings_get_its_codes(newest_url: str) -> None:
    lab = a_lab(make_engine(newest_url))
    record = lab.begin()
    record.open()
    (lifted,) = record.lift()
    seen = [FindingEntry("cracked", 1, "rim"), FindingEntry("other, see the note")]
    record.do(note_finding, part_id=lifted, findings=seen)
    lab.engine.dispose()
    migrate(newest_url, BEFORE)

    migrate(newest_url)

    with Session(lab.engine) as session:
        assert newest_words(session) == (1, FIRST)
        (first,) = session.scalars(select(LabWordsVersion)).all()
        assert (first.made_by_id, first.proposal_id) == (None, None)
        rows = session.scalars(select(Finding).order_by(Finding.id)).all()
        assert [(row.condition, row.code, row.where) for row in rows] == [
            ("none seen", None, ""),
            ("cracked", "CRACKED", "rim"),
            ("other, see the note", "OTHER-SEE-THE-NOTE", ""),
        ]
    lab.engine.dispose()


def test_a_new_laboratory_begins_with_the_words_of_the_program(newest_url: str) -> None:
    engine = make_engine(newest_url)
    with Session(engine) as session:
        assert session.scalars(select(LabWordsVersion)).all() == []
        assert newest_words(session) == (1, FIRST)
    engine.dispose()
