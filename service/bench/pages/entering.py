"""Making one entry from one form of the bench, and reading what its forms have in common."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar
from urllib.parse import urlencode

from fastapi import Request, Response
from sqlalchemy import Engine

from service.bench.pages.sheets import bench_page
from service.physics.arithmetic.conditions import STANDING_ALONE, FindingEntry
from service.platform.database import Work, changing, reading
from service.platform.errors import Refused
from service.platform.files import photos
from service.platform.pages.forms import Form
from service.platform.pages.render import go_on, page, part, wants_part
from service.platform.permissions import Person
from service.records.changes.attachments import Stored
from service.settings import Settings

T = TypeVar("T")
MADE, UNDONE = "made", "undone"


@dataclass(frozen=True, slots=True)
class Entering:
    """One entry being made: who makes it, in which record, at which place."""

    request: Request
    me: Person
    database: Engine
    form: Form
    record_id: int
    place: str
    is_shown: bool = True
    """whether the place shows this very form; the undo's messages stand above another one"""

    def enter(self, change: Callable[[Work, int], object], **then: str) -> Response:
        """Make the entry, then go on where ``then`` says; refusals are the form's to keep."""
        then = {"made": MADE, **then}
        with changing(self.database, self.me, key=self.form.key) as work:
            work.answer = address(self.record_id, **then)
            change(work, self.form.version())
        if not wants_part(self.request):
            return go_on(self.request, work.answer)
        with reading(self.database) as session:
            shown = bench_page(self.request, session, self.me, self.record_id, asked=then)
        return part(self.request, "bench/_bench.html", shown)

    def again(self) -> Response:
        """Show the form again, with what was typed and what is wrong with it."""
        asked = {"at": self.place}
        with reading(self.database) as session:
            shown = bench_page(
                self.request,
                session,
                self.me,
                self.record_id,
                asked=asked,
                form=self.form if self.is_shown else None,
            )
        shown.form.refused, shown.form.stale = self.form.refused, self.form.stale
        if wants_part(self.request):
            return part(self.request, "bench/_bench.html", shown, self.form.status)
        return page(self.request, "bench/show.html", shown, self.form.status)


def address(record_id: int, **then: str) -> str:
    """The bench of a record, at a place and an end."""
    asked = urlencode({name: value for name, value in then.items() if value})
    return f"/records/{record_id}/bench" + (f"?{asked}" if asked else "")


def findings(form: Form) -> list[FindingEntry]:
    """What was ticked; severity, place and note are said of all that was ticked."""
    severity = form.whole("severity", most=3, required=False)
    where = form.text("where", required=False, most=200)
    detail = form.text("finding_note", required=False)
    return [
        FindingEntry(condition)
        if condition in STANDING_ALONE
        else FindingEntry(condition, severity, where, detail)
        for condition in form.kept_all("condition")
        if condition
    ]


def chosen(form: Form) -> tuple[int | None, int | None]:
    """The lot or the part that was pressed instead of scanning."""
    return form.whole("lot_id", required=False), form.whole("part_id", required=False)


def numbers(form: Form, name: str) -> list[int]:
    """The rows ticked in a list of boxes."""
    texts = form.kept_all(name)
    if any(not text.isdecimal() or len(text) > 15 for text in texts):
        form.refuse(name, "is not one of the choices.", "Choose from the list.")
        return []
    return [int(text) for text in texts]


def taken_photos(request: Request, form: Form) -> list[Stored]:
    """Photos chosen with an entry, checked and laid on disk before the entry names them."""
    settings: Settings = request.app.state.settings
    checked = []
    for file in form.files("photos"):
        try:
            content = file.file.read(settings.attachment_max_mb * photos.MEGABYTE + 1)
            name = file.filename or ""
            checked.append(photos.check(content, name, most_mb=settings.attachment_max_mb))
        except Refused as refusal:
            form.refuse("photos", f"“{refusal.value}”: {refusal.reason}", refusal.right_would_be)
    form.check()
    return [photos.store(settings.data_folder, one) for one in checked]


def sure(value: T | None) -> T:
    """A value the form has read: what could not be read was refused before."""
    if value is None:
        raise Refused("form", "", "something is missing in this form.", "Load the page again.")
    return value
