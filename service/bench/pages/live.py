"""What the readings so far make of the stack, told at the bench while it is closed."""

from sqlalchemy.orm import Session

from service.bench.pages.places import BenchPage
from service.closing.arithmetic.closing import closing
from service.closing.arithmetic.closing_checks import ClosingCheck
from service.closing.pages.sheets import ClosingSheet, closing_sheet
from service.closing.queries.build_torques import UNOPENED
from service.closing.queries.closing_checks import checks_asked
from service.closing.queries.closing_inputs import closing_ground


def live_closing(page: BenchPage, session: Session) -> ClosingSheet | None:
    """The closing as computed now, nothing of it kept. Eight statements.

    None while the stack is not being closed, and where neither limits nor readings are there.
    """
    head = page.view.head
    is_opened = head.opened_at is not None or not head.opens
    if not page.pile.layers or not (is_opened or head.kind in UNOPENED):
        return None
    ground = closing_ground(session, head.id, page.pile)
    if ground.limits is None and not ground.inputs.readings:
        return None
    height = next(
        (
            one.entry.check.reading
            for one in checks_asked(page.view.entries, page.view.rods)
            if one.check is ClosingCheck.HEIGHT and one.entry and one.entry.check
        ),
        None,
    )
    return closing_sheet(
        closing(ground.inputs),
        ground.sizes,
        ground.inputs.figures.clamp,
        measured_mm=height,
        remarks=ground.remarks,
        passes=0 if head.kind in UNOPENED else ground.sizes.passes,
    )
