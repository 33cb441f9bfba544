"""The laboratory's words: conditions with pictures, and reasons with how often they are given."""

from collections.abc import Mapping
from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.people.pages.signing_in import Database, Me
from service.physics.arithmetic.conditions import SEVERITIES
from service.platform.database import changing, reading
from service.platform.errors import NotFound
from service.platform.pages.forms import Asked, Form, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.records.arithmetic.lab_words import FITS, LabWord, WordList
from service.records.changes.lab_words import SUBJECTS, show_word, write_word
from service.records.pages.attachments import stored_files
from service.records.queries.lab_words import (
    ReasonUsed,
    WordsVersion,
    newest_words,
    pictures_of_words,
    reasons_used,
    versions_of_words,
)
from service.settings import Settings
from service.store.queries.proposals import Proposal, proposals_waiting
from service.store.tables import ChangeKind

router = APIRouter(prefix="/words")


@dataclass(frozen=True, slots=True)
class WordsPage:
    """The words of one version, the newest where none is asked for."""

    shown: WordsVersion
    words: tuple[LabWord, ...]
    versions: tuple[WordsVersion, ...]
    pictures: Mapping[str, int]
    waiting: tuple[Proposal, ...]
    kinds: tuple[str, ...]
    query: Form
    of: WordList
    used: tuple[ReasonUsed, ...]


@dataclass(frozen=True, slots=True)
class WordPage:
    """The form of a word, and of its picture; ``word`` None: it is new."""

    form: Form
    word: LabWord | None
    picture: int | None
    kinds: tuple[str, ...]
    severities: tuple[tuple[int, str], ...]
    most_mb: int
    of: WordList


@router.get("")
def show_list(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """List the words, in force and not; of one kind of part, or of an earlier version."""
    need(me, Act.READ)
    of = _list_of(query)
    kind = query.one_of("kind", FITS[of], required=False)
    version = query.whole("version", required=False)
    with reading(database) as session:
        versions = versions_of_words(session, of)
        shown = next((each for each in versions if each.version == version), versions[0])
        pictures = pictures_of_words(session) if of is WordList.CONDITIONS else {}
        used = reasons_used(session) if of is WordList.REASONS else ()
        waiting = proposals_waiting(session, ChangeKind.LAB_WORDS, SUBJECTS[of][0])
    words = tuple(x for x in shown.words.words if not kind or kind in x.fits)
    context = WordsPage(shown, words, versions, pictures, waiting, FITS[of], query, of, used)
    return page(request, "records/words/list.html", context, query.status)


@router.get("/new")
def show_new(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """Show the form of a new word."""
    need(me, Act.WORDS_WRITE)
    return _entry_page(request, database, blank(request, is_enough="yes"), _list_of(query))


@router.post("/new")
def add(request: Request, me: Me, database: Database, form: Typed, query: Asked) -> Response:
    """Write a new word as a new version."""
    return _written(request, (database, me), form, _list_of(query), None)


@router.get("/{code}")
def show_edit(request: Request, me: Me, database: Database, query: Asked, code: str) -> Response:
    """Show the form of a word, filled in with what is in force."""
    need(me, Act.WORDS_WRITE)
    of = _list_of(query)
    with reading(database) as session:
        word = _word(newest_words(session, of)[1].by_code(code), code)
    severity = "" if word.severity is None else word.severity
    form = blank(request, word=word.word, severity=severity, guidance=word.guidance)
    form.typed["fits"] = word.fits
    form.typed["until"] = (word.until,)
    form.typed["is_enough"] = ("yes" if word.is_enough else "",)
    return _entry_page(request, database, form, of, code)


@router.post("/{code}")
def change(
    *, request: Request, me: Me, database: Database, form: Typed, query: Asked, code: str
) -> Response:
    """Write another state of a word as a new version."""
    return _written(request, (database, me), form, _list_of(query), code)


@router.post("/{code}/picture")
def picture(request: Request, me: Me, database: Database, form: Typed, code: str) -> Response:
    """Make a photo the picture of a word."""
    need(me, Act.WORDS_WRITE)
    with form.collecting_errors():
        if len(form.files("photos")) != 1:
            form.refuse("photos", "One photo is the picture of a word.", "Choose one.")
        stored = stored_files(request, form, "photos")
        with changing(database, me, key=form.key) as work:
            work.answer = "/words"
            show_word(work, code, stored[0], reason=form.text("picture_reason"))
        return go_on(request, work.answer)
    return _entry_page(request, database, form, WordList.CONDITIONS, code)


def _list_of(query: Form) -> WordList:
    return query.choice("list", WordList, required=False) or WordList.CONDITIONS


def _written(
    request: Request, sent: tuple[Engine, Me], form: Form, of: WordList, code: str | None
) -> Response:
    database, me = sent
    with form.collecting_errors():
        word = LabWord(
            code or form.text("code", required=False, most=40),
            form.text("word", most=60),
            form.raw_all("fits"),
            form.whole("severity", most=3, required=False),
            form.text("guidance", required=False, most=1000),
            until="yes" if form.yes("until") else "",
            is_enough=of is WordList.CONDITIONS or form.yes("is_enough"),
        )
        reason = form.text("reason")
        with changing(database, me, key=form.key) as work:
            written = write_word(work, word, of=of, is_new=code is None, reason=reason)
            waits = written.proposal_id
            work.answer = f"/proposals/{waits}" if waits else f"/words?list={of}"
        return go_on(request, work.answer)
    return _entry_page(request, database, form, of, code)


def _word(word: LabWord | None, code: str) -> LabWord:
    if word is None:
        raise NotFound("word", code)
    return word


def _entry_page(
    request: Request, database: Engine, form: Form, of: WordList, code: str | None = None
) -> Response:
    with reading(database) as session:
        word = None if code is None else _word(newest_words(session, of)[1].by_code(code), code)
        pictures = pictures_of_words(session)
    settings: Settings = request.app.state.settings
    shown = pictures.get(code or "")
    most_mb = settings.attachment_max_mb
    context = WordPage(form, word, shown, FITS[of], tuple(SEVERITIES.items()), most_mb, of)
    return page(request, "records/words/edit.html", context, form.status)
