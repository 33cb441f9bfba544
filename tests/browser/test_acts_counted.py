"""A ten-cell rebuild by its plan, with the scanner as the hand, every act counted.

An act is a scan or a press. Nobody's "nothing found" is given by default.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.people.tables import Person as PersonRow
from service.planning.arithmetic.options import ReplaceCells
from service.planning.changes import begin_record_from_plan, make_plan
from service.planning.queries.plans import Progress, progress
from service.planning.queries.working_out import Ask
from service.platform.arithmetic.vocabulary import End, Facing
from service.platform.database import changing, reading
from service.platform.permissions import Person
from service.records.changes.bench_opening import open_stack
from service.records.changes.make_safe import record_exception
from service.records.tables import Finding
from tests import builders
from tests.bench.at_the_bench import known
from tests.browser.looking import look

pytestmark = pytest.mark.browser

TABLET = {"width": 820, "height": 1180, "has_touch": True}
CELLS = 10
BEGAN = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)


@dataclass
class Counted:
    """One page at the bench; each scan and each press is counted."""

    page: Page
    acts: int = 0

    def scan(self, code: str) -> None:
        """Let the scanner type a code, wherever the cursor stands."""
        self.acts += 1
        expect(self.page.locator("#bench :focus")).to_have_count(1)
        with self.page.expect_response(lambda answer: answer.request.method == "POST"):
            self.page.keyboard.type(code)
            self.page.keyboard.press("Enter")

    def press(self, selector: str) -> None:
        """Press a button."""
        self.acts += 1
        with self.page.expect_response(lambda answer: answer.request.method == "POST"):
            self.page.locator(selector).first.click()


def a_stack(session: Session, serial: str, by: int) -> tuple[int, Person]:
    """A guided stack of ten cells, in store what a plan to renew its first MEA wants; who works."""
    types = builders.the_part_types(session)
    design = builders.a_design(session, pattern=builders.the_pattern(session))
    builders.a_part(session, types.mea, serial=f"{serial}-M")
    for part_type in (types.gas_gasket, types.coolant_gasket):
        builders.a_lot(session, part_type, label=f"{serial} {part_type.name}", quantity=200)
    stack = builders.a_stack(session, serial=serial, cells=CELLS, design=design, meter_hours=100.0)
    return stack.id, known(session, session.get_one(PersonRow, by))


@pytest.mark.night
@pytest.mark.parametrize(("labelled", "most"), [(False, 1.5), (True, 1.1)])
def test_few_acts_take_a_layer_off_and_put_one_on(
    new_page: Callable[..., Page],
    sign_in: Callable[..., Any],
    served_at: str,
    rows: Callable[..., Any],
    lab: Any,
    *,
    labelled: bool,
    most: float,
) -> None:
    """Two acts for a layer off; 1.5 for one on, 1.1 where its faces bear labels."""
    serial = f"TARN-ACT{int(labelled)}"
    page = new_page(**TABLET)
    me = sign_in(page, "builder", name=f"Mara Ilves {serial}")
    stack_id, by = rows(lambda s: a_stack(s, serial, me))
    ask = Ask((ReplaceCells((1,), with_plates=False),), BEGAN.date(), may_open=(End.FREE,))
    with changing(lab, by) as work:
        plan = make_plan(work, stack_id=stack_id, ask=ask, note="cell 1 is weak")
        record = begin_record_from_plan(work, plan, performed_from=BEGAN)
        record_exception(work, record, None, reason="a count of acts", done_at=BEGAN)
        open_stack(work, record, None, opened_at=BEGAN, hours_unknown_because="no display")

    def to_do() -> Progress:
        with reading(lab) as session:
            found = progress(session, record)
        assert found
        return found

    page.goto(f"{served_at}/records/{record}/bench")
    bench = Counted(page)
    planned = to_do()
    before = {layer.position: layer for layer in planned.plan.document.before}
    for line in planned.to_lift_off:
        layer = before[line.position]
        expect(page.locator(".next")).to_contain_text(layer.label)
        bench.scan(layer.label)
        expect(page.locator(".next")).to_contain_text("What is seen?")
        bench.press("#entry button[name=condition][value='none seen']")
    off = bench.acts / len(planned.to_lift_off)
    look(page, f"acts-off-{labelled}")
    expect(page.locator(".next")).to_contain_text("Next at the free end")

    bench.acts = 0
    after = {layer.position: layer for layer in planned.plan.document.after}
    lays = to_do().to_put_on
    for lay in lays:
        layer = after[lay.position]
        turned = layer.facing is not Facing.EITHER
        code = layer.label if layer.part > 0 else layer.lot or ""
        if turned and labelled:
            face = "FACE" if layer.facing.value == lay.end.value else "BACK"
            bench.scan(f"{code}:{face}")
        else:
            bench.scan(code)
            if turned:
                expect(page.locator(".next")).to_contain_text("Which way")
                bench.scan(f"DO:{layer.facing.value.upper()}")
        expect(page.locator(".answer.right")).to_be_visible()
    on = bench.acts / len(lays)
    look(page, f"acts-on-{labelled}")

    assert to_do().is_done
    assert not to_do().departures
    expect(page.locator(".next")).to_contain_text("All layers are on.")
    assert off <= 2
    assert on <= most
    with Session(lab) as session:
        said = select(Finding.condition).where(Finding.record_id == record)
        assert session.scalars(said).all().count("none seen") == len(planned.to_lift_off)
