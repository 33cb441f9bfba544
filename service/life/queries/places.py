"""Where on parts of a kind a condition was seen: parts counted by face and square.

Counted are parts, not findings: a part that shows the same at two openings counts once. A part is
inspected where one answer at least says something was looked for, “none seen” too. Findings of
void records and of entries taken back count nowhere.
"""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session

from service.physics.arithmetic.conditions import (
    NONE_SEEN,
    NOT_INSPECTED,
    PLACES,
    STANDING_ALONE,
    faces_of,
)
from service.platform.arithmetic.vocabulary import Kind
from service.platform.errors import Refused
from service.platform.queries.answers import read_as
from service.platform.queries.statements import known, param, params, statement
from service.records.arithmetic.lab_words import LabWord
from service.records.queries.lab_words import newest_words
from service.records.tables import Finding, RebuildRecord, RecordState, Step
from service.stacks.queries.part_lives import KNOWN_AS
from service.stacks.tables import Stack
from service.store.arithmetic.identifiers import serial_key
from service.store.tables import Lot, Part, PartType


@dataclass(frozen=True, slots=True)
class FindingFilter:
    """Which findings are counted: on parts of a kind, in stacks of a design, of a lot's parts."""

    kind: Kind
    design_id: int | None = None
    supplier: str = ""
    lot: str = ""


@dataclass(frozen=True, slots=True)
class Inspected:
    """How many parts were inspected, and of how many nothing or nobody said anything."""

    inspected: int
    nothing_found: int
    not_inspected: int


@dataclass(frozen=True, slots=True)
class WordSeen:
    """A word and on how many parts it was seen; on ``without_square`` only without a square."""

    code: str
    word: str
    parts: int
    without_square: int


