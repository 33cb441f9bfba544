"""What belongs to no noun: the first page and the icon browsers ask for by themselves."""

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse

from service.people.pages.signing_in import HOME, Me

router = APIRouter()


@router.get("/")
def first_page(me: Me) -> Response:  # noqa: ARG001 - only who is signed in goes on
    """Begin at the floor."""
    return RedirectResponse(HOME, status_code=303)


@router.get("/favicon.ico", include_in_schema=False)
def icon(request: Request) -> Response:
    """Lead old browsers to the icon."""
    static = request.app.state.templates.globals["static"]
    return RedirectResponse(static("icon.svg"), status_code=308)
