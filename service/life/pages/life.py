"""Life by group: how long MEAs of a lot, type, supplier or design live unfailed."""

from fastapi import APIRouter, Request, Response

from service.life.pages.life_sheets import LEVELS, life_sheet
from service.life.queries.life_rows import Choice, designs_with_stacks, mea_types
from service.life.queries.lives_of_groups import GroupBy, lives_of_groups
from service.people.pages.signing_in import Database, Me
from service.platform.database import reading
from service.platform.pages.forms import Asked, Form
from service.platform.pages.render import page
from service.platform.permissions import Act, need

router = APIRouter(prefix="/life")
USUAL_LEVEL = "0.95"


@router.get("")
def show(request: Request, me: Me, database: Database, asked: Asked) -> Response:
    """Show shares unfailed by group, and whether the groups differ."""
    need(me, Act.READ)
    by = asked.choice("by", GroupBy, required=False) or GroupBy.LOT
    level = asked.one_of("level", [value for value, _ in LEVELS], required=False) or USUAL_LEVEL
    with reading(database) as session:
        types, designs = mea_types(session), designs_with_stacks(session)
        type_ids = _asked_for(asked, "part_type", types) or [one.id for one in types]
        design_id = next(iter(_asked_for(asked, "design", designs)), None)
        found = lives_of_groups(session, by, type_ids, design_id)
    sheet = life_sheet(asked, found, float(level), types, designs)
    return page(request, "life/show.html", sheet, asked.status)


def _asked_for(asked: Form, name: str, choices: tuple[Choice, ...]) -> list[int]:
    """The one chosen, if one was."""
    text = asked.one_of(name, [str(one.id) for one in choices], required=False)
    return [int(text)] if text else []
