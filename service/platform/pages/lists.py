"""A list on a page: which of its pages is asked for, and the addresses of those beside it."""

from dataclasses import dataclass
from typing import Generic, TypeVar

from fastapi import Request

from service.platform.pages.forms import Form
from service.platform.queries.lists import CURSOR, Listing, Turn
from service.settings import Settings

Row = TypeVar("Row")


@dataclass(frozen=True, slots=True)
class Shown(Generic[Row]):
    """One page of a list as a template shows it; ``back`` and ``further`` are addresses."""

    rows: tuple[Row, ...]
    back: str
    further: str
    total: int | None


def turn_asked(request: Request, query: Form, name: str = CURSOR) -> Turn:
    """Read which page of a list an address asks for; a second list of a page has its ``name``."""
    settings: Settings = request.app.state.settings
    return Turn(settings.page_rows, query.raw(name)[:1000])


def shown(
    request: Request, listing: Listing[Row], name: str = CURSOR, *, at: str = "", **parameters: str
) -> Shown[Row]:
    """Return a page of a list with the addresses of those beside it.

    ``parameters`` is added to what the address asks for; ``at`` is where on the page it is.
    """

    def address(cursor: str) -> str:
        url = request.url.include_query_params(**parameters, **{name: cursor})
        return f"{url.path}?{url.query}{at and '#' + at}" if cursor else ""

    return Shown(listing.rows, address(listing.back), address(listing.further), listing.total)
