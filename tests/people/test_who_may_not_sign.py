"""Who may not sign what: every signing act by every way of having had a part in a record.

Each way is somebody of their own with every role there is, so that nothing but their part in it
can be why they are refused. By page as by the function; no call of a machine signs at all.
"""

from collections.abc import Callable
from functools import partial
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.changes.approvals import approve, make_void, propose_void, send_back
from service.bench.changes.corrections import decide, propose
from service.bench.changes.proposals import approve_proposal
from service.bench.tables import Correction, CorrectionOf, CorrectionState
from service.limits.changes import approve_limits
from service.limits.tables import LimitSet
from service.operation.migrating import triggers
from service.people.tables import Role
from service.platform.database import changing
from service.platform.errors import NotAllowed, Refused
from service.platform.permissions import Person
from service.proof.changes.releases import release_build
from service.records.tables import RebuildRecord, TorqueReading
from service.store.tables import ChangeKind, ProposedChange
from tests import builders
from tests.bench import test_approvals as parts
from tests.bench.at_the_bench import known

Clients = Callable[..., Any]
WAYS = (
    parts._wrote,
    parts._handed_in,
    parts._worked,
    parts._witnessed,
    parts._was_named_once,
    parts._gave_a_concession,
    parts._accepted_a_departure,
    parts._made_an_entry,
    parts._undid_an_entry,
    parts._read_torque,
    parts._read_hours,
    parts._checked_make_safe,
    parts._witnessed_make_safe,
    parts._added_a_photo,
    parts._changed_its_head,
)
ONE_AT_A_TIME = {"_wrote", "_handed_in", "_made_an_entry", "_undid_an_entry", "_checked_make_safe"}
SIGNED = {"password": builders.PASSWORD}


