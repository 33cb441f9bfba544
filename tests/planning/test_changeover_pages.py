"""The pages of a changeover: wishes filled in, the plan looked at, kept, begun, followed."""

import html
import json
import re
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlencode

import pytest
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service.bench.changes.layers import lift_off, put_on
from service.physics.arithmetic.conditions import FindingEntry
from service.planning.queries.plans import Progress, progress
from service.planning.tables import ChangeoverPlan
from service.platform.arithmetic.vocabulary import End, Kind
from service.platform.database import changing, now_utc, reading
from service.platform.permissions import Person, Role
from service.records.changes.bench_opening import open_stack
from service.records.changes.deviations import Stands
from service.records.changes.make_safe import record_exception
from service.records.queries.working_piles import working_pile
from service.records.tables import RebuildRecord, Step
from service.stacks.tables import Layer, Stack
from service.store.tables import Hold, Lot, Part, PartType
from tests import builders
from tests.planning.test_changeover_plans import stock
from tests.ready import ready
from tests.stacks.test_stacks_pages import words

Clients = Callable[..., Any]
ADD_ONE = {"add_cells": "1", "add_where": "free end"}


@pytest.fixture
def lab(app: Any) -> None:
    """A stack of three cells whose design keeps a pattern, and parts in store for three more."""
    with Session(app.state.engine) as session:
        ready(session, lab, lambda: _stacks_and_parts(session))
        session.commit()


def _stacks_and_parts(session: Session) -> None:
    design = builders.a_design(session, pattern=builders.the_pattern(session))
    builders.a_stack(session, serial="TEL-4", cells=3, design=design)
    builders.a_stack(session, serial="TEL-5", cells=30, design=design)
    builders.a_stack(session, serial="PLAIN", cells=2)
    builders.a_stack(session, serial="NEW", design=design)
    stock(session)


def looked_at(client: Any, serial: str = "TEL-4", **wished: str) -> Any:
    """The page with the plan worked out."""
    return client.get(f"/stacks/{serial}/changeover?{urlencode({**wished, 'look': 'yes'})}")


def kept(client: Any, **more: str) -> str:
    """Keep a plan as the page offers it; the address of its sheet."""
    wished = {**ADD_ONE, **more}
    page = looked_at(client, **wished).text
    seen = re.search(r'name="seen" value="(\w+)"', page)
    assert seen
    answer = client.post(
        "/stacks/TEL-4/changeover", data={**wished, "seen": seen[1], "note": "more power"}
    )
    assert answer.status_code == 303, words(answer.text)
    address: str = answer.headers["location"]
    return address


def test_the_stacks_sheet_leads_to_the_form(signed_in_client: Clients, lab: None) -> None:
    client = signed_in_client("builder")

    assert 'href="/stacks/TEL-4/changeover"' in client.get("/stacks/TEL-4").text
    page = client.get("/stacks/TEL-4/changeover")
    assert page.status_code == 200
    assert "3 cells, 23 layers" in words(page.text)
    assert "Keep the plan" not in page.text


def test_a_plan_says_end_lists_height_rods_and_steps(signed_in_client: Clients, lab: None) -> None:
    """All that a builder needs at the bench, with the serials in store."""
    page = looked_at(signed_in_client("builder"), **ADD_ONE).text

    text = words(page)
    assert "End to open free end" in text
    assert "Open the free end:" in text
    for title in ("Pick list", "Lift off, in this order", "Must be renewed", "Steps"):
        assert title in text
    assert "M-NEW-1" in text
    assert "lot NEW gas gasket" in text
    assert "Height of the pile 47.2 mm (sum of the thicknesses as fitted" in text
    assert "of thread out of the nut" in text
    assert "Assumed The design does not say" in text
    assert "Caution: Stored clamp energy" in text
    assert page.count("<svg") >= 2
    assert "changeover plan" in text


