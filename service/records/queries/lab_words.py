"""The laboratory's words: those in force, all versions, and the picture of each."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import ColumnElement, case, func, literal, or_, select, union_all
from sqlalchemy.orm import Session, aliased

from service.people.tables import Person
from service.platform.arithmetic.vocabulary import Kind
from service.platform.errors import Refused
from service.platform.queries.answers import columns, read_as
from service.platform.queries.statements import param
from service.platform.tables import Attachment
from service.records.arithmetic.lab_words import (
    BEGUN_WITH,
    Answers,
    LabWord,
    LabWords,
    WordList,
    chosen,
    from_content,
)
from service.records.tables import LabWordsVersion, RebuildRecord, RecordState, Step, StepKind
from service.store.tables import Concession, ProposedChange

AS_IT_CAME = "As the program brings them."
APPROVED = aliased(Person)


@dataclass(frozen=True, slots=True)
class WordsVersion:
    """One version of a list; ``until`` is when the next one came. Version 1 may have no author."""

    version: int
    words: LabWords
    reason: str
    made_by: str | None
    approved_by: str | None
    in_force_from: datetime | None
    until: datetime | None = None


_NEWEST = (
    select(LabWordsVersion.version, LabWordsVersion.content)
    .where(LabWordsVersion.list == param("list"))
    .order_by(LabWordsVersion.version.desc())
    .limit(1)
)


def newest_words(session: Session, of: WordList = WordList.CONDITIONS) -> tuple[int, LabWords]:
    """Return the version in force of a list with its number. One statement.

    A laboratory that has written none has version 1, as the program brings it.
    """
    row = session.execute(_NEWEST, {"list": of}).first()
    return (1, BEGUN_WITH[of]) if row is None else (row.version, _read(row.content))


def conditions_for(session: Session, kind: Kind) -> tuple[LabWord, ...]:
    """Return the conditions in force for a kind of part, in their order. One statement."""
    return newest_words(session)[1].of(kind)


_VERSIONS = (
    select(
        *columns(
            WordsVersion,
            LabWordsVersion,
            words=LabWordsVersion.content,
            made_by=Person.name,
            approved_by=APPROVED.name,
            until=LabWordsVersion.in_force_from,
        )
    )
    .outerjoin(Person, Person.id == LabWordsVersion.made_by_id)
    .outerjoin(ProposedChange, ProposedChange.id == LabWordsVersion.proposal_id)
    .outerjoin(APPROVED, APPROVED.id == ProposedChange.approved_by_id)
    .where(LabWordsVersion.list == param("list"))
    .order_by(LabWordsVersion.version.desc())
)


def versions_of_words(
    session: Session, of: WordList = WordList.CONDITIONS
) -> tuple[WordsVersion, ...]:
    """Return all versions of a list, the one in force first. One statement."""
    versions: list[WordsVersion] = []
    for row in session.execute(_VERSIONS, {"list": of}):
        until = versions[-1].in_force_from if versions else None
        versions.append(read_as(WordsVersion, row, words=_read(row.words), until=until))
    begun = WordsVersion(1, BEGUN_WITH[of], AS_IT_CAME, None, None, None)
    return tuple(versions) or (begun,)


_PICTURES = (
    select(Attachment.shows_word, Attachment.id)
    .where(Attachment.shows_word.is_not(None), Attachment.removed_at.is_(None))
    .order_by(Attachment.id)
)


def reasons_for(session: Session, *answers: Answers) -> tuple[LabWord, ...]:
    """Return the reasons in force that answer any of these, in their order. One statement."""
    words = newest_words(session, WordList.REASONS)[1].words
    return tuple(x for x in words if x.is_in_force and set(answers) & set(x.fits))


def reason_said(session: Session, text: str, answers: Answers, field: str) -> str:
    """Return a reason as it is kept: a choice of the laboratory's, own words after it, or these.

    One statement. Raises Refused where the laboratory asks for own words after the choice.
    """
    return said_in(newest_words(session, WordList.REASONS)[1], text, answers, field)


def said_in(words: LabWords, text: str, answers: Answers, field: str) -> str:
    """Return a reason as `reason_said` does, by reasons read before."""
    word, own = chosen(text, words, answers)
    if word is None:
        return text
    if not own and not word.is_enough:
        right = f"“{word.word}: …”, and say what."
        raise Refused(field, word.word, "this choice alone says too little.", right)
    return f"{word.word}: {own}" if own else word.word


@dataclass(frozen=True, slots=True)
class ReasonUsed:
    """How often a reason was given, for each of what it answers."""

    word: LabWord
    counts: Mapping[Answers, int]


def reasons_used(session: Session) -> tuple[ReasonUsed, ...]:
    """Count how often each reason was given in entries that stand, and concessions.

    By its word or what it was called before, with or without words after it. One statement.
    """
    words = newest_words(session, WordList.REASONS)[1].words
    given = _GIVEN.subquery()
    columns_counted = [
        func.count(case((_said(given.c.text, word), given.c.answers))).filter(
            given.c.answers == answers.value
        )
        for word in words
        for answers in Answers
    ]
    counts = iter(session.execute(select(*columns_counted).select_from(given)).one())
    return tuple(ReasonUsed(word, {a: next(counts) for a in Answers}) for word in words)


def _said(text: Any, word: LabWord) -> ColumnElement[bool]:
    names = [name.lower() for name in (word.word, *word.former)]
    lower = func.lower(text)
    return or_(
        *(or_(lower == name, lower.startswith(f"{name}:", autoescape=True)) for name in names)
    )


_STANDS = (Step.undone_at.is_(None), Step.record_id == RebuildRecord.id)
_IN_RECORDS = RebuildRecord.state != RecordState.VOID
_GIVEN = union_all(
    select(
        case(
            (Step.kind == StepKind.NOT_DONE, Answers.NOT_DONE.value),
            else_=Answers.DEPARTURE.value,
        ).label("answers"),
        Step.deviation_because.label("text"),
    ).where(Step.deviation_because.is_not(None), *_STANDS, _IN_RECORDS),
    select(literal(Answers.DEPARTURE.value), Step.note).where(
        Step.kind == StepKind.DEPARTURE, *_STANDS, _IN_RECORDS
    ),
    select(literal(Answers.CONCESSION.value), Concession.reason),
)


def pictures_of_words(session: Session) -> dict[str, int]:
    """Return the attachment that is the picture of each word, by its code. One statement."""
    return {row.shows_word: row.id for row in session.execute(_PICTURES)}


@lru_cache(maxsize=64)
def _read(content: str) -> LabWords:
    return from_content(json.loads(content))
