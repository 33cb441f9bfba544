"""Designs as files: begun from the sample or from another lab's file, and given out."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response

from service.designs.files import (
    DesignFile,
    NotADesign,
    read_design_file,
    sample,
    take_in,
    write_design_file,
)
from service.designs.queries import pattern_of_design
from service.people.pages.signing_in import Database, Me
from service.platform.database import changing, reading
from service.platform.pages.forms import Asked, Form, Typed
from service.platform.pages.render import download, go_on, page
from service.platform.permissions import Act, need

router = APIRouter(prefix="/designs")
OF_SAMPLE = "sample"


@dataclass(frozen=True, slots=True)
class BringPage:
    """The form that copies a design in: the sample where ``shown`` is given, else a file."""

    form: Form
    shown: DesignFile | None
    problems: tuple[str, ...] = ()


@router.get("/bring")
def show_bring(request: Request, me: Me, query: Asked) -> Response:
    """Show the form that copies the sample, or a file, into the lab."""
    need(me, Act.DESIGN_WRITE)
    file = sample() if query.raw("from") == OF_SAMPLE else None
    if file:
        query.typed |= {"name": (file.design.name,), "revision": (file.design.revision,)}
    return page(request, "designs/bring.html", BringPage(query, file))


@router.post("/bring")
def bring(request: Request, me: Me, database: Database, form: Typed) -> Response:
    """Copy the sample or a file into rows of the lab's own."""
    need(me, Act.DESIGN_WRITE)
    sample_file = sample() if form.raw("from") == OF_SAMPLE else None
    problems: tuple[str, ...] = ()
    with form.collecting_errors():
        try:
            called, file = ("the sample design", sample_file) if sample_file else _read(form)
            name = form.text("name", required=sample_file is not None)
            revision = form.text("revision", required=sample_file is not None)
            with changing(database, me, key=form.key) as work:
                design_id = take_in(
                    work,
                    file,
                    name=name or file.design.name,
                    revision=revision or file.design.revision,
                    called=called,
                )
                work.answer = f"/designs/{design_id}"
            return go_on(request, work.answer)
        except NotADesign as trouble:
            problems = tuple(map(str, trouble.problems))
            count = "one thing is" if len(problems) == 1 else f"{len(problems)} things are"
            form.refuse("file", f"The file cannot be taken: {count} wrong, listed here.")
    return page(request, "designs/bring.html", BringPage(form, sample_file, problems), form.status)


@router.get("/{design_id}/design.toml")
def export(me: Me, database: Database, design_id: int) -> Response:
    """Give a design with its part types, pattern and limits as a TOML file."""
    need(me, Act.READ)
    with reading(database) as session:
        name = pattern_of_design(session, design_id).design
        text = write_design_file(session, design_id)
    return download(text, "application/toml", name, "{}-design.toml")


def _read(form: Form) -> tuple[str, DesignFile]:
    """Read the file chosen. Raises NotADesign, and Refused once the form is checked."""
    files = form.files("file")
    if not files:
        form.refuse("file", "No file was chosen.", "A design file of this program, in TOML.")
        form.check()
    name = files[0].filename or "the file"
    try:
        return f"“{name}”", read_design_file(files[0].file.read().decode("utf-8-sig"))
    except UnicodeDecodeError:
        form.refuse("file", f"{name} is no text in UTF-8", "A TOML file would be right.")
        form.check()
        raise