def test_without_the_thickness_of_a_plate_no_thread_is_computed(
    app: Any, signed_in_client: Clients, lab: None
) -> None:
    """Nothing is computed from nought: the plan names what is missing and where to enter it."""
    with app.state.engine.begin() as connection:
        connection.execute(
            update(PartType)
            .where(PartType.kind == Kind.COMPRESSION_PLATE)
            .values(thickness_mm=None)
        )
    client = signed_in_client("builder")

    text = " ".join(words(looked_at(client, **ADD_ONE).text).split())
    assert "Missing: thickness of the compression plate" in text
    assert "enter it on its part type" in text
    assert "of thread out of the nut" not in text
    assert "these rods allow" not in text

    said = " ".join(words(looked_at(client, **ADD_ONE, clamped_mm="40").text).split())
    assert "of thread out of the nut" in said


@pytest.mark.parametrize(
    ("wished", "says"),
    [
        ({"add_cells": "2", "add_where": "fixed end"}, "End to open fixed end"),
        ({"add_cells": "1", "add_where": "before cell", "add_before": "2"}, "before cell 2"),
        ({"replace_cells": "3"}, "Replace cell 3, without their half plates."),
        ({"replace_cells": "2-3", "with_plates": "yes"}, "Replace cells 2, 3, with"),
        ({"replace_parts": "6"}, "Replace M-"),
        ({"remove_cells": "3", "plates": "its own"}, "Take out cell 3 with its own."),
        ({"move_cells": "3", "move_to": "TEL-5"}, "goes to TEL-5"),
        ({"split_after": "2", "split_to": "TEL-40"}, "The pile of TEL-40"),
    ],
)
def test_every_wish_gives_a_plan(
    signed_in_client: Clients, lab: None, wished: dict[str, str], says: str
) -> None:
    answer = looked_at(signed_in_client("builder"), **wished)

    assert answer.status_code == 200, words(answer.text)
    assert says in words(answer.text)


@pytest.mark.parametrize("typed", ["{}", "(21){}"])
def test_a_part_of_another_stack_is_taken_over(
    app: Any, signed_in_client: Clients, lab: None, typed: str
) -> None:
    """It is used before any in store, and the list says where it is."""
    with Session(app.state.engine) as session:
        other = session.scalars(select(Stack.id).where(Stack.serial == "TEL-5")).one()
        part = session.scalars(
            select(Part.serial)
            .where(Part.stack_id == other, Part.serial.like("M-%"))
            .order_by(Part.id)
        ).first()
    page = looked_at(signed_in_client("builder"), **ADD_ONE, take_over=typed.format(part)).text

    picks = words(page.partition('id="picks"')[2].partition("</table>")[0])
    assert str(part) in picks
    assert "fitted in TEL-5" in picks
    assert "M-NEW-1" not in picks


@pytest.mark.parametrize(
    ("wished", "field", "says"),
    [
        ({}, "wishes", "Nothing is wished for"),
        ({"add_cells": "none"}, "add_cells", "is not a whole number"),
        ({"add_cells": "1", "add_where": "before cell", "add_before": "9"}, "add_before", "1 to 4"),
        ({"replace_cells": "7"}, "replace_cells", "names a cell the stack does not have"),
        ({"replace_cells": "two"}, "replace_cells", "is no list of cells"),
        ({"replace_parts": "NOBODY"}, "replace_parts", "NOBODY is no part of this pile"),
        ({"replace_parts": "6 = NOBODY"}, "replace_parts", "No part bears NOBODY"),
        ({"remove_cells": "1-3"}, "wishes", "one must stay"),
        ({"move_cells": "3"}, "move_to", "has to be filled in"),
        ({"move_cells": "3", "move_to": "TEL-99"}, "move_to", "there is no such stack"),
        ({"move_cells": "3", "move_to": "tel-4"}, "move_to", "it is this stack itself"),
        ({"split_after": "3"}, "split_after", "1 to 2"),
        ({"add_cells": "1", "planned_for": "soon"}, "planned_for", "is not a date"),
        ({"add_cells": "1", "nut_mm": "-4"}, "nut_mm", "is out of range"),
        ({"blank_cells": "2", "remove_cells": "2"}, "wishes", "contradict each other"),
        ({"replace_cells": "2", "may_open": "middle"}, "may_open", "not one of the choices"),
    ],
)
def test_what_cannot_be_is_said_beside_its_field(
    signed_in_client: Clients, lab: None, wished: dict[str, str], field: str, says: str
) -> None:
    """Nothing typed is lost, and no plan is shown."""
    answer = looked_at(signed_in_client("builder"), **wished)

    assert answer.status_code == 422
    assert says in words(answer.text)
    for name, value in wished.items():
        if name not in {"add_where", "may_open"}:
            assert value in answer.text, name
    assert "Keep the plan" not in answer.text


