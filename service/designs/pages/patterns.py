"""The pattern of a design: edited as a list with the pile drawn beside, and as a TOML file.

Every button sends the whole form, so that nothing typed is lost; only “Keep” writes anything.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.designs.arithmetic.grammar import Pattern, Where
from service.designs.arithmetic.pattern_toml import NotAPattern, read_pattern, write_pattern
from service.designs.arithmetic.pattern_types import KnownType
from service.designs.changes.patterns import keep_pattern
from service.designs.pages.pattern_forms import (
    MOST_CELLS,
    USUAL,
    fill,
    form_of_pattern,
    items_in,
    pattern_or_none,
    read_pattern_form,
    rearrange,
)
from service.designs.pages.pattern_pictures import USUALLY_SHOWN, AsDesignedPile, as_designed
from service.designs.queries.design_revisions import RevisionBefore, revision_before
from service.designs.queries.designs import DesignOnPage, design
from service.designs.queries.patterns import KeptPattern, known_types, pattern_of_design
from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.vocabulary import (
    LAYER_KINDS,
    Back,
    Facing,
    Joint,
    Kind,
    Material,
    Side,
)
from service.platform.database import changing, reading
from service.platform.errors import NotFound
from service.platform.pages.forms import Form, Typed
from service.platform.pages.render import go_on, page, part, wants_part
from service.platform.permissions import Act, need

router = APIRouter(prefix="/designs/{design_id}")
SHOW, KEEP, READ = "show", "keep", "read"
HINTS = {
    Where.HEAD: "From the fixed end up to the first cell.",
    Where.CELL: "What every cell has, in order; its MEA among it.",
    Where.BETWEEN: "Between one cell and the next.",
    Where.TAIL: "From the last cell to the free end.",
}


@dataclass(frozen=True, slots=True)
class EditorPage:
    """The form of a pattern, the pile it makes, and what differs from the revision before."""

    design: DesignOnPage
    kept: KeptPattern
    form: Form
    items: dict[Where, int]
    designed: AsDesignedPile | None
    before: RevisionBefore | None
    differences: tuple[str, ...]
    types: tuple[KnownType, ...]
    problems: tuple[str, ...] = ()
    read_from: str = ""
    cursor: str = ""
    hints: Mapping[Where, str] = field(default_factory=lambda: HINTS)
    kinds: tuple[Kind, ...] = LAYER_KINDS
    sides: tuple[Side, ...] = tuple(Side)
    backs: tuple[Back, ...] = tuple(Back)
    joints: tuple[Joint, ...] = tuple(Joint)
    facings: tuple[Facing, ...] = tuple(Facing)
    materials: tuple[Material, ...] = tuple(Material)


@router.get("/pattern.toml")
def export(me: Me, database: Database, design_id: int) -> Response:
    """Give the pattern as a TOML file."""
    need(me, Act.READ)
    with reading(database) as session:
        kept = pattern_of_design(session, design_id)
    if kept.pattern is None:
        raise NotFound("pattern of design", kept.design)
    name = "".join(sign if sign.isalnum() and sign.isascii() else "-" for sign in kept.design)
    return Response(
        f"# {kept.design}: the order of the layers from the fixed end\n\n"
        + write_pattern(kept.pattern),
        media_type="application/toml; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{name}.toml"'},
    )


@router.get("/pattern")
def show(request: Request, me: Me, database: Database, design_id: int) -> Response:
    """Show the form of a design's pattern."""
    need(me, Act.DESIGN_WRITE)
    with reading(database) as session:
        shown = design(session, design_id)
        kept = pattern_of_design(session, design_id)
    usual = replace(USUAL, least_cells=shown.least_cells, most_cells=shown.most_cells)
    form = form_of_pattern(
        request,
        kept.pattern or usual,
        kept.on_each_rod,
        min(max(USUALLY_SHOWN, shown.least_cells), shown.most_cells),
    )
    return _editor(request, database, form, design_id)


@router.post("/pattern")
def edit(request: Request, me: Me, database: Database, form: Typed, design_id: int) -> Response:
    """Rearrange the list, show what it makes, read a file into it, or keep it."""
    need(me, Act.DESIGN_WRITE)
    do = form.kept("do") or SHOW
    if do == READ:
        problems, read_from = _read_file(form)
        return _editor(request, database, form, design_id, problems=problems, read_from=read_from)
    if do != KEEP:
        cursor = rearrange(form, do)
        return _editor(request, database, form, design_id, do=do, cursor=cursor)
    with form.keeping():
        entry, reason = read_pattern_form(form), form.text("reason")
        with changing(database, me, key=form.key) as work:
            work.answer = f"/designs/{design_id}#pattern"
            keep_pattern(work, design_id, entry, reason=reason)
        return go_on(request, work.answer)
    return _editor(request, database, form, design_id, do=KEEP)


def _editor(
    request: Request,
    database: Engine,
    form: Form,
    design_id: int,
    *,
    do: str = READ,
    cursor: str = "",
    problems: tuple[str, ...] = (),
    read_from: str = "",
) -> Response:
    with reading(database) as session:
        shown = design(session, design_id)
        kept = pattern_of_design(session, design_id)
        before = revision_before(session, shown)
        types = known_types(session)
    said = dict(form.refused)
    entry = pattern_or_none(form)
    if do not in {SHOW, KEEP}:
        form.refused = said  # whoever rearranges a list need not have filled it in yet
    context = EditorPage(
        shown,
        kept,
        form,
        {where: items_in(form, where) for where in Where},
        _drawn(form, entry.pattern, types, f"Pile of {kept.design} as designed") if entry else None,
        before,
        before.in_pattern(entry.pattern) if before and entry else (),
        types,
        problems,
        read_from,
        cursor,
    )
    status = form.status if do in {KEEP, READ} else 200
    if wants_part(request):
        name = "_pattern_shown.html" if do == SHOW else "_pattern_form.html"
        return part(request, f"designs/{name}", context, status)
    return page(request, "designs/pattern.html", context, status)


def _drawn(form: Form, pattern: Pattern, types: Sequence[KnownType], title: str) -> AsDesignedPile:
    text = form.kept("cells_shown").strip()
    asked = int(text) if text.isdigit() and len(text) < 6 else USUALLY_SHOWN
    cells = min(max(asked, pattern.least_cells), pattern.most_cells, MOST_CELLS)
    return as_designed(pattern, cells, types, title=title, is_slim=True)


def _read_file(form: Form) -> tuple[tuple[str, ...], str]:
    """Read a TOML file or text into the list; what is wrong with it, and what it was called."""
    files = form.files("file")
    name = (files[0].filename or "the file") if files else "what was pasted"
    if files:
        try:
            form.typed["toml"] = (files[0].file.read().decode("utf-8-sig"),)
        except UnicodeDecodeError:
            form.refused["file"] = f"{name} is no text in UTF-8. A TOML file would be right."
            return (), ""
    text = form.kept("toml")
    if not text.strip():
        form.refused["toml"] = "Nothing was chosen or pasted. A TOML file, or its text here."
        return (), ""
    try:
        pattern = read_pattern(text)
    except NotAPattern as trouble:
        number = len(trouble.problems)
        count = "one thing is" if number == 1 else f"{number} things are"
        form.refused["toml"] = f"{name} is no pattern yet: {count} wrong, listed here."
        return tuple(map(str, trouble.problems)), ""
    fill(form, pattern)
    form.typed["toml"] = ("",)
    return (), name
