"""What was said to be failing, or not to be used again, before the step is on hold after it."""

from datetime import timedelta
from typing import Any

from sqlalchemy import select, text
from sqlalchemy.orm import Session

from service.bench.changes.bench import undo_last
from service.life.changes.failing_marks import withdraw_failing
from service.operation.migrating import migrate, triggers
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import Usability
from service.platform.database import make_engine, reading
from service.platform.tables import AuditEntry
from service.store.arithmetic.acceptance import Acceptance, Basis
from service.store.changes.part_axes import judge_part
from service.store.queries.holds import About, HoldRow, holds
from service.store.tables import Part
from tests import builders
from tests.bench.at_the_bench import Lab, a_lab, known

LOOKED_AT = Acceptance(Basis.INSPECTION)

BEFORE = "a1c7"


def test_words_of_before_place_their_holds(newest_url: str) -> None:
    lab = a_lab(make_engine(newest_url))
    quality = lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY)))
    record = lab.begin()
    record.open()
    judged, cracked = record.lift(count=2)
    failing, withdrawn, allowed = lab.rows(some_meas)
    lab.now += timedelta(minutes=1)
    lab.do(
        judge_part,
        judged,
        usability=Usability.ACCEPTED_USED,
        reason="only soot",
        acceptance=LOOKED_AT,
        by=quality,
    )
    grave(newest_url, lab, (judged, cracked))

    migrate(newest_url)

    (hold,) = held(lab, cracked)
    assert hold.reason == f"Must not be used again, by record {record.number}: cracked, rim"
    assert hold.placed_by == lab.builder.name
    (mark,) = held(lab, failing)
    assert mark.reason == "Confirmed as failing: below 0.60 V twice"
    assert held(lab, judged) == held(lab, withdrawn) == ()
    assert len(held(lab, allowed)) == 1
    assert {
        part: usability(lab, part) for part in (cracked, failing, judged, withdrawn, allowed)
    } == {
        cracked: "on hold",
        failing: "on hold",
        judged: "accepted used",
        withdrawn: "accepted",
        allowed: "under concession",
    }
    assert told(lab) == [failing, allowed, cracked]

    record.do(undo_last)
    lab.do(withdraw_failing, failing, reason="the lead was loose", by=quality)

    assert held(lab, cracked) == held(lab, failing) == ()
    assert usability(lab, failing) == "accepted"
    lab.engine.dispose()


def some_meas(session: Session) -> list[int]:
    """MEAs in store, each said to be failing; of one it was withdrawn, one is under concession."""
    parts = [
        builders.a_part(session, builders.the_part_types(session).mea, serial=f"M-{number}")
        for number in (1, 2, 3)
    ]
    marks = [builders.a_failing_mark(session, part.id) for part in parts]
    marks[1].withdrawn_at, marks[1].withdrawn_by_id = builders.START, marks[1].confirmed_by_id
    parts[2].usability = Usability.UNDER_CONCESSION
    session.flush()
    return [part.id for part in parts]


def grave(url: str, lab: Lab, parts: tuple[int, ...]) -> None:
    """Go back to the step before, and let findings weigh what they could weigh there."""
    lab.engine.dispose()
    migrate(url, BEFORE)
    with lab.engine.begin() as connection:
        triggers().lift(connection)
        for part in parts:
            connection.execute(
                text(
                    "UPDATE finding SET condition = 'cracked', severity = 3, where_ = 'rim'"
                    " WHERE part_id = :part"
                ),
                {"part": part},
            )
        triggers().lay(connection)


def held(lab: Lab, part: int) -> tuple[HoldRow, ...]:
    with reading(lab.engine) as session:
        return holds(session, About(part_id=part)).rows


def usability(lab: Lab, part: int) -> Any:
    return lab.get(Part, part).usability


def told(lab: Lab) -> list[int | None]:
    """Parts the trail says were put on hold, in its order."""
    with Session(lab.engine) as session:
        entries = session.scalars(
            select(AuditEntry).where(AuditEntry.act == "hold:placed").order_by(AuditEntry.id)
        ).all()
        assert {entry.via for entry in entries} == {"command"}
        return [entry.subject_id for entry in entries]