def test_rods_too_short_are_refused_with_the_longest_stack(
    signed_in_client: Clients, lab: None
) -> None:
    client = signed_in_client("builder")
    answer = looked_at(client, **ADD_ONE, length_mm="108")

    assert "the longest stack these rods allow has 3 cells" in words(answer.text)
    assert "Keep the plan" not in answer.text
    refused = client.post(
        "/stacks/TEL-4/changeover", data={**ADD_ONE, "length_mm": "108", "note": "try"}
    )
    assert refused.status_code == 422
    assert "the longest stack these rods allow has 3 cells" in words(refused.text)


def test_what_stays_and_must_not_be_put_on_again_is_shown_with_the_offer_to_renew_it(
    app: Any, signed_in_client: Clients, lab: None
) -> None:
    """Held parts of cells a plan does not reach, before a plan is worked out and beside it."""
    with Session(app.state.engine) as session:
        stack_id = session.scalars(select(Stack.id).where(Stack.serial == "TEL-4")).one()
        first = session.scalars(
            select(Layer)
            .join(Part, Part.id == Layer.part_id)
            .join(PartType, PartType.id == Part.part_type_id)
            .where(Part.stack_id == stack_id, Layer.cell == 1, PartType.kind == Kind.MEA)
        ).one()
        position = first.position
        session.add(
            Hold(
                part_id=first.part_id,
                reason="a fold",
                placed_by_id=builders.a_person(session).id,
                placed_at=builders.START,
            )
        )
        session.commit()
    client = signed_in_client("builder")

    opened = client.get("/stacks/TEL-4/changeover").text
    beside = looked_at(client, **ADD_ONE).text

    for page in (opened, beside):
        assert f"1 × MEA: on hold: a fold (layer {position})" in words(page)
    assert "Plan to renew them" in words(opened)
    too = re.search(r'href="([^"]+)">Renew them too', beside)
    assert too
    renewed = client.get(html.unescape(too[1])).text
    assert "Renew them too" not in words(renewed)
    assert "Replace MEA" in words(renewed) or "Replace M" in words(renewed)


def test_a_stack_without_pattern_or_build_says_why(signed_in_client: Clients, lab: None) -> None:
    client = signed_in_client("builder")

    assert "keeps no pattern" in client.get("/stacks/PLAIN/changeover").text
    assert "no present build" in client.get("/stacks/NEW/changeover").text
    assert client.get("/stacks/NONE/changeover").status_code == 404
    assert client.get("/changeover-plans/99").status_code == 404


def test_a_plan_is_kept_with_its_reason_and_listed(
    app: Any, signed_in_client: Clients, lab: None
) -> None:
    client = signed_in_client("builder")
    address = kept(client, reserve="yes")

    page = client.get(address)
    text = words(page.text)
    assert page.status_code == 200
    assert "Reason more power" in text
    assert "intact" in text
    assert "M-NEW-1" in text
    assert f'href="{address}"' in client.get("/stacks/TEL-4").text
    assert "changeover plan" in words(client.get("/audit-trail").text)
    with Session(app.state.engine) as session:
        reserved = session.scalars(
            select(Part.serial).where(Part.reserved_for_stack_id.is_not(None))
        ).all()
    assert "M-NEW-1" in reserved


