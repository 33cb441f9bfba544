"""Turning the pages of a list, there and back."""

from collections.abc import Callable
from typing import TypeVar

from service.platform.queries.lists import Listing, Turn

Row = TypeVar("Row")
MOST_PAGES = 100


def turned(read: Callable[[Turn], Listing[Row]], limit: int) -> tuple[list[Row], list[Row]]:
    """Give all rows of a list in its order: as read forwards, and as read from its end backwards.

    The first page has none before it, the last none after it, and each but the last is full.
    """
    pages = [read(Turn(limit))]
    assert not pages[0].back
    while pages[-1].further:
        assert len(pages[-1].rows) == limit
        pages.append(read(Turn(limit, pages[-1].further)))
        assert len(pages) < MOST_PAGES
    there = [row for page in pages for row in page.rows]
    back = [pages[-1]]
    while back[0].back:
        back.insert(0, read(Turn(limit, back[0].back)))
        assert back[0].further
        assert len(back) < MOST_PAGES
    return there, [row for page in back for row in page.rows]
