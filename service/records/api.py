"""The laboratory's words for machines: read in versions, and written."""

from typing import Annotated

from fastapi import APIRouter
from pydantic import Field

from service.platform.api.answers import Made, Out, like
from service.platform.api.callers import Call, Caller, Database, make_once
from service.platform.api.request_models import Name, Why
from service.platform.database import Work, reading
from service.platform.permissions import Act, need
from service.records.arithmetic import lab_words
from service.records.arithmetic.lab_words import LabWord, WordList
from service.records.changes.lab_words import write_word
from service.records.queries import lab_words as queries

router = APIRouter(tags=["records"])


@like(lab_words.LabWord)
class Word(Out):
    """One word; ``fits`` are the kinds of part it is said of, or what a reason answers."""


@like(queries.WordsVersion, without="words")
class Version(Out):
    """One version of a list of words."""

    words: list[Word]


class WordSent(Why):
    """A word as it is to be: a new one, or another state of the one of this code."""

    code: Annotated[str, Field(max_length=40)] = ""
    word: Annotated[str, Field(min_length=1, max_length=60)]
    fits: Annotated[list[Name], Field(min_length=1, max_length=20)]
    severity: int | None = Field(default=None, ge=0, le=3, description="what it usually weighs")
    guidance: Annotated[str, Field(max_length=1000)] = ""
    retired: bool = Field(default=False, description="no longer offered at the bench")
    is_enough: bool = Field(default=True, description="a reason needs no own words after it")
    of: WordList = WordList.CONDITIONS
    is_new: bool = True


@router.get("/words")
def words(caller: Caller, engine: Database, of: WordList = WordList.CONDITIONS) -> list[Version]:
    """List all versions of the words for findings, or of reasons, the one in force first."""
    need(caller, Act.READ)
    with reading(engine) as session:
        versions = queries.versions_of_words(session, of)
    return [
        Version.from_answer(each, words=[Word.from_answer(word) for word in each.words.words])
        for each in versions
    ]


@router.post("/words", status_code=201)
def write(body: WordSent, call: Call) -> Made:
    """Write a word; give its version, or 0 where a severity waits for a second person."""
    need(call.caller, Act.WORDS_WRITE)
    word = LabWord(
        body.code,
        body.word,
        tuple(body.fits),
        body.severity,
        body.guidance,
        until="yes" if body.retired else "",
        is_enough=body.is_enough,
    )

    def change(work: Work) -> int:
        return write_word(work, word, of=body.of, is_new=body.is_new, reason=body.reason).version

    return make_once(call, change)