def test_a_reason_is_asked_for_and_the_wishes_stay(signed_in_client: Clients, lab: None) -> None:
    client = signed_in_client("builder")
    answer = client.post("/stacks/TEL-4/changeover", data={**ADD_ONE, "note": " "})

    assert answer.status_code == 422
    assert "has to be filled in" in answer.text
    assert 'name="add_cells" value="1"' in answer.text
    assert "Keep the plan" in answer.text


def test_a_plan_that_changed_meanwhile_is_shown_anew(
    app: Any, signed_in_client: Clients, lab: None
) -> None:
    client = signed_in_client("builder")
    seen = re.search(r'name="seen" value="(\w+)"', looked_at(client, **ADD_ONE).text)
    assert seen
    with Session(app.state.engine) as session:
        session.execute(update(Part).where(Part.serial == "M-NEW-1").values(usability="rejected"))
        session.commit()

    wished = {**ADD_ONE, "seen": seen[1], "note": "more power"}
    answer = client.post("/stacks/TEL-4/changeover", data=wished)

    assert answer.status_code == 422
    assert "has changed since the plan was shown" in answer.text
    assert "M-NEW-2" in answer.text
    assert seen[1] not in answer.text
    again = re.search(r'name="seen" value="(\w+)"', answer.text)
    assert again
    assert (
        client.post("/stacks/TEL-4/changeover", data={**wished, "seen": again[1]}).status_code
        == 303
    )


def test_a_record_is_begun_by_a_plan_and_shows_how_it_stands(
    app: Any, signed_in_client: Clients, lab: None
) -> None:
    client = signed_in_client("builder")
    address = kept(client)

    answer = client.post(f"{address}/begin", data={"performed_from": "2026-03-01 09:00"})

    assert answer.status_code == 303
    record = answer.headers["location"].removesuffix("/bench")
    with Session(app.state.engine) as session:
        row = session.scalars(select(ChangeoverPlan)).one()
        assert f"/records/{row.record_id}" == record
        assert session.get_one(RebuildRecord, row.record_id).reason == "more power"
    page = words(client.get(record).text)
    assert "By changeover plan 1" in page
    assert "Still to do:" in page
    assert "Nothing departs from the plan." in page
    assert "Start the rebuild record" not in client.get(address).text


def test_the_bench_follows_the_plan_and_shows_departures(
    app: Any, signed_in_client: Clients, lab: None
) -> None:
    client = signed_in_client("builder")
    begun = client.post(f"{kept(client)}/begin", data={"performed_from": "2026-03-01 09:00"})
    bench = begun.headers["location"]
    number = int(bench.removesuffix("/bench").rpartition("/")[2])
    at = datetime(2026, 3, 1, 10, 0, tzinfo=UTC)
    me = Person(client.person_id, "", "builder", frozenset({Role.BUILDER}))
    seen = [FindingEntry("not inspected")]

    def enter(entry: Callable[..., int], **given: Any) -> None:
        with changing(app.state.engine, me) as work:
            entry(work, number, None, **given)

    enter(record_exception, reason="a test opens it", done_at=at)
    enter(open_stack, opened_at=at, hours_unknown_because="a test")
    lifting = words(client.get(f"{bench}?at=lifting").text)
    stacking = words(client.get(f"{bench}?at=putting-on&end=free+end").text)
    enter(lift_off, end=End.FREE, findings=seen, done_at=at)
    after_one = words(client.get(f"{bench}?at=lifting").text)
    why: dict[str, Any] = {"stands": Stands.STANDS, "departs_because": "to look at its seal"}
    enter(lift_off, end=End.FIXED, findings=seen, done_at=at, **why)
    departed = words(client.get(f"{bench}?at=lifting").text)

    asked = re.search(r"Plan 1 ?: lift off (.+?), free end \((\d+) to lift off in all\)", lifting)
    assert asked
    assert "insulator plate" in asked[1]
    assert f"({int(asked[2]) - 1} to lift off in all)" in after_one
    assert "departed from the plan" not in after_one
    assert "complete by" not in stacking, "the plan wants one cell more than lies there"
    assert "1 departed from the plan" in departed
    assert "Lifted off though it was to stay: insulator plate" in departed


