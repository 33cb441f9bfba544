"""The laboratory's words: a new version by one person, by two where a severity changes."""

from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import select, update

from service.platform import changes as given
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.arithmetic.errors import TradeError
from service.platform.audit import Change, Event
from service.platform.changes import Stored
from service.platform.database import Work
from service.platform.errors import NotFound, Refused
from service.platform.permissions import Act, need
from service.platform.tables import Attachment
from service.records.arithmetic.lab_words import (
    LabWord,
    LabWords,
    WordList,
    as_content,
    code_of,
    differences,
    from_content,
    put_word,
    weighs_otherwise,
)
from service.records.changes.attachments import put_attachment
from service.records.queries.lab_words import AS_IT_CAME, newest_words
from service.records.tables import LabWordsVersion
from service.store.changes.proposals import propose
from service.store.tables import ChangeKind, ProposedChange

SUBJECTS = {of: (number, str(of)) for number, of in enumerate(WordList, 1)}
"""Number and name of each list, as a proposal and the trail know it."""


@dataclass(frozen=True, slots=True)
class WordWritten:
    """The version that is in force with a word; 0 while its proposal waits for a second person."""

    version: int
    proposal_id: int | None = None


def write_word(
    work: Work, word: LabWord, *, of: WordList = WordList.CONDITIONS, is_new: bool, reason: str
) -> WordWritten:
    """Write a new word, or another state of one, as a new version.

    Where a severity that stood changes, it is proposed and in force once somebody else approves it.
    Raises Refused where the code or word cannot be, or nothing differs.
    """
    need(work.by, Act.WORDS_WRITE)
    work.refuse_nobody("signed by", "words are written by a person.")
    why = given.reason(reason)
    said = replace(
        word,
        word=given.words("word", word.word, "What people say, such as pinhole.", most=60),
        code=given.optional_words("code", word.code, most=40).upper() or code_of(word.word),
        guidance=given.optional_words("guidance", word.guidance, most=1000),
    )
    version, before = newest_words(work.session, of)
    if before.by_code(said.code) is None and not is_new:
        raise NotFound("word", said.code)
    if before.by_code(said.code) is not None and is_new:
        raise Refused("code", said.code, "it is the code of a word already.", "Another code.")
    try:
        after = put_word(before, said, f"{work.now:%Y-%m-%d}", of)
    except TradeError as trouble:
        raise Refused("word", said.word, str(trouble)) from trouble
    changed = differences(before, after)
    if not changed:
        raise Refused("word", said.word, f"nothing differs from version {version}.", "A change.")
    if weighs_otherwise(before, after):
        content = {"after": version, "words": as_content(after)}
        proposal_id = propose(
            work, ChangeKind.LAB_WORDS, SUBJECTS[of], content, changed, reason=why
        )
        return WordWritten(0, proposal_id)
    row = _keep(work, of, version, before, after, reason=why, by_id=work.by.id)
    work.note(Event.WORDS_WRITTEN, _named(row), changed, reason=why)
    return WordWritten(row.version)


def put_words_in_force(work: Work, proposal: ProposedChange, content: dict[str, Any]) -> None:
    """Keep a version somebody else has approved, inside that change.

    Raises Refused where another version was written since it was proposed.
    """
    need(work.by, Act.CHANGE_APPROVE)
    of = next(of for of, subject in SUBJECTS.items() if subject[0] == proposal.subject_id)
    version, before = newest_words(work.session, of)
    if version != content["after"]:
        raise Refused(
            "words",
            of,
            f"version {version} was written since this was proposed.",
            "Propose the change anew.",
        )
    after = from_content(content["words"])
    row = _keep(
        work,
        of,
        version,
        before,
        after,
        reason=proposal.reason,
        by_id=proposal.made_by_id,
        proposal_id=proposal.id,
    )
    changed = differences(before, after)
    work.note(Event.WORDS_WRITTEN, _named(row), changed, reason=proposal.reason)


def show_word(work: Work, code: str, stored: Stored, *, reason: str) -> None:
    """Make a stored photo the picture of a word; one of before is taken off, its content stays."""
    need(work.by, Act.WORDS_WRITE)
    why = given.reason(reason)
    word = newest_words(work.session)[1].by_code(code)
    if word is None:
        raise NotFound("word", code)
    of_word = Attachment.shows_word == code, Attachment.removed_at.is_(None)
    before = work.session.scalar(select(Attachment.content_sha256).where(*of_word))
    if before == stored.content_sha256:
        raise Refused("photos", stored.name, "it is the picture already.", "Another photo.")
    work.session.execute(update(Attachment).where(*of_word).values(removed_at=work.now))
    row = put_attachment(work, stored, shows_word=code)
    facts: list[Change] = [
        (f"{code}: picture", None, row.name),
        ("SHA-256", before, row.content_sha256),
    ]
    work.note(Event.WORD_PICTURED, ("words", row.id, word.word), facts, reason=why)


def _keep(
    work: Work,
    of: WordList,
    version: int,
    before: LabWords,
    after: LabWords,
    *,
    reason: str,
    by_id: int | None,
    proposal_id: int | None = None,
) -> LabWordsVersion:
    if not _is_kept(work, of):
        _write(work, of, version, before, reason=AS_IT_CAME, by_id=None)
    return _write(work, of, version + 1, after, reason=reason, by_id=by_id, proposal_id=proposal_id)


def _is_kept(work: Work, of: WordList) -> bool:
    """Whether any version stands in the database: the first may be the program's."""
    return (
        work.session.scalar(select(LabWordsVersion.id).where(LabWordsVersion.list == of).limit(1))
        is not None
    )


def _write(
    work: Work,
    of: WordList,
    version: int,
    words: LabWords,
    *,
    reason: str,
    by_id: int | None,
    proposal_id: int | None = None,
) -> LabWordsVersion:
    content = canonical_json(as_content(words))
    row = LabWordsVersion(
        list=of,
        version=version,
        content=content,
        content_sha256=sha256_of(content),
        reason=reason,
        made_by_id=by_id,
        made_at=work.now,
        in_force_from=work.now,
        proposal_id=proposal_id,
    )
    work.session.add(row)
    work.session.flush()
    return row


def _named(row: LabWordsVersion) -> tuple[str, int, str]:
    return ("words", row.id, f"{row.list}, version {row.version}")
