"""Set up your lab: from the first admin to the first record, step by step."""

from fastapi import APIRouter, Request, Response

from service.overview.queries.setup import set_up
from service.people.pages.signing_in import Database, Me
from service.platform.database import reading
from service.platform.pages.render import page
from service.platform.permissions import Act, need

router = APIRouter()


@router.get("/setup")
def show(request: Request, me: Me, database: Database) -> Response:
    """Show the steps, which are open, and who may do them."""
    need(me, Act.READ)
    with reading(database) as session:
        setup = set_up(session)
    return page(request, "overview/setup.html", {"steps": setup.steps, "done": setup.done})
