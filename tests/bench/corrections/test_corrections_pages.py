"""The pages on which corrections are chosen, written and decided."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from typing import Any
from urllib.parse import quote

import pytest
from sqlalchemy import select, text
from sqlalchemy.orm import Session

from service.bench.queries.corrections import Fact, correctable
from service.bench.tables import Correction, CorrectionOf, CorrectionState
from service.operation.migrating import triggers
from service.platform.arithmetic.vocabulary import Kind
from service.stacks.tables import BuildPeriod
from service.store.tables import Part
from tests import builders

OF = CorrectionOf


@dataclass
class Lab:
    """A stack with one approved build, and everybody who has something to do with a correction."""

    app: Any
    record_id: int
    builder: Any
    quality: Any

    def fact(self, of: CorrectionOf, kind: Kind | None = None) -> Fact:
        with Session(self.app.state.engine) as session:
            facts = correctable(session, self.record_id).facts
        return next(
            fact
            for fact in facts
            if fact.of is of and (kind is None or fact.details.kind is kind)  # type: ignore[union-attr]
        )

    def write(self, fact: Fact, new_value: str, **given: str) -> Any:
        data = {
            "of": fact.of.value,
            "subject": str(fact.subject_id),
            "new_value": new_value,
            "reason": "misread",
        } | given
        return self.builder.post(f"/records/{self.record_id}/corrections/new", data=data)

    def written(self, fact: Fact, new_value: str, **given: str) -> int:
        answer = self.write(fact, new_value, **given)
        assert answer.status_code == 303, answer.text
        return int(answer.headers["location"].rsplit("/", 1)[1])

    def decide(self, number: int, way: str, by: Any = None, **given: str) -> Any:
        name = "password" if way == "approve" else "refusal_password"
        with Session(self.app.state.engine) as session:
            sha256 = session.get_one(Correction, number).content_sha256
        data = {"content_sha256": sha256, name: builders.PASSWORD} | given
        return (by or self.quality).post(f"/corrections/{number}/{way}", data=data)

    def state(self, number: int) -> CorrectionState:
        with Session(self.app.state.engine) as session:
            return session.get_one(Correction, number).state

    def rows(self, make: Callable[[Session], Any]) -> Any:
        with Session(self.app.state.engine, expire_on_commit=False) as session:
            made = make(session)
            session.commit()
            return made

    def spare(self, kind: str = "mea", **given: Any) -> Part:
        return self.rows(
            lambda s: builders.a_part(s, getattr(builders.the_part_types(s), kind), **given)
        )


@pytest.fixture
def lab(app: Any, signed_in_client: Callable[..., Any]) -> Lab:
    with Session(app.state.engine) as session:
        record_id = builders.a_build(session, builders.a_stack(session), cells=2).record_id
        session.commit()
    return Lab(
        app,
        record_id,
        signed_in_client("builder", name="Jo Hale"),
        signed_in_client("quality", name="Ines Falk"),
    )


def words(answer: Any) -> str:
    """The page's text without its marks."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", answer.text))


def test_the_facts_of_a_record_are_listed_to_choose_from(lab: Lab) -> None:
    page = lab.builder.get(f"/records/{lab.record_id}/corrections/new")
    mea = lab.fact(OF.LAYER_PART, Kind.MEA)

    assert page.status_code == 200
    assert mea.old_value in page.text
    assert f"of={quote('part in a layer')}&amp;subject={mea.subject_id}" in page.text
    for of in (OF.LAYER_FACING, OF.TORQUE, OF.TORQUE_INSTRUMENT, OF.CLOSED_AT):
        assert of.value.capitalize() in page.text
    titles = re.findall("<summary><b>(.*?)</b>", page.text)
    assert "Entry of a torque reading" in titles
    assert len(titles) == len(set(titles))


def test_a_record_being_written_is_not_corrected(lab: Lab) -> None:
    record_id = lab.rows(
        lambda s: (
            builders.a_record(s, builders.a_stack(s, cells=1), performed_from=builders.START).id
        )
    )

    page = lab.builder.get(f"/records/{record_id}/corrections/new")

    assert "What is wrong in it is undone and entered again" in page.text


FORMS = (
    *(OF.LAYER_PART, OF.LAYER_FACING, OF.FIXING, OF.TORQUE, OF.TORQUE_INSTRUMENT),
    *(OF.CLOSED_AT, OF.PERSON),
)


@pytest.mark.parametrize("of", FORMS)
def test_each_fact_has_its_form_with_the_old_value(lab: Lab, of: CorrectionOf) -> None:
    fact = lab.fact(of)

    page = lab.builder.get(
        f"/records/{lab.record_id}/corrections/new",
        params={"of": of.value, "subject": fact.subject_id, "field": fact.field},
    )

    assert page.status_code == 200
    assert "2026-02-02 14:20" in page.text if fact.at else fact.old_value in page.text
    assert 'name="new_value"' in page.text


