"""What machines can read: the same answers as on the pages, as JSON."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select, update
from sqlalchemy.orm import Session

from service.people.tables import ApiToken
from service.platform.tables import AuditEntry
from service.stacks.tables import Build, Layer
from service.store.tables import Instrument, Part
from tests import builders
from tests.closing import closings

Calling = Callable[..., Any]


def test_nobody_reads_without_a_token(client: Any) -> None:
    """A missing token is told with what would be right, as a problem of RFC 9457."""
    answer = client.get("/api/v1/stacks")

    assert answer.status_code == 401
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.headers["www-authenticate"].startswith("Bearer")
    assert "Authorization: Bearer" in answer.json()["detail"]


def test_a_revoked_token_opens_nothing(calling: Calling, engine: Engine) -> None:
    """A token stops with its revocation."""
    client = calling("builder")
    assert client.get("/api/v1/stacks").status_code == 200

    with Session(engine) as session:
        session.execute(update(ApiToken).values(revoked_at=builders.START))
        session.commit()

    assert client.get("/api/v1/stacks").status_code == 401


def test_the_layer_map_has_the_pile_in_order(calling: Calling, engine: Engine) -> None:
    """Positions count from the fixed end, the build and its record are named."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=3, serial="TARN 7")
        builders.a_release(session, session.scalars(select(Build)).one())
        rows = session.execute(select(Layer.position, Layer.part_id).order_by(Layer.position)).all()
        closed_at = builders.FIRST_CLOSING
        serial = stack.serial
        session.commit()

    answer = calling("quality").get(f"/api/v1/stacks/{serial.lower()}/layers").json()

    assert [(each["position"], each["part"]) for each in answer["layers"]] == [
        tuple(r) for r in rows
    ]
    assert answer["build"]["number"] == 1
    assert answer["build"]["state"] == "released"
    assert answer["build"]["closed_at"].startswith(closed_at.isoformat()[:16])
    assert answer["content_holds"] is True


def test_the_layer_map_on_a_date_before_the_first_build_is_empty(
    calling: Calling, engine: Engine
) -> None:
    """A stack had no pile before it was built."""
    with Session(engine) as session:
        builders.a_stack(session, cells=3, serial="TARN-7")
        session.commit()
    before = (builders.FIRST_CLOSING - timedelta(days=300)).isoformat()

    answer = calling("quality").get("/api/v1/stacks/TARN-7/layers", params={"on": before}).json()

    assert answer["build"] is None
    assert answer["layers"] == []


def test_a_measured_thickness_and_how_closely_a_tool_measures_are_told(
    calling: Calling, engine: Engine
) -> None:
    """In mm, in % of the reading and in the tool's unit; nothing said is null, not zero."""
    with Session(engine) as session:
        driver = builders.a_torque_instrument(session, label="TD-9")
        stack = builders.a_stack(session, cells=1)
        builders.a_build(session, stack)
        session.flush()
        mea = builders.the_part_types(session).mea.id
        part = session.scalars(select(Part).where(Part.part_type_id == mea)).first()
        assert part is not None
        part.measured_thickness_mm = 0.48
        session.execute(update(Instrument).values(accuracy_percent=4.0))
        serial = part.serial
        assert driver.resolution is None
        session.commit()
    client = calling("quality")

    told = client.get(f"/api/v1/parts/{serial}/history").json()
    tools = client.get(f"/api/v1/parts/{serial}/trace").json()["builds"][0]["torques"]

    assert told["part"]["measured_thickness_mm"] == 0.48
    (tool,) = tools["instruments"]
    assert (tool["accuracy_percent"], tool["resolution"]) == (4.0, None)