class Waiting:
    """A record that waits, a correction of it, and somebody to try each act."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        with Session(engine) as session:
            stack = builders.a_stack(session, cells=2)  # may be a copy, triggers and all
            build = builders.a_build(session, stack, cells=2, approved=False)
            self.record_id, self.build_id = build.record_id, build.id
            self.reading_id = session.scalars(
                select(TorqueReading.id).where(TorqueReading.record_id == self.record_id)
            ).first()
            session.commit()
        with engine.begin() as connection:
            triggers().lift(connection)
        proposer = self.somebody()
        with changing(engine, proposer) as work:
            self.correction_id = propose(
                work,
                self.record_id,
                of=CorrectionOf.TORQUE,
                subject_id=self.reading_id,
                new_value="3.1",
                reason="misread",
            )

    def somebody(self) -> Person:
        with Session(self.engine) as session:
            person = known(session, builders.a_person(session, *Role))
            session.commit()
        return person

    def take_part(self, way: Any) -> Person:
        somebody = self.somebody()
        with Session(self.engine) as session:
            way(session, session.get_one(RebuildRecord, self.record_id), somebody)
            session.commit()
        return somebody

    def hash_of(self, table: Any, row_id: int) -> str:
        with Session(self.engine) as session:
            return str(session.get_one(table, row_id).content_sha256)

    @property
    def acts(self) -> dict[str, Callable[[Any], Any]]:
        """Every act by which somebody signs a record, or for what it tells of."""
        number, content = self.record_id, self.hash_of(RebuildRecord, self.record_id)
        corrected = self.hash_of(Correction, self.correction_id)
        return {
            "approve": lambda work: approve(work, number, content_sha256=content, **SIGNED),
            "send back": lambda work: send_back(work, number, reason="look again"),
            "make void": lambda work: make_void(work, number, **SIGNED),
            "release": lambda work: release_build(
                work, self.build_id, set_points_sha256="", **SIGNED
            ),
            "approve correction": lambda work: decide(
                work, self.correction_id, approve=True, content_sha256=corrected, **SIGNED
            ),
            "refuse correction": lambda work: decide(
                work,
                self.correction_id,
                approve=False,
                content_sha256=corrected,
                reason="no",
                **SIGNED,
            ),
        }

    @property
    def posts(self) -> dict[str, tuple[str, dict[str, str]]]:
        """The same acts as a browser sends them."""
        record, correction = f"/records/{self.record_id}", f"/corrections/{self.correction_id}"
        content = {"content_sha256": self.hash_of(RebuildRecord, self.record_id)}
        corrected = {"content_sha256": self.hash_of(Correction, self.correction_id)}
        return {
            "approve": (f"{record}/approve", content | SIGNED),
            "send back": (f"{record}/send-back", {"reason": "look again"}),
            "make void": (f"{record}/void", {"void_password": builders.PASSWORD}),
            "release": (f"/builds/{self.build_id}/release", {"acknowledged": "yes"} | SIGNED),
            "approve correction": (f"{correction}/approve", corrected | SIGNED),
            "refuse correction": (
                f"{correction}/refuse",
                corrected | {"reason": "no", "refusal_password": builders.PASSWORD},
            ),
        }


@pytest.mark.parametrize("way", WAYS, ids=lambda way: way.__name__.strip("_"))
def test_no_act_is_signed_by_somebody_with_a_part_in_it(engine: Engine, way: Any) -> None:
    waiting = Waiting(engine)
    somebody = waiting.take_part(way)

    for act in waiting.acts.values():
        refused = pytest.raises(NotAllowed, match="somebody else has to decide")
        with refused, changing(engine, somebody) as work:
            act(work)
    stranger = waiting.somebody()
    for name in ("make void", "release"):
        with pytest.raises(Refused), changing(engine, stranger) as work:
            waiting.acts[name](work)


@pytest.mark.both_engines
def test_no_page_lets_them_sign_either(
    app: Any, calling: Clients, new_client: Callable[[], Any]
) -> None:
    engine = app.state.engine
    waiting = Waiting(engine)
    ways = [way for way in WAYS if way.__name__ not in ONE_AT_A_TIME]
    people = {way.__name__: waiting.take_part(way) for way in ways}

    told = calling("builder").get(f"/api/v1/records/{waiting.record_id}").json()
    answers = {}
    for way, somebody in people.items():
        client = new_client()
        client.post("/sign-in", data={"login": somebody.login, "password": builders.PASSWORD})
        for act, (address, form) in waiting.posts.items():
            answers[way, act] = client.post(address, data=form).status_code

    assert {key: status for key, status in answers.items() if status != 403} == {}
    assert {somebody.login for somebody in people.values()} <= set(told["had_a_part"])
    with Session(engine) as session:
        assert session.get_one(Correction, waiting.correction_id).state is CorrectionState.WAITING


def test_whoever_proposes_signs_none_of_it(engine: Engine) -> None:
    """A correction, a void, limits, a stiffness, a rule, a pattern: the writer of each."""
    waiting = Waiting(engine)
    writer = waiting.somebody()
    with Session(engine) as session:
        design = builders.a_design(session)
        limits = LimitSet(
            design_id=design.id,
            version=1,
            content="{}",
            content_sha256="0" * 64,
            source="note 3",
            reason="first",
            made_by_id=writer.id,
            made_at=builders.START,
        )
        proposals = [
            ProposedChange(
                kind=kind,
                subject_id=1,
                subject_label="MEA",
                content="{}",
                content_sha256="0" * 64,
                changes="[]",
                source="",
                reason="report 7",
                made_by_id=writer.id,
                made_at=builders.START,
            )
            for kind in ChangeKind
        ]
        correction = session.get_one(Correction, waiting.correction_id)
        correction.written_by_id = writer.id
        session.add_all((limits, *proposals))
        session.flush()
        limit_set_id, proposal_ids = limits.id, [each.id for each in proposals]
        session.get_one(RebuildRecord, waiting.record_id).state = parts.RecordState.SENT_BACK
        session.commit()
    with changing(engine, writer) as work:
        propose_void(work, waiting.record_id, reason="wrong stack")
    acts: tuple[Callable[[Any], Any], ...] = (
        waiting.acts["approve correction"],
        waiting.acts["make void"],
        lambda work: approve_limits(work, limit_set_id, content_sha256="0" * 64, **SIGNED),
        *(
            partial(approve_proposal, proposal_id=each, content_sha256="0" * 64, **SIGNED)
            for each in proposal_ids
        ),
    )
    for act in acts:
        with pytest.raises(NotAllowed), changing(engine, writer) as work:
            act(work)


def test_no_machine_signs(app: Any) -> None:
    """No route of the API approves, releases, makes a record void, confirms or decides."""
    paths = [path for path in app.openapi()["paths"] if path.startswith("/api/")]

    assert len(paths) > 20
    words = ("approve", "release", "confirm-", "decide", "witness", "proposals", "send-back")
    assert [path for path in paths if any(word in path for word in words)] == []
    assert "/api/v1/records/{record_id}/void" not in paths
