"""The gate to hydrogen: verdicts of a build, its set points, the signature that opens it."""

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Path, Request, Response
from sqlalchemy import Engine

from service.people.pages.signatures import signing
from service.people.pages.signing_in import Database, Me
from service.platform.database import changing, reading
from service.platform.pages.forms import Form, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, Answer, Person, may, need
from service.proof.changes import release_build
from service.proof.queries.releases import Gate, gate

router = APIRouter(prefix="/builds")
Number = Annotated[int, Path(ge=1, le=2**31)]


@dataclass(frozen=True, slots=True)
class ReleasePage:
    """The gate of one build; ``decides`` says whether this person may open it, or why not."""

    gate: Gate
    decides: Answer
    form: Form


@router.get("/{build_id}/release")
def show(request: Request, me: Me, database: Database, build_id: Number) -> Response:
    """Show what stands at the gate of a build."""
    need(me, Act.READ)
    return _sheet(request, database, me, blank(request), build_id)


@router.post("/{build_id}/release")
def release(
    request: Request, me: Me, database: Database, form: Typed, build_id: Number
) -> Response:
    """Release a build to hydrogen."""
    password = form.kept("password")
    read = form.kept("set_points_sha256") if form.kept("acknowledged") == "yes" else ""
    with form.keeping():
        with signing(request, database, me, password), changing(database, me, key=form.key) as work:
            work.answer = f"/builds/{build_id}/release"
            release_build(work, build_id, set_points_sha256=read, password=password)
        return go_on(request, work.answer)
    return _sheet(request, database, me, form, build_id)


def _sheet(request: Request, database: Engine, me: Person, form: Form, build_id: int) -> Response:
    with reading(database) as session:
        found = gate(session, build_id)
    context = ReleasePage(found, may(me, Act.BUILD_RELEASE, found.facts), form)
    return page(request, "proof/releases/show.html", context, form.status)
