"""What is missing at hand-in takes a reason for each thing, which the record keeps."""

import html
import json
import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import replace
from functools import partial
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, select, update
from sqlalchemy.exc import DatabaseError, IntegrityError
from sqlalchemy.orm import Session

from service.bench.changes.approvals import send_back, take_up
from service.bench.changes.handing_in import hand_in
from service.bench.changes.layers import lift_off, put_on
from service.bench.queries.missing import to_be_reasoned
from service.closing.arithmetic.closing_checks import ClosingCheck
from service.closing.changes.checks import record_closing_check
from service.closing.changes.torque import read_torque
from service.limits.arithmetic.figures import DesignFigures, ShortFigures
from service.people.tables import Role
from service.physics.arithmetic.conditions import NOT_INSPECTED, FindingEntry
from service.platform.arithmetic.vocabulary import End, ReadingKind, Stage
from service.platform.database import Work, changing
from service.platform.errors import Question, Refused, RefusedTogether
from service.records.changes.bench_opening import close_stack
from service.records.queries.content import record_content, verify
from service.records.tables import Step, StepKind
from service.stacks.tables import Stack
from tests import builders
from tests.bench.at_the_bench import Bench, Lab, a_lab, known, what_is_missing
from tests.closing.closings import CLAMP, put_limits_in_force

KEYS = {
    "check-closed-height",
    "check-shorts",
    "check-sleeves",
    "check-thread-protrusion",
    "inspection",
    "settling",
    "test-shorts-of-cells",
}
HEIGHT, SHORTS = "Closing check not recorded: closed height.", "Not tested: shorts of cells."
FIGURES = DesignFigures(shorts=ShortFigures(), clamp=replace(CLAMP, settling_minutes=30.0))


@pytest.fixture
def closed(engine: Engine) -> Bench:
    """A rebuild closed in every pass by a design that asks for tests and checks; none is made."""
    lab = a_lab(engine, has_pattern=True)

    def figures(session: Session) -> None:
        put_limits_in_force(session, session.get_one(Stack, lab.stack_id).design_id, FIGURES)

    lab.rows(figures)
    record = lab.begin()
    record.open()
    (layer,) = record.pile.layers[-1:]
    record.do(lift_off, end=End.FREE, findings=(FindingEntry(NOT_INSPECTED),))
    record.do(put_on, end=End.FREE, part_id=layer.part)
    for number in (1, 2, 3):
        for rod in (1, 2, 3, 4):
            record.do(read_torque, **nut(record, rod, number))
    record.do(close_stack)
    return record


def nut(record: Bench, rod: int, number: int) -> dict[str, Any]:
    """The facts of one reading, as it should be."""
    return {
        "rod_number": rod,
        "pass_number": number,
        "stage": Stage.CLOSING,
        "kind": ReadingKind.SET,
        "entered": f"{min(3 * number, 9)}",
        "instrument_id": record.lab.driver_id,
    }


def kept(session: Session, number: int) -> list[tuple[str | None, str | None]]:
    """What the record names as not done, and why."""
    rows = session.execute(
        select(Step.deviation, Step.deviation_because)
        .where(Step.record_id == number, Step.kind == StepKind.NOT_DONE, Step.undone_at.is_(None))
        .order_by(Step.sequence)
    )
    return [(row.deviation, row.deviation_because) for row in rows]


def refusals_in(
    trouble: pytest.ExceptionInfo[Refused | RefusedTogether],
) -> tuple[Refused, ...]:
    """What was refused, one by one."""
    raised = trouble.value
    return raised.refusals if isinstance(raised, RefusedTogether) else (raised,)


def refused_in(trouble: pytest.ExceptionInfo[Refused | RefusedTogether]) -> set[str]:
    """The keys of what was refused."""
    return {each.field.removeprefix("not_done.") for each in refusals_in(trouble)}


def asked_by(trouble: pytest.ExceptionInfo[Refused | RefusedTogether]) -> set[str]:
    """The keys of what was asked, and nothing else was refused."""
    assert all(isinstance(each, Question) for each in refusals_in(trouble))
    return refused_in(trouble)