def next_words(client: Any, bench: str, **asked: str) -> str:
    """The biggest words of the bench, in plain text."""
    page = client.get(bench, params=asked).text
    found = re.search(r'<h2 class="next">(.*?)</h2>', page, re.DOTALL)
    assert found
    return words(found[1])


def test_the_biggest_words_follow_the_plan_to_its_end(
    app: Any, signed_in_client: Clients, lab: None
) -> None:
    """Off, on, then fixings: a place the work has gone past leads on, and orders nothing."""
    client = signed_in_client("builder")
    begun = client.post(f"{kept(client)}/begin", data={"performed_from": "2026-03-01 09:00"})
    bench = begun.headers["location"]
    number = int(bench.removesuffix("/bench").rpartition("/")[2])
    at = datetime(2026, 3, 1, 10, 0, tzinfo=UTC)
    me = Person(client.person_id, "", "builder", frozenset({Role.BUILDER}))
    seen = [FindingEntry("not inspected")]

    def enter(entry: Callable[..., int], **given: Any) -> None:
        with changing(app.state.engine, me) as work:
            entry(work, number, None, done_at=at, **given)

    def to_do() -> Progress:
        with reading(app.state.engine) as session:
            found = progress(session, number)
        assert found
        return found

    enter(record_exception, reason="a test opens it")
    with changing(app.state.engine, me) as work:
        open_stack(work, number, None, opened_at=at, hours_unknown_because="a test")
    while to_do().to_lift_off:
        assert next_words(client, bench).startswith("Lift off the ")
        enter(lift_off, end=to_do().to_lift_off[0].end, findings=seen)

    after = next_words(client, bench)
    assert after.startswith("Next at the free end: ")
    assert next_words(client, bench, at="lifting").startswith("Put on the ")
    assert 'at=putting-on">Go on: put on</a>' in client.get(f"{bench}?at=lifting").text

    wanted = to_do()
    layers = {layer.position: layer for layer in wanted.plan.document.after}
    with Session(app.state.engine) as session:
        for line in wanted.to_put_on:
            layer = layers[line.position]
            lot = select(Lot.id).where(Lot.label == layer.lot)
            what = {"part_id": layer.part} if layer.part > 0 else {"lot_id": session.scalar(lot)}
            enter(put_on, end=line.end, facing=layer.facing, **what)

    assert to_do().is_done
    led = "All layers are on. Fit plates, rods and nuts. Enter only what is new."
    assert next_words(client, bench, at="putting-on") == led
    assert 'at=fixings">Go on: fixings</a>' in client.get(f"{bench}?at=putting-on").text


