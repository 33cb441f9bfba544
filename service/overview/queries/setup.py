"""Setting up a lab: what an empty database needs before its first record, and who may do it."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from sqlalchemy import exists, func, select
from sqlalchemy.orm import Session

from service.designs.tables import Design
from service.limits.tables import LimitSet
from service.people.queries.people import names_by_role
from service.people.tables import Person, PersonRole, Role
from service.platform.arithmetic.vocabulary import Kind
from service.platform.permissions import Act, roles_who_may
from service.records.tables import RebuildRecord, RecordState
from service.stacks.tables import Stack
from service.store.tables import ChangeKind, Instrument, Lot, Part, PartType, ProposedChange

OF_A_CELL = (Kind.MEA, Kind.HALF_PLATE, Kind.GASKET)
"""Kinds no cell is built without."""


@dataclass(frozen=True, slots=True)
class SetUpFacts:
    """What the lab has so far; ids are of the newest."""

    working: int
    """people who sign in with another role than admin"""
    approving: int
    types: Collection[Kind]
    stocked: Collection[Kind]
    instruments: bool
    design_id: int | None
    design: str
    with_pattern: bool
    pattern_waits: int | None
    limits_in_force: bool
    limits_waiting: int | None
    stack: str | None
    records: bool
    open_record: int | None


@dataclass(frozen=True, slots=True)
class Step:
    """One step: what it is for, what is open of it, and whom its roles name."""

    key: str
    title: str
    why: str
    done: bool
    open: str
    act: Act
    roles: str
    names: str
    ways: tuple[tuple[str, str], ...]
    """what leads on: address and words, the main one first"""


@dataclass(frozen=True, slots=True)
class SetUp:
    """All steps in their order."""

    steps: tuple[Step, ...]

    @property
    def done(self) -> int:
        """How many are done."""
        return sum(step.done for step in self.steps)


def set_up(session: Session) -> SetUp:
    """Return the steps from an empty database to the first record. A constant number of reads."""
    names = names_by_role(session)
    return SetUp(
        tuple(
            Step(
                key,
                title,
                why,
                not still_open,
                still_open,
                act,
                " or ".join(roles_who_may(act)),
                _named({name for role in roles_who_may(act) for name in names.get(role, ())}),
                ways,
            )
            for key, title, why, still_open, act, ways in _steps(_facts(session))
        )
    )


def steps_open(session: Session) -> tuple[int, int]:
    """Return how many steps are open, and of how many. As many statements as `_facts` takes."""
    opened = [still_open for _, _, _, still_open, _, _ in _steps(_facts(session))]
    return sum(map(bool, opened)), len(opened)


_StepFacts = tuple[str, str, str, str, Act, tuple[tuple[str, str], ...]]


def _steps(facts: SetUpFacts) -> tuple[_StepFacts, ...]:
    at = f"/designs/{facts.design_id}"
    of_stack = f"/records/new?stack={quote(facts.stack or '', safe='')}"
    to_design = (("#design", "A design comes first"),) if facts.design_id is None else ()
    return (
        (
            "people",
            "People",
            (
                "A record is approved by somebody who had no part in it: two people at the least,"
                " one of them a supervisor."
            ),
            _people_open(facts),
            Act.PEOPLE_WRITE,
            (("/people/add", "Add a person"), ("/people", "All people")),
        ),
        (
            "design",
            "Design",
            (
                "What a family of stacks is meant to be: plates, rods, ports, torque, checklist."
                " The sample brings part types, pattern and limits with it."
            ),
            "" if facts.design_id else "No design yet.",
            Act.DESIGN_WRITE,
            (
                ("/designs/bring?from=sample", "Begin from the sample design"),
                ("/designs/new", "Write a design"),
                ("/designs/bring", "Bring a design file"),
            ),
        ),
        (
            "part-types",
            "Part types",
            "What a part is: its kind, drawing, thickness and limits.",
            _missing("No part type yet of kind", OF_A_CELL, facts.types),
            Act.PART_WRITE,
            (
                ("/part-types/new", "Add a part type"),
                ("/part-types", "All part types"),
                ("/words", "Words for what is seen on them"),
            ),
        ),
        (
            "pattern",
            "Pattern",
            (
                "The order of the layers. By it the bench finds a forgotten gasket and a turned"
                " plate. One person proposes it, another puts it in force."
            ),
            _pattern_open(facts),
            Act.CHANGE_APPROVE if facts.pattern_waits else Act.DESIGN_WRITE,
            to_design
            or (
                ((f"/proposals/{facts.pattern_waits}", "Review it and put it in force"),)
                if facts.pattern_waits
                else ((f"{at}/pattern", f"Propose the pattern of {facts.design}"),)
            ),
        ),
        (
            "limits",
            "Limits and figures",
            (
                "What closings are computed with and tests judged by. One person writes a version,"
                " another puts it in force."
            ),
            _limits_open(facts),
            Act.LIMITS_APPROVE if facts.limits_waiting else Act.LIMITS_WRITE,
            to_design
            or (
                ((f"/limits/{facts.limits_waiting}", "Review it and put it in force"),)
                if facts.limits_waiting
                else ((f"{at}/limits/new", f"Write those of {facts.design}"),)
            ),
        ),
        (
            "parts",
            "Parts",
            (
                "Serial-numbered parts one by one or from a list, counted ones as lots. A part"
                " that is scanned at the bench and not known can be added there."
            ),
            _missing("Nothing is in store yet of kind", OF_A_CELL, facts.stocked),
            Act.PART_WRITE,
            (
                ("/import/parts", "Import a list of parts"),
                ("/parts/new", "Add a part"),
                ("/lots/new", "Add a lot"),
            ),
        ),
        (
            "instruments",
            "Instruments",
            "Every reading names the instrument it was taken with: begin with the torque driver.",
            "" if facts.instruments else "No instrument yet.",
            Act.INSTRUMENT_WRITE,
            (("/instruments/new", "Add an instrument"),),
        ),
        (
            "stack",
            "First stack",
            "A serial number and its design. A stack that is built already is taken over.",
            "" if facts.stack else "No stack yet.",
            Act.STACK_WRITE,
            to_design
            or (
                (f"/stacks/new?design={facts.design_id}", "Add a stack"),
                ("/import/stack", "Take over a stack"),
            ),
        ),
        (
            "record",
            "First record",
            "What is done to the stack, entered at the bench as it happens.",
            "" if facts.records else "No record yet.",
            Act.RECORD_WRITE,
            ((f"/records/{facts.open_record}/bench", "Go on at the bench"),)
            if facts.open_record
            else ((of_stack, f"Begin the record of {facts.stack}"),)
            if facts.stack
            else (("#stack", "A stack comes first"),),
        ),
    )


def _people_open(facts: SetUpFacts) -> str:
    if not facts.approving:
        return "Nobody has the role supervisor yet."
    return "" if facts.working > 1 else "Only one person works in the lab yet."


def _pattern_open(facts: SetUpFacts) -> str:
    if facts.with_pattern:
        return ""
    if facts.pattern_waits:
        return (
            "A pattern is proposed: somebody else than who proposed it puts it in force. Until then"
            " the bench finds nothing that is forgotten; the work can go on."
        )
    return "No pattern is in force: the bench cannot find a forgotten layer."


def _limits_open(facts: SetUpFacts) -> str:
    if facts.limits_in_force:
        return ""
    if facts.limits_waiting:
        return "A version is written: somebody else than who wrote it puts it in force."
    return "None yet: closings are not computed and tests have nothing to be judged by."


def _missing(words: str, needed: Collection[Kind], present: Collection[Kind]) -> str:
    missing = [str(kind) for kind in needed if kind not in present]
    return f"{words} {', '.join(missing)}." if missing else ""


def _named(names: Collection[str], most: int = 4) -> str:
    in_order = sorted(names, key=str.casefold)
    more = f" and {len(in_order) - most} more" if len(in_order) > most else ""
    return ", ".join(in_order[:most]) + more or "nobody yet"


def _facts(session: Session) -> SetUpFacts:
    """Read what there is: a row of its own for each table, found by its key. Three statements."""
    of_role = (
        select(func.count(func.distinct(Person.id)))
        .join(PersonRole, PersonRole.person_id == Person.id)
        .where(Person.active, Person.password_hash != "")
    )
    newest = select(func.max(Design.id)).scalar_subquery()
    proposed = select(func.max(ProposedChange.id)).where(
        ProposedChange.kind == ChangeKind.PATTERN, ProposedChange.approved_at.is_(None)
    )
    waiting = select(func.max(LimitSet.id)).where(LimitSet.approved_at.is_(None))
    of_kind: dict[str, Any] = {}
    for kind in OF_A_CELL:
        of_type = PartType.kind == kind
        parts = select(Part.id).join(PartType, PartType.id == Part.part_type_id).where(of_type)
        lots = select(Lot.id).join(PartType, PartType.id == Lot.part_type_id).where(of_type)
        of_kind[f"type_{kind.name}"] = exists().where(of_type)
        of_kind[f"stock_{kind.name}"] = parts.exists() | lots.exists()
    row = session.execute(
        select(
            of_role.where(PersonRole.role != Role.ADMIN).scalar_subquery().label("working"),
            of_role.where(PersonRole.role == Role.SUPERVISOR).scalar_subquery().label("approving"),
            exists().where(Design.pattern.is_not(None)).label("with_pattern"),
            proposed.scalar_subquery().label("pattern_waits"),
            exists().where(LimitSet.approved_at.is_not(None)).label("limits_in_force"),
            waiting.scalar_subquery().label("limits_waiting"),
            exists().where(Instrument.id > 0).label("instruments"),
            exists().where(RebuildRecord.id > 0).label("records"),
            *(condition.label(name) for name, condition in of_kind.items()),
        )
    ).one()
    designs_named = session.execute(
        select(Design.id, Design.name, Design.revision).where(Design.id == newest)
    ).first()
    stack = session.execute(
        select(Stack.serial, RebuildRecord.id.label("record_id"))
        .outerjoin(
            RebuildRecord,
            (RebuildRecord.stack_id == Stack.id) & (RebuildRecord.state == RecordState.OPEN),
        )
        .order_by(Stack.id)
        .limit(1)
    ).first()
    return SetUpFacts(
        working=row.working,
        approving=row.approving,
        types=[kind for kind in OF_A_CELL if getattr(row, f"type_{kind.name}")],
        stocked=[kind for kind in OF_A_CELL if getattr(row, f"stock_{kind.name}")],
        instruments=row.instruments,
        design_id=designs_named.id if designs_named else None,
        design=f"{designs_named.name} {designs_named.revision}" if designs_named else "",
        with_pattern=row.with_pattern,
        pattern_waits=row.pattern_waits,
        limits_in_force=row.limits_in_force,
        limits_waiting=row.limits_waiting,
        stack=stack.serial if stack else None,
        records=row.records,
        open_record=stack.record_id if stack else None,
    )