@dataclass(frozen=True, slots=True)
class FaceCounted:
    """One face with the parts on which the word was seen, square by square."""

    face: str
    parts: int
    counts: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class FindingsByPlace:
    """Words seen on parts of a kind, and where the chosen one was seen; None: none is chosen."""

    inspected: Inspected
    words: tuple[LabWord, ...]
    seen: tuple[WordSeen, ...]
    chosen: WordSeen | None
    faces: tuple[FaceCounted, ...]

    def shade(self, face: FaceCounted, square: str) -> int:
        """Return how dark a square is drawn: 0 for none, 4 for the most on any face."""
        most = max((count for each in self.faces for count in each.counts.values()), default=1)
        return -(-4 * face.counts.get(square, 0) // most)


def findings_by_place(session: Session, asked: FindingFilter, text: str = "") -> FindingsByPlace:
    """Count parts by what was seen on them, and by square for the word a text names, if any.

    A word is named by its code, itself or what it was called before, in force or not. Raises
    Refused. Four statements.
    """
    words = tuple(word for word in newest_words(session)[1].words if asked.kind in word.fits)
    named = _named(words, asked.kind, text) if text else None
    flags = (asked.design_id is not None, bool(asked.supplier), bool(asked.lot))
    values = params(
        None,
        kind=asked.kind,
        design_id=asked.design_id,
        supplier=asked.supplier,
        lot=serial_key(asked.lot),
    )
    inspected: Any = session.execute(_inspected(*flags), values).one()
    counted: Any = session.execute(_seen(*flags), values)
    name_of = {word.code: word.word for word in words}
    seen = tuple(read_as(WordSeen, row, word=name_of.get(row.code, row.code)) for row in counted)
    chosen: WordSeen | None = None
    faces: tuple[FaceCounted, ...] = ()
    if named is not None:
        nowhere = WordSeen(named.code, named.word, 0, 0)
        chosen = next((each for each in seen if each.code == named.code), nowhere)
        placed: Any = session.execute(_placed(*flags), {**values, "code": named.code})
        faces = _by_face(asked.kind, placed)
    return FindingsByPlace(read_as(Inspected, inspected), words, seen, chosen, faces)


def suppliers_of(session: Session, kind: Kind) -> tuple[str, ...]:
    """Return who supplied lots of a kind of part. One statement."""
    return tuple(
        session.scalars(
            select(Lot.supplier)
            .distinct()
            .join(PartType, PartType.id == Lot.part_type_id)
            .where(PartType.kind == kind, Lot.supplier != "")
            .order_by(Lot.supplier)
        )
    )


def _named(words: tuple[LabWord, ...], kind: Kind, text: str) -> LabWord:
    name = text.strip().casefold()
    for word in words:
        if name in (each.casefold() for each in (word.code, word.word, *word.former)):
            return word
    right = f"One of: {', '.join(word.word for word in words)}."
    raise Refused("word", text, f"nothing seen on parts of the kind {kind} is called so.", right)


def _by_face(kind: Kind, rows: Any) -> tuple[FaceCounted, ...]:
    pairs: dict[str, set[tuple[int, str]]] = {face: set() for face in faces_of(kind)}
    for face, places, part_id in rows:
        pairs.setdefault(face, set()).update((part_id, place) for place in places.split())
    return tuple(
        FaceCounted(
            face,
            len({part_id for part_id, _square in seen}),
            Counter(square for _part_id, square in sorted(seen, key=_order)),
        )
        for face, seen in pairs.items()
    )


def _order(seen: tuple[int, str]) -> int:
    return PLACES.index(seen[1])


@statement
def _inspected(by_design: bool, by_supplier: bool, by_lot: bool) -> Any:
    looked = func.max(case((Finding.condition != NOT_INSPECTED, 1), else_=0))
    found = func.max(case((Finding.condition.not_in(STANDING_ALONE), 1), else_=0))
    nothing = func.max(case((Finding.condition == NONE_SEEN, 1), else_=0))
    part = _filtered(
        select(looked.label("looked"), (nothing * (1 - found)).label("none_seen")),
        by_design, by_supplier, by_lot,
    ).group_by(KNOWN_AS).subquery()  # fmt: skip
    return select(
        func.coalesce(func.sum(part.c.looked), 0).label("inspected"),
        func.coalesce(func.sum(part.c.none_seen), 0).label("nothing_found"),
        func.coalesce(func.sum(1 - part.c.looked), 0).label("not_inspected"),
    )


@statement
def _seen(by_design: bool, by_supplier: bool, by_lot: bool) -> Any:
    part = _filtered(
        select(
            Finding.code,
            func.max(case((Finding.places.is_not(None), 1), else_=0)).label("placed"),
        ).where(Finding.code.is_not(None)),
        by_design, by_supplier, by_lot,
    ).group_by(KNOWN_AS, Finding.code).subquery()  # fmt: skip
    return (
        select(
            part.c.code,
            func.count().label("parts"),
            func.sum(1 - part.c.placed).label("without_square"),
        )
        .group_by(part.c.code)
        .order_by(func.count().desc(), part.c.code)
    )


@statement
def _placed(by_design: bool, by_supplier: bool, by_lot: bool) -> Any:
    return _filtered(
        select(Finding.face, Finding.places, KNOWN_AS)
        .where(Finding.code == param("code"), Finding.places.is_not(None))
        .distinct(),
        by_design, by_supplier, by_lot,
    )  # fmt: skip


def _filtered(counted: Any, by_design: bool, by_supplier: bool, by_lot: bool) -> Any:
    counted = (
        counted.select_from(Finding)
        .join(Step, Step.id == Finding.step_id)
        .join(RebuildRecord, RebuildRecord.id == Finding.record_id)
        .join(Part, Part.id == Finding.part_id)
        .join(PartType, PartType.id == Part.part_type_id)
        .where(
            PartType.kind == param("kind"),
            Step.undone_at.is_(None),
            known(Finding),
            RebuildRecord.state != RecordState.VOID,
        )
    )
    if by_design:
        counted = counted.join(Stack, Stack.id == RebuildRecord.stack_id).where(
            Stack.design_id == param("design_id")
        )
    if by_supplier or by_lot:
        counted = counted.join(Lot, Lot.id == Part.lot_id)
    if by_supplier:
        counted = counted.where(Lot.supplier == param("supplier"))
    if by_lot:
        counted = counted.where(Lot.label_key == param("lot"))
    return counted