@pytest.mark.both_engines
def test_everything_missing_is_asked_at_once_and_kept_with_its_reason(closed: Bench) -> None:
    with pytest.raises(RefusedTogether) as trouble:
        closed.do(hand_in, not_done={})
    assert asked_by(trouble) == KEYS

    reasons = {key: f"why not {key}" for key in KEYS}
    closed.do(hand_in, not_done=reasons)

    with Session(closed.lab.engine) as session:
        said = dict(kept(session, closed.number))
        content = json.loads(record_content(session, [closed.number])[closed.number].canonical)
        assert verify(session, [closed.number])[closed.number].holds
        assert to_be_reasoned(what_is_missing(session, closed.number)) == ()
    assert len(said) == len(KEYS)
    assert said[HEIGHT] == "why not check-closed-height"
    assert said[SHORTS] == "why not test-shorts-of-cells"
    assert said["1 of 1 layers lifted off were not inspected."] == "why not inspection"
    assert said["No nut was read again after settling for 30\u2009min."] == "why not settling"
    frozen = [each for each in content["entries"] if each["kind"] == "not done"]
    assert {each["deviation"]["from"]: each["deviation"]["because"] for each in frozen} == said
    assert {each["written"]["by"] for each in frozen} == {closed.lab.builder.id}


@pytest.mark.both_engines
def test_the_database_holds_reason_and_entry(closed: Bench) -> None:
    """None without a reason; a record handed in keeps both as they were."""
    lab = closed.lab
    closed.do(hand_in)
    first = lab.rows(
        lambda s: s.scalars(select(Step).where(Step.kind == StepKind.NOT_DONE).limit(1)).one()
    )

    with pytest.raises(DatabaseError, match="frozen"):
        lab.rows(
            lambda s: s.execute(
                update(Step).where(Step.id == first.id).values(deviation_because="another")
            )
        )
    stack_id = lab.rows(lambda s: builders.a_stack(s, cells=1, serial="TARN-088")).id
    other = lab.begin(stack_id=stack_id)
    for what, because in (("No test.", ""), (None, None)):
        step = Step(
            record_id=other.number,
            sequence=1,
            kind=StepKind.NOT_DONE,
            standing=False,
            deviation=what,
            deviation_because=because,
            done_at=lab.now,
            written_at=lab.now,
            by_id=lab.builder.id,
        )
        with pytest.raises(IntegrityError, match="not_done_has_its_reason"):
            lab.rows(partial(Session.add, instance=step))


def _check_sleeves(closed: Bench, work: Work) -> None:
    record_closing_check(work, closed.number, None, check=ClosingCheck.SLEEVES)


def _settle(closed: Bench, work: Work) -> None:
    for rod in (1, 2, 3, 4):
        read_torque(work, closed.number, None, **nut(closed, rod, 4))


DO: Mapping[str, Callable[[Bench, Work], None]] = {
    "check-sleeves": _check_sleeves,
    "settling": _settle,
}


class TakenBack(Exception):  # noqa: N818 - no error
    """Ends an example: nothing of it is kept."""


@contextmanager
def taken_back(lab: Lab) -> Iterator[Work]:
    """A change of the builder of which nothing is kept."""
    with suppress(TakenBack), changing(lab.engine, lab.builder, now=lab.now) as work:
        yield work
        raise TakenBack