@pytest.mark.parametrize(
    "query",
    [
        {"of": "torque reading", "subject": "99999"},
        {"of": "time of opening", "subject": "1"},
        {"of": "part in a layer", "subject": "0"},
    ],
)
def test_a_fact_that_is_not_there_leads_nowhere(lab: Lab, query: dict[str, str]) -> None:
    address = f"/records/{lab.record_id}/corrections/new"

    assert lab.builder.get(address, params=query).status_code == 404
    assert lab.builder.post(address, data=query | {"new_value": "1"}).status_code == 404
    assert lab.builder.get("/records/999/corrections/new").status_code == 404


def test_strange_addresses_are_answered(lab: Lab) -> None:
    address = f"/records/{lab.record_id}/corrections/new"

    assert lab.builder.get(address, params={"of": "nonsense", "subject": "x"}).status_code < 500
    assert lab.builder.post(address, data={"of": "nonsense", "subject": "x"}).status_code == 404


def test_from_a_misread_serial_to_a_corrected_layer_map(lab: Lab) -> None:
    """Proposed by a builder, looked at and signed by the quality lead."""
    lab.spare(serial="M-77")
    fact = lab.fact(OF.LAYER_PART, Kind.MEA)
    number = lab.written(fact, "M-77", reason="label worn")

    sheet = lab.quality.get(f"/corrections/{number}")
    seen = words(sheet)
    assert "Effect if approved" in seen
    assert f"where {fact.old_value} is" in seen
    assert "count for M-77 and no longer for" in seen
    assert "label worn" in seen
    assert "What your signature means." in seen
    assert '<dl class="titleblock"' in sheet.text
    assert f'href="/corrections/{number}">Review' in lab.quality.get("/approvals").text

    answer = lab.decide(number, "approve")

    assert (answer.status_code, answer.headers["location"]) == (303, f"/corrections/{number}")
    assert lab.state(number) is CorrectionState.APPROVED
    done = words(lab.quality.get(f"/corrections/{number}"))
    assert "Effect if approved" not in done
    assert "), quality, " in done
    assert "fitted in TARN-001" in done
    record = lab.builder.get(f"/records/{lab.record_id}")
    assert f"/corrections/{number}" in record.text
    assert "M-77" in lab.builder.get("/stacks/TARN-001").text


def test_what_cannot_be_is_refused_beside_the_field(lab: Lab) -> None:
    answer = lab.write(lab.fact(OF.LAYER_PART, Kind.MEA), "NO-SUCH", reason="label worn")

    assert answer.status_code == 422
    assert "No part bears this serial" in words(answer) or "no part bears" in words(answer)
    assert 'value="NO-SUCH"' in answer.text
    assert "label worn" in answer.text


def test_of_several_parts_with_one_serial_one_is_chosen(lab: Lab) -> None:
    right = lab.spare("mea", serial="M-5")
    lab.spare("mea_directional", serial="M-5")
    fact = lab.fact(OF.LAYER_PART, Kind.MEA)

    asked = lab.write(fact, "M-5")
    assert asked.status_code == 422
    assert f'name="part_id" value="{right.id}"' in asked.text
    number = lab.written(fact, "M-5", part_id=str(right.id))

    assert lab.decide(number, "approve").status_code == 303


def test_a_reason_is_asked_for(lab: Lab) -> None:
    answer = lab.write(lab.fact(OF.TORQUE), "3.5", reason="")

    assert answer.status_code == 422
    assert 'id="wrong-reason"' in answer.text


def test_a_new_value_that_departs_is_asked_about_beside_what_was_typed(lab: Lab) -> None:
    fact = lab.fact(OF.TORQUE)

    asked = lab.write(fact, "4")
    number = lab.written(fact, "4", stands="stands", outside_because="the nut is at its stop")

    assert asked.status_code == 422
    assert "its band 2.25 to 3.75 N·m" in words(asked)
    assert 'name="stands" value="stands"' in asked.text
    assert 'value="4"' in asked.text
    sheet = words(lab.quality.get(f"/corrections/{number}"))
    assert "It stands because: the nut is at its stop." in sheet


def test_times_are_typed_and_shown_in_the_labs_zone(lab: Lab) -> None:
    fact = lab.fact(OF.CLOSED_AT)
    number = lab.written(fact, "2026-02-02T13:50")

    page = words(lab.quality.get(f"/corrections/{number}"))
    assert "2026-02-02 14:20" in page
    assert "2026-02-02 13:50" in page
    assert "2026-02-02 13:50" in words(lab.quality.get("/approvals"))
    lab.decide(number, "approve")

    with Session(lab.app.state.engine) as session:
        closed_at = session.scalars(
            select(BuildPeriod.closed_at).where(BuildPeriod.known_until.is_(None))
        ).one()
    assert closed_at == builders.FIRST_CLOSING - timedelta(minutes=30)


