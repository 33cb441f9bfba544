"""What a finding left for somebody to decide, before the step, is not inspected after it."""

from datetime import timedelta

from sqlalchemy import select, text
from sqlalchemy.orm import Session

from service.bench.changes.bench import undo_last
from service.operation.migrating import migrate, triggers
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import Usability
from service.platform.database import make_engine
from service.platform.tables import AuditEntry
from service.store.arithmetic.acceptance import Acceptance, Basis
from service.store.changes.part_axes import judge_part
from service.store.tables import Inspection, Part
from tests import builders
from tests.bench.at_the_bench import Lab, a_lab, known

LOOKED_AT = Acceptance(Basis.INSPECTION)

BEFORE = "a9d4"


def test_findings_of_before_ask_for_their_decisions(newest_url: str) -> None:
    lab = a_lab(make_engine(newest_url))
    quality = lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY)))
    record = lab.begin()
    record.open()
    judged, doubted = record.lift(count=2)
    lab.now += timedelta(minutes=1)
    lab.do(
        judge_part,
        judged,
        usability=Usability.ACCEPTED_USED,
        reason="only soot",
        acceptance=LOOKED_AT,
        by=quality,
    )
    in_doubt(newest_url, lab, (judged, doubted))

    migrate(newest_url)

    with Session(lab.engine) as session:
        (asked,) = session.scalars(select(Inspection)).all()
        assert (asked.part_id, asked.seen, asked.decided_at) == (doubted, "cracked, rim", None)
        assert asked.usability_before is Usability.ACCEPTED
        entries = session.scalars(select(AuditEntry).where(AuditEntry.act == "part:to be decided"))
        assert [(entry.subject_id, entry.via, entry.reason) for entry in entries] == [
            (doubted, "command", f"To be decided, by record {record.number}: cracked, rim")
        ]
    assert lab.get(Part, judged).usability is Usability.ACCEPTED_USED
    assert lab.get(Part, doubted).usability is Usability.NOT_INSPECTED

    record.do(undo_last)

    assert lab.get(Part, doubted).usability is Usability.ACCEPTED
    lab.engine.dispose()


def in_doubt(url: str, lab: Lab, parts: tuple[int, ...]) -> None:
    """Go back to the step before, and let findings leave a decision to somebody."""
    lab.engine.dispose()
    migrate(url, BEFORE)
    with lab.engine.begin() as connection:
        triggers().lift(connection)
        for part in parts:
            connection.execute(
                text(
                    "UPDATE finding SET condition = 'cracked', severity = 2, where_ = 'rim'"
                    " WHERE part_id = :part"
                ),
                {"part": part},
            )
        triggers().lay(connection)
