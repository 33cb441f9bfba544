"""What to try first in the demo, as its records stand now."""

from collections.abc import Iterator
from dataclasses import dataclass

from sqlalchemy.orm import Session

from service.bench.queries.rebuild_records import record_list
from service.closing.queries.readings import readings_taken
from service.demo.failing import WAITING
from service.demo.heron import FAILING
from service.life.queries.failing import judged
from service.life.tables.failing import RuleAnswer
from service.people.tables import Role
from service.records.tables import RecordState
from service.store.queries.scans import find_scanned

ORDER = (Role.BUILDER, Role.QUALITY, Role.SUPERVISOR)


@dataclass(frozen=True, slots=True)
class FirstStep:
    """Something to look at: for whom, what it is, and the page."""

    role: Role
    sentence: str
    path: str


def first_steps(session: Session) -> tuple[FirstStep, ...]:
    """What is open, what waits, and which part has a story: those that still stand."""
    steps = []
    for record in record_list(session, state=RecordState.OPEN).rows[:2]:
        sentence = f"Go on with {record.stack}, which lies open: record {record.id}."
        if readings_taken(session, record.id):
            sentence = f"Tighten {record.stack}, half of it is done: record {record.id}."
        steps.append(FirstStep(Role.BUILDER, sentence, f"/records/{record.id}/bench"))
    for record in record_list(session, state=RecordState.HANDED_IN).rows[:1]:
        sentence = (
            f"Decide on record {record.id}, the {record.kind} of {record.stack}"
            f" by {record.written_by}."
        )
        steps.append(FirstStep(Role.SUPERVISOR, sentence, f"/records/{record.id}/approval"))
    for hit in find_scanned(session, FAILING).hits:
        if hit.kind == "part":
            sentence = f"Trace MEA {hit.label}, which failed: what do those that fail share?"
            steps.append(FirstStep(Role.QUALITY, sentence, f"/parts/{hit.id}/trace"))
    steps += _running_life(session)
    return tuple(sorted(steps, key=lambda step: ORDER.index(step.role)))


def _running_life(session: Session) -> Iterator[FirstStep]:
    """Who is needed where, whom the rule names, which lots last."""
    yield FirstStep(Role.BUILDER, "See on the floor which stack needs somebody.", "/floor")
    for row in [row for row in judged(session, RuleAnswer.MET, 50) if row.label == WAITING]:
        sentence = f"Look at the life of {row.label}: it meets the rule, nobody has confirmed it."
        yield FirstStep(Role.QUALITY, sentence, f"/parts/{row.part_id}/life")
    yield FirstStep(Role.SUPERVISOR, "Compare how long MEAs of each lot lived.", "/life?by=lot")