def test_what_departs_from_the_plan_is_asked_about_and_kept(
    app: Any, calling: Callable[..., Any], signed_in_client: Clients, lab: None
) -> None:
    """On the page and by a machine, with the reason; the approval sheet lists it."""
    client = signed_in_client("builder")
    begun = client.post(f"{kept(client)}/begin", data={"performed_from": "2026-03-01 09:00"})
    bench = begun.headers["location"]
    number = int(bench.removesuffix("/bench").rpartition("/")[2])
    at = datetime(2026, 3, 1, 10, 0, tzinfo=UTC)
    me = Person(client.person_id, "", "builder", frozenset({Role.BUILDER}))
    seen = [FindingEntry("not inspected")]
    with changing(app.state.engine, me) as work:
        record_exception(work, number, None, reason="a test opens it", done_at=at)
        open_stack(work, number, None, opened_at=at, hours_unknown_because="a test")
        standing = progress(work.session, number)
        assert standing is not None
        for line in standing.to_lift_off:
            lift_off(work, number, None, end=line.end, findings=seen, done_at=at)
        after = {layer.position: layer for layer in standing.plan.document.after}
        for line in standing.to_put_on:
            layer = after[line.position]
            if layer.label == "M-NEW-1":
                break
            lots = work.session.scalars(select(Lot.id).where(Lot.label == layer.lot)).all()
            lot_id = lots[0] if layer.part < 0 else None
            scanned = "" if lot_id else layer.label
            given = {"lot_id": lot_id, "scanned": scanned, "facing": layer.facing}
            put_on(work, number, None, end=line.end, done_at=at, **given)
    given = {"end": line.end.value, "scanned": "M-NEW-2", "facing": layer.facing.value}

    def sent(**answer: str) -> Any:
        page = client.get(f"{bench}?at=putting-on&end=free+end").text
        version = re.findall(r'name="version" value="(\d+)"', page)[0]
        data = {"version": version, **given, **answer}
        return client.post(f"/records/{number}/put-on", data=data)

    asked = sent()
    machine = calling("builder").post(
        f"/api/v1/records/{number}/entries/put-on",
        json={**given, "done_at": at.isoformat()},
    )
    silent = sent(stands="stands")
    kept_ = sent(stands="stands", departs_because="M-NEW-1 fell")

    assert (asked.status_code, machine.status_code, silent.status_code) == (422, 422, 422)
    said = words(asked.text)
    assert "The plan wants something else here" in said
    assert "planned: MEA M-NEW-1" in said
    assert "now in store, accepted" in said
    assert "Not entered" not in said
    assert '<input type="hidden" name="scanned" value="M-NEW-2">' in asked.text
    question = machine.json()["fields"][0]["question"]
    assert (question["key"], question["answers"]) == ("stands", ["stands"])
    assert question["facts"]["planned part is now"] == "in store, accepted"
    assert 'name="departs_because"' in silent.text
    assert kept_.status_code == 303, words(kept_.text)
    with Session(app.state.engine) as session:
        step = session.scalars(select(Step).where(Step.deviation.is_not(None))).one()
    assert step.deviation_because == "M-NEW-1 fell"
    sheet = words(signed_in_client("supervisor").get(f"/records/{number}/approval").text)
    assert "departs from what was set" in sheet
    assert "M-NEW-1 fell" in sheet


def test_what_stays_by_the_plan_is_asked_about_before_it_is_lifted_off(
    app: Any, calling: Callable[..., Any], signed_in_client: Clients, lab: None
) -> None:
    """By scan, several at once and by a machine; what was seen of it is kept with the question."""
    client = signed_in_client("builder")
    begun = client.post(f"{kept(client)}/begin", data={"performed_from": "2026-03-01 09:00"})
    bench = begun.headers["location"]
    number = int(bench.removesuffix("/bench").rpartition("/")[2])
    at = now_utc()  # an exception stands for a day
    me = Person(client.person_id, "", "builder", frozenset({Role.BUILDER}))
    with changing(app.state.engine, me) as work:
        record_exception(work, number, None, reason="a test opens it", done_at=at)
        open_stack(work, number, None, opened_at=at, hours_unknown_because="a test")
    with reading(app.state.engine) as session:
        layers = working_pile(session, number).layers
    outermost, beneath = layers[:2]
    given = {"end": "fixed end", "part_id": str(outermost.part), "condition": "wet"}

    def sent(entry: str, **answer: str) -> Any:
        page = client.get(f"{bench}?at=lifting&end=fixed+end").text
        version = re.findall(r'name="version" value="(\d+)"', page)[0]
        return client.post(f"/records/{number}/{entry}", data={"version": version, **answer})

    asked = sent("lift", **given, where="port 2")
    several = sent(
        "lift-several", end="fixed end", part_id=str(beneath.part), condition="none seen"
    )
    machine = calling("builder").post(
        f"/api/v1/records/{number}/entries/lift",
        json={
            "end": "fixed end",
            "findings": [{"condition": "wet"}],
            "done_at": at.isoformat(),
        },
    )
    silent = sent("lift", **given, stands="stands")
    done = sent("lift", **given, stands="stands", departs_because="its seal weeps")

    assert [x.status_code for x in (asked, several, machine, silent)] == [422] * 4
    assert "The plan leaves it in: lift it off all the same?" in words(asked.text)
    assert f"plan 1 leaves insulator plate {outermost.label} where it is" in words(asked.text)
    assert '<input type="hidden" name="condition" value="wet">' in asked.text
    assert '<input type="hidden" name="where" value="port 2">' in asked.text
    assert "Not entered" not in words(asked.text)
    assert "The plan leaves some of them in" in words(several.text)
    assert f"{outermost.label}, " in words(several.text)
    assert beneath.label in words(several.text)
    assert machine.json()["fields"][0]["question"]["key"] == "stands"
    assert 'name="departs_because"' in silent.text
    assert done.status_code == 303, words(done.text)
    with Session(app.state.engine) as session:
        step = session.scalars(select(Step).where(Step.deviation.is_not(None))).one()
    assert step.deviation_because == "its seal weeps"
    for sheet in (f"/records/{number}/approval", f"/records/{number}"):
        shown = words(signed_in_client("supervisor").get(sheet).text)
        assert "Lifted off though it was to stay" in shown
        assert "its seal weeps" in shown