def test_nobody_decides_on_their_own(lab: Lab, signed_in_client: Callable[..., Any]) -> None:
    lab.builder = signed_in_client("builder", "quality", "supervisor", "admin")
    number = lab.written(lab.fact(OF.TORQUE), "3.5")

    page = lab.builder.get(f"/corrections/{number}")

    assert "You wrote this yourself" in page.text
    assert "/approve" not in page.text
    assert lab.decide(number, "approve", by=lab.builder).status_code == 403
    assert lab.state(number) is CorrectionState.WAITING


def test_a_refusal_is_signed_with_its_reason(lab: Lab) -> None:
    number = lab.written(lab.fact(OF.TORQUE), "3.5")

    without = lab.decide(number, "refuse")
    wrong = lab.decide(number, "refuse", reason="the slip says 3", refusal_password="no")
    answer = lab.decide(number, "refuse", reason="the slip says 3")

    assert (without.status_code, wrong.status_code, answer.status_code) == (422, 422, 303)
    assert 'id="wrong-refusal_password"' in wrong.text
    assert "the slip says 3" in wrong.text
    assert lab.state(number) is CorrectionState.REFUSED
    assert "the slip says 3" in lab.builder.get(f"/corrections/{number}").text


def test_a_wrong_password_approves_nothing(lab: Lab) -> None:
    number = lab.written(lab.fact(OF.TORQUE), "3.5")

    answer = lab.decide(number, "approve", password="no")

    assert answer.status_code == 422
    assert 'id="wrong-password"' in answer.text
    assert lab.state(number) is CorrectionState.WAITING


def test_what_stands_against_it_by_now_is_shown(lab: Lab) -> None:
    right = lab.spare(serial="M-77")
    number = lab.written(lab.fact(OF.LAYER_PART, Kind.MEA), "M-77")

    def elsewhere(session: Session) -> None:
        stack = builders.a_stack(session, serial="TARN-009")
        laid = builders.a_pile(session, stack, 1, meas=[session.get_one(Part, right.id)])
        builders.a_build(session, stack, laid=laid)

    lab.rows(elsewhere)

    page = lab.quality.get(f"/corrections/{number}")
    assert "It cannot be carried out as things stand." in page.text
    assert "TARN-009" in page.text
    assert f"/corrections/{number}/approve" not in page.text
    assert lab.decide(number, "approve").status_code == 422


def test_a_correction_changed_underneath_shows_as_broken(lab: Lab) -> None:
    number = lab.written(lab.fact(OF.TORQUE), "3.5")
    with lab.app.state.engine.begin() as connection:
        triggers().lift(connection)
        connection.execute(text("UPDATE correction SET new_number = 5"))

    page = lab.quality.get(f"/corrections/{number}")

    assert "this is no longer what was written" in page.text
    assert f"/corrections/{number}/approve" not in page.text
    assert "broken" in lab.quality.get("/approvals").text


def test_a_waiting_fact_offers_no_second_correction(lab: Lab) -> None:
    fact = lab.fact(OF.TORQUE)
    lab.written(fact, "3.5")

    assert "a correction waits" in lab.builder.get(f"/records/{lab.record_id}/corrections/new").text
    assert lab.write(fact, "5").status_code == 422


def test_the_same_proposal_sent_twice_is_one(lab: Lab) -> None:
    fact = lab.fact(OF.TORQUE)

    first = lab.write(fact, "3.5", entry_key="once")
    second = lab.write(fact, "3.5", entry_key="once")

    assert first.headers["location"] == second.headers["location"]
    with Session(lab.app.state.engine) as session:
        assert len(session.scalars(select(Correction.id)).all()) == 1


def test_only_workers_write_corrections(lab: Lab, signed_in_client: Callable[..., Any]) -> None:
    lab.builder = signed_in_client("admin")

    assert lab.builder.get(f"/records/{lab.record_id}/corrections/new").status_code == 403
    assert lab.write(lab.fact(OF.TORQUE), "3.5").status_code == 403


def test_there_is_no_such_correction(lab: Lab) -> None:
    assert lab.quality.get("/corrections/99").status_code == 404
    assert lab.quality.post("/corrections/99/approve", data={"password": "x"}).status_code == 404


def test_statements_do_not_grow_with_the_stack(lab: Lab, statements: Callable[[], Any]) -> None:
    """The sheet of a correction in a stack of 12 cells takes as many as in one of two."""
    larger = Lab(lab.app, 0, lab.builder, lab.quality)
    larger.record_id = lab.rows(
        lambda s: builders.a_build(s, builders.a_stack(s), cells=12).record_id
    )
    counts = []
    for each in (lab, larger):
        serial = each.spare().serial
        number = each.written(each.fact(OF.LAYER_PART, Kind.MEA), serial or "")
        with statements() as seen:
            assert lab.quality.get(f"/corrections/{number}").status_code == 200
        with statements() as chosen:
            lab.builder.get(f"/records/{each.record_id}/corrections/new")
        counts.append((len(seen), len(chosen)))

    assert counts[0] == counts[1]
