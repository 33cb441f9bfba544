"""Sheets of codes to print: the actions of the bench, and the labels of a part's faces."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response

from service.bench.arithmetic.codes import Action, Face
from service.people.pages.signing_in import Database, Me
from service.platform.database import reading
from service.platform.drawings.codes import draw_code
from service.platform.errors import Refused
from service.platform.pages.render import page
from service.platform.permissions import Act, need
from service.store.queries.part_lists import PartNamed, part_by_number

router = APIRouter()
WORDS = {
    Action.NOTHING_FOUND: "Nothing found on the layer lifted off",
    Action.NOT_INSPECTED: "The layer lifted off is not inspected",
    Action.UNDO: "Undo the last entry",
    Action.NEXT: "Next: press the main button",
    Action.TO_FIXED_END: "Its marked face looks to the fixed end",
    Action.TO_FREE_END: "Its marked face looks to the free end",
    Action.CLICKED: "The click tool clicked at the nut",
    Action.MOVED: "The nut moved before the click",
    Action.NOT_MOVED: "The tool clicked and the nut did not move",
}


@dataclass(frozen=True, slots=True)
class PrintedCode:
    """One code with what it says to people."""

    text: str
    words: str
    drawing: str


@dataclass(frozen=True, slots=True)
class CodesPage:
    """A sheet of codes."""

    title: str
    codes: tuple[PrintedCode, ...]
    part: PartNamed | None = None


@router.get("/bench-codes")
def bench_codes(request: Request, me: Me) -> Response:
    """Show the action codes of the bench."""
    need(me, Act.READ)
    codes = tuple(_printed(action.value, words) for action, words in WORDS.items())
    return page(request, "bench/codes.html", CodesPage("Action codes of the bench", codes))


@router.get("/parts/{part_id}/face-labels")
def face_labels(request: Request, me: Me, database: Database, part_id: int) -> Response:
    """Show the labels for the two faces of a part whose faces differ."""
    need(me, Act.READ)
    with reading(database) as session:
        part = part_by_number(session, part_id)
    if part.marked_face is None:
        reason = "its faces do not differ: labels are for parts whose type names a marked face."
        raise Refused("part", part.label, reason)
    sides = {
        Face.MARKED: part.marked_face,
        Face.BEHIND: f"the side behind: not the {part.marked_face}",
    }
    of_maker = f"{part.maker}: " if part.maker else ""
    codes = tuple(
        _printed(f"{part.label}{face}", f"{of_maker}{words}") for face, words in sides.items()
    )
    return page(request, "bench/codes.html", CodesPage(f"Face labels of {part.label}", codes, part))


def _printed(text: str, words: str) -> PrintedCode:
    return PrintedCode(text, words, draw_code(text, f"{words}: {text}"))