def test_a_record_that_cannot_begin_says_why(signed_in_client: Clients, lab: None) -> None:
    client = signed_in_client("builder")
    address = kept(client)

    for typed, says in (("", "have to be given"), ("2025-01-01 09:00", "was closed later")):
        answer = client.post(f"{address}/begin", data={"performed_from": typed})
        assert answer.status_code == 422
        assert says in answer.text
    assert client.post(f"{address}/begin", data={"performed_from": "2026-03-01 09:00"}).is_redirect
    answer = client.post(f"{address}/begin", data={"performed_from": "2026-03-01 09:00"})
    assert answer.status_code == 422
    assert "was begun by it" in answer.text


def test_readers_may_look_and_not_keep(signed_in_client: Clients, lab: None) -> None:
    client = signed_in_client("admin")

    answer = looked_at(client, **ADD_ONE)
    assert answer.status_code == 200
    assert "Keep the plan" not in answer.text
    assert client.post("/stacks/TEL-4/changeover", data={**ADD_ONE, "note": "x"}).status_code == 403


def test_a_plan_says_what_of_it_went_on_hold_since(signed_in_client: Clients, lab: None) -> None:
    """On its sheet and, once begun, at the bench; a lot as its parts."""
    client = signed_in_client("builder")
    address = kept(client)
    with Session(client.app.state.engine) as session:
        document = session.scalars(select(ChangeoverPlan.content)).one()
        picks = json.loads(document)["picks"]
        mea = session.get_one(Part, next(pick["part"] for pick in picks if pick["part"]))
        lot = session.scalars(
            select(Lot).where(Lot.label == next(p["lot"] for p in picks if not p["part"]))
        ).first()
        assert lot is not None
        who = builders.a_person(session, Role.QUALITY).id
        for subject in ({"part_id": mea.id}, {"lot_id": lot.id}):
            session.add(
                Hold(**subject, reason="a fold", placed_by_id=who, placed_at=builders.START)
            )
        serial, label = mea.serial, lot.label
        session.commit()
    said = (rf"{serial} at \d+: on hold: a fold\.", rf"lot {label} at [\d, ]+: on hold: a fold\.")

    sheet = words(client.get(address).text)
    begun = client.post(f"{address}/begin", data={"performed_from": "2026-03-01T08:00"})
    bench = words(client.get(begun.headers["location"]).text)

    for page in (sheet, bench):
        assert "Not to be put on by now" in page
        assert all(re.search(one, page) for one in said), page


def test_statements_are_as_many_for_a_small_pile_as_for_a_high_one(
    signed_in_client: Clients, lab: None, statements: Callable[..., Any]
) -> None:
    client = signed_in_client("builder")
    counts = []
    for serial in ("TEL-4", "TEL-5", "TEL-4"):
        with statements() as seen:
            assert looked_at(client, serial, **ADD_ONE).status_code == 200
        counts.append(len(seen))

    assert counts[1] == counts[2]
