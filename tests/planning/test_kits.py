"""What was picked for a record and not put on: returned, broken or not located."""

import re
from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.bench.changes.handing_in import hand_in
from service.platform.arithmetic.vocabulary import Usability, Whereabouts
from service.platform.database import reading
from service.platform.errors import Question, Refused, RefusedTogether
from service.records.tables import RebuildRecord, RecordKind, Step, StepKind
from service.store.changes.part_axes import find_again
from service.store.queries.forbids import forbids_of_parts
from service.store.tables import Part
from tests import builders
from tests.bench.at_the_bench import Bench, Lab, a_lab, what_is_missing
from tests.bench.test_bench_pages import rows
from tests.planning.test_changeover_plans import ONE_MORE, begun, lab, part_of, picked, stock

__all__ = ["lab"]


@pytest.fixture
def bench(lab: Lab) -> Bench:
    """A record begun by a plan whose stack was looked at and not opened after all."""
    bench = begun(lab)

    def not_opened(session: Session) -> None:
        session.get_one(RebuildRecord, bench.number).kind = RecordKind.INSPECTION

    lab.rows(not_opened)
    return bench


def serials(lab: Lab) -> dict[str, Part]:
    """The parts with serials the plan picks."""
    return {label: part_of(lab, label) for label in picked(lab, ONE_MORE) if "lot" not in label}


def said(lab: Lab, *fates: str) -> dict[str, str]:
    parts = sorted(serials(lab).values(), key=lambda part: part.serial or "")
    given = dict.fromkeys((f"kit-{part.id}" for part in parts), "returned")
    return given | dict(zip(given, fates, strict=False))


@pytest.mark.both_engines
def test_case_21_each_part_left_over_is_said_returned_broken_or_not_located(
    lab: Lab, bench: Bench
) -> None:
    parts = sorted(serials(lab).values(), key=lambda part: part.serial or "")
    reserved = parts[0].id

    def reserve(session: Session) -> None:
        session.get_one(Part, reserved).reserved_for_stack_id = lab.stack_id

    lab.rows(reserve)
    with reading(lab.engine) as session:
        missing = {each.key for each in what_is_missing(session, bench.number)}
    assert {f"kit-{part.id}" for part in parts} <= missing

    others = {key: why for key, why in bench.reasons().items() if not key.startswith("kit-")}
    answers = said(lab, "returned", "broken: cracked at a port", "not located")
    bench.do(hand_in, not_done=others | answers)

    after = [lab.get(Part, part.id) for part in parts]
    assert [part.whereabouts for part in after[:3]] == [
        Whereabouts.IN_STORE,
        Whereabouts.SCRAPPED,
        Whereabouts.MISSING,
    ]
    assert after[0].reserved_for_stack_id is None
    assert "cracked at a port" in after[1].notes
    with reading(lab.engine) as session:
        kept = session.scalars(
            select(Step.deviation_because).where(
                Step.record_id == bench.number, Step.kind == StepKind.NOT_DONE
            )
        ).all()
    assert {"returned", "broken: cracked at a port", "not located"} <= set(kept)


def test_case_21_nothing_said_is_asked_and_other_words_are_refused(lab: Lab, bench: Bench) -> None:
    others = {key: why for key, why in bench.reasons().items() if not key.startswith("kit-")}
    with pytest.raises((Question, RefusedTogether)) as asked:
        bench.do(hand_in, not_done=others)
    refusals = getattr(asked.value, "refusals", (asked.value,))
    assert {tuple(each.answers) for each in refusals} == {("returned", "broken", "not located")}

    with pytest.raises((Refused, RefusedTogether), match="does not say where it is"):
        bench.do(hand_in, not_done=others | said(lab, "somewhere"))


@pytest.mark.both_engines
def test_case_21_what_is_not_located_is_not_offered_and_found_again_by_one_act(
    lab: Lab,
) -> None:
    part = part_of(lab, "M-NEW-1")

    def lost(session: Session) -> None:
        session.get_one(Part, part.id).whereabouts = Whereabouts.MISSING

    lab.rows(lost)
    assert "M-NEW-1" not in picked(lab, ONE_MORE)
    with reading(lab.engine) as session:
        assert (
            "cannot be found"
            in forbids_of_parts(session, [part.id], stack_id=lab.stack_id)[part.id][0].sentence
        )

    lab.do(find_again, part.id, place="tray 4")

    found = lab.get(Part, part.id)
    assert (found.whereabouts, found.place) == (Whereabouts.IN_STORE, "tray 4")
    assert found.usability is Usability.NOT_INSPECTED
    with pytest.raises(Refused, match="not missing"):
        lab.do(find_again, part.id, place="tray 4")


def test_case_21_the_store_lists_what_cannot_be_found(
    app: Any, signed_in_client: Callable[..., Any], calling: Callable[..., Any]
) -> None:
    def make(session: Session) -> tuple[int, int]:
        mea = builders.the_part_types(session).mea
        lost = {"whereabouts": Whereabouts.MISSING}
        return (
            builders.a_part(session, mea, serial="M-LOST", **lost).id,
            builders.a_part(session, mea, serial="M-GONE", **lost).id,
        )

    first, second = rows(app, make)
    client = signed_in_client("builder")
    listed = client.get("/parts", params={"whereabouts": "cannot be found"}).text
    assert "M-LOST" in listed
    assert f"/parts/{first}/move" in listed
    assert "Found again" in client.get(f"/parts/{first}/move").text
    assert client.post(f"/parts/{first}/found", data={"place": ""}).status_code == 422

    client.post(f"/parts/{first}/found", data={"place": "tray 4"})
    calling("builder").post(f"/api/v1/parts/{second}/found", json={"place": "tray 5"})

    listed = client.get("/parts", params={"whereabouts": "cannot be found"}).text
    assert "M-LOST" not in listed
    assert "M-GONE" not in listed


def test_case_21_at_the_bench_it_is_chosen(app: Any, signed_in_client: Callable[..., Any]) -> None:
    lab = a_lab(app.state.engine, 3, has_pattern=True)
    lab.rows(stock)
    bench = begun(lab)

    def not_opened(session: Session) -> None:
        session.get_one(RebuildRecord, bench.number).kind = RecordKind.INSPECTION

    lab.rows(not_opened)
    client = signed_in_client("builder")
    at = f"/records/{bench.number}"
    page = client.get(f"{at}/bench?at=handing-in").text
    fields = set(re.findall(r'name="(not_done\.kit-\d+)"', page))
    assert len(fields) == len(serials(lab))
    assert 'value="not located"' in page
    assert "Before hand-in: 3 things not recorded." in page, "no check of a closing is asked for"
    assert "first reason goes for all" not in page, "where a part is has no common answer"

    version = bench.record.version
    others = {f"not_done.{key}": why for key, why in bench.reasons().items() if "kit-" not in key}
    asked = client.post(f"{at}/hand-in", data={"version": version, "same_reason": "yes", **others})
    assert asked.status_code == 422
    assert "which is not put on" in asked.text

    answers = dict.fromkeys(fields, "not located")
    done = client.post(f"{at}/hand-in", data={"version": version, **others, **answers})

    assert done.status_code == 303, done.text
    assert {part.whereabouts for part in serials_after(lab, fields)} == {Whereabouts.MISSING}


def serials_after(lab: Lab, fields: set[str]) -> list[Part]:
    return [lab.get(Part, int(field.rsplit("-", 1)[1])) for field in fields]
