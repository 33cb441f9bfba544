"""The laboratory's words for what is seen on parts: listed, written, each with its picture."""

from collections.abc import Mapping
from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.people.pages.signing_in import Database, Me
from service.physics.arithmetic.conditions import SEVERITIES
from service.platform.arithmetic.vocabulary import Kind
from service.platform.database import changing, reading
from service.platform.errors import NotFound
from service.platform.pages.forms import Asked, Form, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.records.arithmetic.lab_words import LabWord
from service.records.changes.lab_words import show_word, write_word
from service.records.pages.attachments import stored_files
from service.records.queries.lab_words import (
    WordsVersion,
    newest_words,
    pictures_of_words,
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


@dataclass(frozen=True, slots=True)
class WordPage:
    """The form of a word, and of its picture; ``word`` None: it is new."""

    form: Form
    word: LabWord | None
    picture: int | None
    kinds: tuple[str, ...]
    severities: tuple[tuple[int, str], ...]
    most_mb: int


KINDS = tuple(map(str, Kind))


@router.get("")
def show_list(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """List the words, in force and not; of one kind of part, or of an earlier version."""
    need(me, Act.READ)
    kind = query.choice("kind", Kind, required=False)
    version = query.whole("version", required=False)
    with reading(database) as session:
        versions = versions_of_words(session)
        shown = next((each for each in versions if each.version == version), versions[0])
        pictures = pictures_of_words(session)
        waiting = proposals_waiting(session, ChangeKind.LAB_WORDS)
    words = tuple(x for x in shown.words.words if kind is None or kind in x.fits)
    context = WordsPage(shown, words, versions, pictures, waiting, KINDS, query)
    return page(request, "records/words/list.html", context, query.status)


@router.get("/new")
def show_new(request: Request, me: Me, database: Database) -> Response:
    """Show the form of a new word."""
    need(me, Act.WORDS_WRITE)
    return _entry_page(request, database, blank(request))


@router.post("/new")
def add(request: Request, me: Me, database: Database, form: Typed) -> Response:
    """Write a new word as a new version."""
    return _written(request, database, me, form, None)


@router.get("/{code}")
def show_edit(request: Request, me: Me, database: Database, code: str) -> Response:
    """Show the form of a word, filled in with what is in force."""
    need(me, Act.WORDS_WRITE)
    with reading(database) as session:
        word = _word(newest_words(session)[1].by_code(code), code)
    severity = "" if word.severity is None else word.severity
    form = blank(request, word=word.word, severity=severity, guidance=word.guidance)
    form.typed["fits"] = word.fits
    form.typed["until"] = (word.until,)
    return _entry_page(request, database, form, code)


@router.post("/{code}")
def change(request: Request, me: Me, database: Database, form: Typed, code: str) -> Response:
    """Write another state of a word as a new version."""
    return _written(request, database, me, form, code)


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
    return _entry_page(request, database, form, code)


def _written(request: Request, database: Engine, me: Me, form: Form, code: str | None) -> Response:
    with form.collecting_errors():
        word = LabWord(
            code or form.text("code", required=False, most=40),
            form.text("word", most=60),
            form.raw_all("fits"),
            form.whole("severity", most=3, required=False),
            form.text("guidance", required=False, most=1000),
            until="yes" if form.yes("until") else "",
        )
        reason = form.text("reason")
        with changing(database, me, key=form.key) as work:
            written = write_word(work, word, is_new=code is None, reason=reason)
            waits = written.proposal_id
            work.answer = f"/proposals/{waits}" if waits else "/words"
        return go_on(request, work.answer)
    return _entry_page(request, database, form, code)


def _word(word: LabWord | None, code: str) -> LabWord:
    if word is None:
        raise NotFound("word", code)
    return word


def _entry_page(
    request: Request, database: Engine, form: Form, code: str | None = None
) -> Response:
    with reading(database) as session:
        word = None if code is None else _word(newest_words(session)[1].by_code(code), code)
        pictures = pictures_of_words(session)
    settings: Settings = request.app.state.settings
    shown = pictures.get(code or "")
    most_mb = settings.attachment_max_mb
    context = WordPage(form, word, shown, KINDS, tuple(SEVERITIES.items()), most_mb)
    return page(request, "records/words/edit.html", context, form.status)
