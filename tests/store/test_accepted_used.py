"""Accepted used: what it rests on, how far it reaches, and what is asked beyond it."""

from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.exc import DatabaseError
from sqlalchemy.orm import Session

from service.life.queries.grounds import findings_to_rest_on
from service.planning.queries.working_out import used_up_parts
from service.platform.arithmetic.vocabulary import Facing, Usability
from service.platform.database import reading
from service.platform.errors import Refused
from service.records.queries.pile_checks import pile_check
from service.records.tables import Finding
from service.store.arithmetic.acceptance import Acceptance, Basis, misplaced
from service.store.changes.holds import Subject, lift_hold, place_hold
from service.store.changes.part_axes import judge_part
from service.store.queries.acceptances import acceptances_of
from service.store.tables import AcceptedUsed
from tests import builders
from tests.store.test_may_a_part_be_used import Opened

MEASURED = {"basis": Basis.MEASUREMENT, "thickness_mm": 0.41}


def accept(opened: Opened, **limits: Any) -> None:
    acceptance = Acceptance(**(MEASURED | limits))
    facts = {"usability": Usability.ACCEPTED_USED, "reason": "light table"}
    opened.by_quality(judge_part, opened.mea, acceptance=acceptance, **facts)


def findings(opened: Opened) -> str:
    """What the check says of the MEA once it is put back."""
    with reading(opened.lab.engine) as session:
        check = pile_check(session, opened.bench.number)
        sentences = [each.finding.sentence for each in check.judged]
    return " ".join(sentence for sentence in sentences if "accepted used" in sentence)


@pytest.mark.both_engines
def test_an_acceptance_is_kept_with_what_it_rests_on(engine: Engine) -> None:
    opened = Opened(engine)

    accept(opened, leak="0.2 mL/min", hours_h=120.0, until_hours_h=900.0)

    with Session(engine) as session:
        row = session.scalars(select(AcceptedUsed)).one()
        assert (row.basis, row.thickness_mm, row.leak) == (Basis.MEASUREMENT, 0.41, "0.2 mL/min")
        assert row.until_hours_h == 900.0
        row.until_hours_h = 9000.0
        with pytest.raises(DatabaseError, match="never changed"):
            session.flush()


@pytest.mark.parametrize(
    ("limits", "says"),
    [
        ({"basis": Basis.NOT_RECORDED}, "nobody said what it rests on"),
        ({"thickness_mm": None}, "nothing measured is given"),
        ({"cell_from": 4, "cell_to": 2}, "before the first cell"),
        ({"until_hours_h": -1.0}, "below zero|more than 0|above zero"),
    ],
)
def test_what_is_no_acceptance(engine: Engine, limits: dict[str, Any], says: str) -> None:
    with pytest.raises(Refused, match=says):
        accept(Opened(engine), **limits)


def test_a_used_part_is_not_accepted_without_a_word_on_what_it_rests_on(engine: Engine) -> None:
    opened = Opened(engine)

    with pytest.raises(Refused, match="nobody said what it rests on"):
        opened.by_quality(
            judge_part, opened.mea, usability=Usability.ACCEPTED_USED, reason="looks good"
        )


@pytest.mark.both_engines
def test_accepted_for_another_design_it_is_refused_at_the_bench(engine: Engine) -> None:
    opened = Opened(engine)
    other = opened.lab.rows(lambda s: builders.a_design(s).id)
    accept(opened, design_id=other)

    assert opened.causes() == ["accepted for another design"]
    with pytest.raises(Refused, match=r"accepted used for .* only"):
        opened.put_back()

    accept(opened, design_id=opened.stack.design_id)
    assert opened.causes() == []
    opened.put_back()


@pytest.mark.both_engines
@pytest.mark.parametrize(
    ("limits", "says"),
    [
        ({"until_openings": 0}, "until 0 openings, it has 1"),
        ({"until_hours_h": 5.0}, "until 5\u2009h, it has 20\u2009h"),
        ({"cell_from": 1, "cell_to": 1}, "accepted used for cells 1 to 1 only"),
        ({"until_openings": 9, "until_hours_h": 9000.0, "cell_from": 2, "cell_to": 2}, ""),
    ],
)
def test_beyond_its_limit_the_check_before_hand_in_asks(
    engine: Engine, limits: dict[str, Any], says: str
) -> None:
    opened = Opened(engine)
    accept(opened, **limits)

    opened.put_back()

    assert (says in findings(opened)) if says else (findings(opened) == "")