@pytest.mark.both_engines
def test_history_and_trace_of_an_mea(calling: Calling, engine: Engine) -> None:
    """An MEA kept over two builds tells both, with who built them and its lots."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=3)
        builders.a_build(session, stack, hours=120.0)
        mea = session.scalars(
            select(Part)
            .join(Layer, Layer.part_id == Part.id)
            .where(Layer.cell == 2, Part.part_type_id == builders.the_part_types(session).mea.id)
        ).first()
        serial = mea.serial
        session.commit()
    client = calling("quality")

    history = client.get(f"/api/v1/parts/{serial}/history").json()
    trace = client.get(f"/api/v1/parts/{serial}/trace").json()

    assert [sat["build_number"] for sat in history["sittings"]] == [1, 2]
    assert history["hours"]["hours"] == 120.0
    assert history["events"]["load_cycles"] == 2
    assert [build["sitting"]["build_number"] for build in trace["builds"]] == [1, 2]
    assert trace["builds"][0]["at_work"]["written_by"]
    assert trace["builds"][0]["torques"]["rods"]
    assert {lot["kind"] for lot in trace["lots"]} == {"gasket"}
    assert all(lot["total"] > lot["fitted"] > 0 for lot in trace["lots"]), "renewed ones count too"


def test_an_unknown_serial_is_told_by_its_name(calling: Calling) -> None:
    """404 names what was asked for."""
    answer = calling("quality").get("/api/v1/parts/NO-SUCH/history")

    assert answer.status_code == 404
    assert "NO-SUCH" in answer.json()["detail"]


@pytest.mark.both_engines
def test_records_and_the_trail(calling: Calling, engine: Engine) -> None:
    """Records come newest first; a record's content is the JSON that was hashed."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=2)
        builders.a_build(session, stack)
        session.commit()
    client = calling("supervisor")

    listed = client.get("/api/v1/records", params={"limit": 1}).json()
    first = listed["rows"][0]
    record = client.get(f"/api/v1/records/{first['id']}").json()
    older = client.get("/api/v1/records", params={"before": listed["before"]}).json()

    assert first["state"] == "approved"
    assert first["content_holds"] is True
    assert record["content_holds"] is True
    assert len(record["content_sha256"]) == 64
    assert record["content"]
    assert len(older["rows"]) == 1


def test_the_trail_is_paged_by_number(calling: Calling, engine: Engine) -> None:
    """Each page goes on where the last one ended."""
    client = calling("builder")
    with Session(engine) as session:
        builders.a_stack(session, cells=0, serial="T-1")
        session.commit()
    for day in (1, 2, 3):
        taken_at = (builders.START + timedelta(days=day)).isoformat()
        answer = client.post(
            "/api/v1/stacks/T-1/hours", json={"hours": 10 * day, "taken_at": taken_at}
        )
        assert answer.status_code == 201, answer.text

    newest = client.get("/api/v1/audit", params={"limit": 2}).json()
    rest = client.get("/api/v1/audit", params={"older": newest["older"]}).json()

    assert [entry["act"] for entry in newest["entries"]] == ["hours:read"] * 2
    assert len(rest["entries"]) == 1
    assert newest["entries"][0]["via"] == "api"
    with Session(engine) as session:
        assert len(session.scalars(select(AuditEntry.id)).all()) == 3


def test_health_says_how_the_database_stands(client: Any) -> None:
    """Anybody may ask; it names the migration."""
    answer = client.get("/health")

    assert answer.status_code == 200
    assert answer.json()["state"] == "ready"
    assert answer.json()["migration"]


def test_the_limits_a_stack_is_judged_by_are_told(calling: Calling, engine: Engine) -> None:
    """Null until a version is approved, then its figures with who put them in force."""
    with Session(engine) as session:
        design_id = builders.a_stack(session, cells=2, serial="TARN-7").design_id
        session.commit()
    client = calling("builder")
    assert client.get("/api/v1/stacks/TARN-7/limits").json() is None

    with Session(engine) as session:
        kept = closings.put_limits_in_force(session, design_id)
        sha256 = kept.content_sha256
        session.commit()

    answer = client.get("/api/v1/stacks/TARN-7/limits").json()
    assert (answer["version"], answer["content_sha256"]) == (1, sha256)
    assert answer["figures"]["clamp"]["nut_factor"] == 0.2


def test_the_floor_tells_machines_what_the_page_tells_people(
    calling: Calling, engine: Engine
) -> None:
    """Stacks that need somebody first; roles, where to go, and whether the caller may."""
    with Session(engine) as session:
        builders.a_stack(session, cells=2, serial="TARN-1")
        waiting = builders.a_stack(session, serial="TARN-2")
        builders.a_build(session, waiting, cells=1, approved=False)
        session.commit()
    client = calling("builder")

    told = client.get("/api/v1/floor", params={"limit": 1}).json()
    rest = client.get("/api/v1/floor", params={"after": told["after"]}).json()
    mine = client.get("/api/v1/floor", params={"mine": True}).json()

    assert (told["stacks"], told["needing"], told["mine"]) == (2, 1, 0)
    (row,) = told["rows"]
    assert (row["stack"]["serial"], row["stack"]["cells"]) == ("TARN-2", 1)
    assert row["last_approved"] is None
    (need,) = row["needs"]
    assert (need["kind"], need["roles"]) == ("record waiting", ["supervisor"])
    assert (need["you_may"], need["why_not"]) == (False, "This needs the role supervisor.")
    assert need["address"].startswith("/records/")
    assert [it["stack"]["serial"] for it in rest["rows"]] == ["TARN-1"]
    assert rest["rows"][0]["last_approved"]["number"] == 1
    assert mine["rows"] == []
