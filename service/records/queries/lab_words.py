"""The laboratory's words: those in force, all versions, and the picture of each."""

import json
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

from sqlalchemy import select
from sqlalchemy.orm import Session, aliased

from service.people.tables import Person
from service.platform.arithmetic.vocabulary import Kind
from service.platform.queries.answers import columns, read_as
from service.platform.queries.statements import param
from service.platform.tables import Attachment
from service.records.arithmetic.lab_words import FIRST, LabWord, LabWords, WordList, from_content
from service.records.tables import LabWordsVersion
from service.store.tables import ProposedChange

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
    return (1, FIRST) if row is None else (row.version, _read(row.content))


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
    return tuple(versions) or (WordsVersion(1, FIRST, AS_IT_CAME, None, None, None),)


_PICTURES = (
    select(Attachment.shows_word, Attachment.id)
    .where(Attachment.shows_word.is_not(None), Attachment.removed_at.is_(None))
    .order_by(Attachment.id)
)


def pictures_of_words(session: Session) -> dict[str, int]:
    """Return the attachment that is the picture of each word, by its code. One statement."""
    return {row.shows_word: row.id for row in session.execute(_PICTURES)}


@lru_cache(maxsize=64)
def _read(content: str) -> LabWords:
    return from_content(json.loads(content))