@settings(
    max_examples=25,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    done=st.sets(st.sampled_from(sorted(DO))),
    reasons=st.dictionaries(
        st.sampled_from(sorted(KEYS)), st.sampled_from(["", "  ", "no gauge", "next week"])
    ),
    is_whole=st.booleans(),
)
def test_it_passes_if_and_only_if_each_missing_thing_has_its_reason(
    closed: Bench, done: set[str], reasons: dict[str, str], is_whole: bool
) -> None:
    """Whatever was done and said; the record then names exactly what was missing."""
    missing = KEYS - done
    if is_whole:  # else seldom all of them have one
        reasons = {key: reasons.get(key, "").strip() or "another day" for key in missing}
    given_for = {key for key, reason in reasons.items() if reason.strip()}

    with taken_back(closed.lab) as work:
        for key in sorted(done):
            DO[key](closed, work)
        left = to_be_reasoned(what_is_missing(work.session, closed.number))
        assert {each.key for each in left} == missing
        if given_for == missing:
            hand_in(work, closed.number, None, not_done=reasons)
            said = [(each.sentence, reasons[each.key]) for each in left]
            assert sorted(kept(work.session, closed.number)) == sorted(said)
        else:
            with pytest.raises((Refused, RefusedTogether)) as trouble:
                hand_in(work, closed.number, None, not_done=reasons)
            assert refused_in(trouble) == missing ^ given_for
            assert kept(work.session, closed.number) == []


def test_a_reason_for_what_is_not_missing_is_refused_by_name(closed: Bench) -> None:
    reasons = closed.reasons() | {"check-slaves": "mistyped"}

    with pytest.raises(Refused, match="nothing of this name is missing") as trouble:
        closed.do(hand_in, not_done=reasons)

    assert trouble.value.field == "not_done.check-slaves"


def test_what_must_not_be_missing_is_refused_whatever_the_reason(engine: Engine) -> None:
    record = a_lab(engine).begin()

    with pytest.raises(RefusedTogether, match="The closing is not recorded"):
        record.do(hand_in, not_done={"closing": "left open"})


def test_taken_up_again_it_is_to_be_done_and_asked_again(
    closed: Bench, signed_in_client: Callable[..., Any]
) -> None:
    """The reasons given before are struck out, and stand ready where the thing is the same."""
    lab = closed.lab
    closed.do(hand_in)
    boss = lab.rows(lambda s: known(s, builders.a_person(s, Role.SUPERVISOR)))
    lab.do(send_back, closed.number, reason="check the sleeves", by=boss)
    lab.do(take_up, closed.number)

    closed.do(record_closing_check, check=ClosingCheck.SLEEVES)
    with pytest.raises(RefusedTogether) as trouble:
        closed.do(hand_in, not_done={})
    assert asked_by(trouble) == KEYS - {"check-sleeves"}
    shown = signed_in_client("builder").get(f"/records/{closed.number}/bench?at=handing-in").text
    assert re.search(r'id="not_done.settling"[^>]*>\nsettling: left for another day<', shown)
    closed.do(hand_in)

    with Session(lab.engine) as session:
        every = session.scalars(select(Step).where(Step.kind == StepKind.NOT_DONE)).all()
        assert verify(session, [closed.number])[closed.number].holds
    assert len([step for step in every if step.undone_at]) == len(KEYS)
    assert len([step for step in every if not step.undone_at]) == len(KEYS) - 1


# The page


def plain(page: str) -> str:
    """A page's words."""
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", page)))


def test_the_page_asks_on_one_form_keeps_what_is_typed_and_shows_it_ever_after(
    closed: Bench, signed_in_client: Callable[..., Any]
) -> None:
    client = signed_in_client("builder")
    at = f"/records/{closed.number}"
    shown = client.get(f"{at}/bench?at=handing-in").text

    assert "Ready to hand in" not in shown
    assert "Before hand-in: 1 test, 4 checks and 2 other things not recorded." in plain(shown)
    assert set(re.findall(r'<textarea id="not_done\.([a-z-]+)"', shown)) == KEYS
    version = closed.record.version
    typed = {"version": version, "not_done.settling": "due on the rig", "not_done.inspection": " "}
    refused = client.post(f"{at}/hand-in", data=typed)

    assert refused.status_code == 422
    assert ">\ndue on the rig</textarea>" in refused.text
    assert plain(refused.text).count("Do it first, or say why it is not done.") == len(KEYS) - 1
    assert "Not handed in: say why for each thing that is not done." in plain(refused.text)
    every = {f"not_done.{key}": "" for key in KEYS}
    every |= {"not_done.check-sleeves": "<b>seen</b> by two", "not_done.settling": "on the rig"}
    taken = client.post(f"{at}/hand-in", data={"version": version, **every, "same_reason": "yes"})

    assert taken.status_code == 303, plain(taken.text)
    with Session(closed.lab.engine) as session:
        because = dict(kept(session, closed.number))
    assert len(because) == len(KEYS)
    assert set(because.values()) <= {"<b>seen</b> by two", "on the rig"}
    for address in (at, f"{at}/approval"):
        page = client.get(address).text
        row = rf"{re.escape(SHORTS)} {re.escape(because[SHORTS] or '')}"
        assert re.search(row, plain(page)), address
        assert "<b>seen" not in page