def test_the_same_anode_side_is_asked_for_only_where_it_is_known(engine: Engine) -> None:
    with pytest.raises(Refused, match="which way it lay before is not known"):
        accept(Opened(engine), same_anode_side=True)


@pytest.mark.parametrize(
    ("facing", "says"),
    [
        (Facing.FIXED_END, []),
        (Facing.FREE_END, ["to the fixed end only: now to the free end"]),
        (None, ["to the fixed end only: not noted which way"]),
    ],
)
def test_a_turned_part_lies_beyond_an_acceptance_with_the_same_anode_side(
    facing: Facing | None, says: list[str]
) -> None:
    kept = Acceptance(Basis.INSPECTION, same_anode_side=True)

    beyond = misplaced(kept, 1, facing, Facing.FIXED_END)

    assert [words.partition("marked face ")[2] for words in beyond] == says


def test_a_plan_renews_what_is_past_its_acceptance(engine: Engine) -> None:
    opened = Opened(engine)
    accept(opened, until_hours_h=5.0)

    with reading(engine) as session:
        worn = used_up_parts(session, [opened.mea], opened.lab.stack_id).worn

    assert worn[opened.mea].endswith("of 5\u2009h used")


@pytest.mark.both_engines
def test_a_part_is_judged_on_its_page_and_by_machine(
    app: Any, signed_in_client: Any, calling: Any
) -> None:
    with Session(app.state.engine) as session:
        part_id = builders.a_part(session, builders.the_part_types(session).mea).id
        session.commit()
    at = f"/parts/{part_id}/judge"
    client = signed_in_client("quality")
    typed = {"usability": "accepted used", "reason": "light table", "until_hours_h": "900"}

    assert "obody said what it rests on" in client.post(at, data=typed).text
    assert client.post(at, data=typed | {"basis": "inspection"}).status_code == 303
    assert "rests on inspection" in client.get(f"/parts/{part_id}").text
    assert "until 900\u2009h in all" in client.get(f"/parts/{part_id}").text

    sent = {"usability": "accepted used", "reason": "measured", "basis": "measurement"}
    api = f"/api/v1/parts/{part_id}/judgements"
    assert calling("quality").post(api, json=sent).status_code == 422
    assert calling("quality").post(api, json=sent | {"thickness_mm": 0.4}).status_code == 201
    assert calling("builder").post(api, json=sent).status_code == 403


@pytest.mark.both_engines
def test_a_finding_it_rests_on_is_that_very_finding(engine: Engine) -> None:
    opened = Opened(engine)
    seen = opened.lab.rows(lambda s: findings_to_rest_on(s, opened.mea))
    finding = opened.lab.rows(
        lambda s: s.scalars(select(Finding.id).where(Finding.part_id == opened.mea)).one()
    )
    assert [each.finding_id for each in seen] == [finding]

    for limits in ({}, {"finding_id": finding + 1}, {"basis": Basis.PAPERS, "finding_id": finding}):
        with pytest.raises(Refused, match="finding"):
            accept(opened, **({"basis": Basis.FINDING} | limits))
    accept(opened, basis=Basis.FINDING, finding_id=finding)

    with Session(engine) as session:
        assert acceptances_of(session, [opened.mea])[opened.mea].found_in == opened.bench.number
        row = session.scalars(select(AcceptedUsed)).one()
        session.add(
            AcceptedUsed(
                part_id=row.part_id,
                basis=Basis.PAPERS,
                finding_id=finding,
                same_anode_side=False,
                at=row.at,
            )
        )
        with pytest.raises(DatabaseError, match="a_finding_is_its_basis"):
            session.flush()


def test_a_hold_is_lifted_to_accepted_used_with_a_basis_and_a_limit_only(engine: Engine) -> None:
    opened = Opened(engine)
    hold = opened.by_quality(place_hold, Subject(opened.mea), reason="lot in doubt")

    def lift(acceptance: Acceptance | None) -> None:
        opened.by_quality(
            lift_hold,
            hold,
            reason="light table",
            judged=Usability.ACCEPTED_USED,
            acceptance=acceptance,
        )

    with pytest.raises(Refused, match="nobody said what it rests on"):
        lift(None)
    with pytest.raises(Refused, match="no limit is said"):
        lift(Acceptance(Basis.PAPERS))
    lift(Acceptance(Basis.PAPERS, until_openings=3))

    with Session(engine) as session:
        assert acceptances_of(session, [opened.mea])[opened.mea].until_openings == 3