def test_a_closed_stack_leads_to_its_tests(
    closed: Bench, signed_in_client: Callable[..., Any]
) -> None:
    """Never is it ready while something is open; every page of the bench counts it."""
    client = signed_in_client("builder")
    for place in ("", "?at=closing", "?at=torque", "?at=handing-in"):
        page = client.get(f"/records/{closed.number}/bench{place}").text
        assert "Ready to hand in" not in page
        assert f"Open before hand-in: <b>{len(KEYS)}</b>" in page
    shown = plain(client.get(f"/records/{closed.number}/bench").text)
    assert "The stack is closed. 1 test, 4 checks and 2 other things not recorded." in shown
    assert re.search(
        r'name="test" value="[^"]+"', client.get(f"/records/{closed.number}/bench").text
    )


# Machines


@pytest.mark.both_engines
def test_a_machine_is_told_all_keys_and_sends_the_reasons(
    calling: Callable[..., Any], closed: Bench
) -> None:
    client = calling("builder")
    address = f"/api/v1/records/{closed.number}/entries/hand-in"

    asked = client.post(address, json={})

    assert asked.status_code == 422
    fields = asked.json()["fields"]
    assert {each["field"] for each in fields} == {f"not_done.{key}" for key in KEYS}
    assert all(each["question"]["key"] == each["field"] for each in fields)
    assert {each["question"]["facts"]["missing"] for each in fields} >= {HEIGHT, SHORTS}
    taken = client.post(address, json={"not_done": dict.fromkeys(KEYS, "in the next shift")})
    assert taken.status_code == 201, taken.text
    entries = client.get(f"/api/v1/records/{closed.number}").json()["content"]["entries"]
    said = [each["deviation"] for each in entries if each["kind"] == "not done"]
    assert {"from": SHORTS, "because": "in the next shift"} in said
    assert len(said) == len(KEYS)


def test_a_whole_record_brings_its_reasons(calling: Callable[..., Any], engine: Engine) -> None:
    """Asked for all at once; without them nothing is written."""
    lab = a_lab(engine)
    client = calling("builder")
    driver = lab.rows(lambda s: builders.a_torque_instrument(s, label="TD-77").label)
    whole: dict[str, Any] = {
        "stack": "TARN-001",
        "kind": "re-torque",
        "reason": "after the first warm run",
        "performed_from": lab.now.isoformat(),
        "torque_at_closing": [
            {
                "rod_number": rod,
                "pass_number": 1,
                "torque_nm": 9.0,
                "instrument": driver,
                "taken_at": lab.now.isoformat(),
            }
            for rod in (1, 2)
        ],
        "hand_in": True,
    }

    asked = client.post("/api/v1/records", json=whole)
    made = client.post("/api/v1/records", json=whole | {"not_done": {"torque": "nut 3 is hidden"}})

    assert asked.status_code == 422
    assert [each["field"] for each in asked.json()["fields"]] == ["not_done.torque"]
    assert made.status_code == 201, made.text
    with Session(engine) as session:
        assert kept(session, made.json()["id"]) == [
            ("No closing torque reading at rods 3, 4.", "nut 3 is hidden")
        ]
