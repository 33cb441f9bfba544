"""The pages of records: the list, a new one, its head, and the whole of one."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.bench.changes.bench import undo_last
from service.bench.changes.handing_in import hand_in
from service.bench.changes.layers import lift_off, put_on
from service.closing.changes.torque import read_torque
from service.operation.migrating import triggers
from service.physics.arithmetic.conditions import FindingEntry
from service.platform.arithmetic.vocabulary import End, Facing, Whereabouts
from service.records.changes.bench_opening import close_stack
from service.records.changes.make_safe import record_exception
from service.records.queries.content import verify
from service.records.tables import RebuildRecord, RecordPerson, RecordState, Step, StepKind
from service.store.tables import Part
from tests import builders
from tests.bench.at_the_bench import Bench, Lab, a_lab


def rows(app: Any, make: Callable[[Session], Any]) -> Any:
    """Make rows with the builders."""
    with Session(app.state.engine, expire_on_commit=False) as session:
        made = make(session)
        session.commit()
        return made


def new_record(client: Any, **typed: Any) -> Any:
    """Send the form of a new record."""
    given = {
        "stack": "TARN-001",
        "kind": "rebuild",
        "reason": "cell 1 is weak",
        "performed_from": "2026-03-01T08:00",
        "worked": client.person_id,
    }
    return client.post("/records/new", data={**given, **typed})


@pytest.fixture
def lab(app: Any) -> Lab:
    """A stack of two cells, with people and instruments."""
    return a_lab(app.state.engine)


def a_whole_record(lab: Lab) -> Bench:
    """A record with an entry of most kinds, one of them undone, handed in."""
    written = lab.begin()
    written.open()
    written.do(
        lift_off,
        end=End.FREE,
        findings=[FindingEntry("cracked", 2, "port air in", "a hair wide")],
        note="stuck",
    )
    written.lift()
    part = lab.rows(lambda s: builders.a_part(s, builders.the_part_types(s).mea_directional))
    written.do(put_on, end=End.FREE, scanned=part.serial, facing=Facing.FREE_END)
    written.do(undo_last)
    for torque in ("8.6", "9"):
        written.do(
            read_torque,
            rod_number=1,
            pass_number=3,
            stage="closing",
            kind="set",
            instrument_id=lab.driver_id,
            entered=torque,
        )
    written.do(close_stack, hours=121.0)
    written.do(hand_in)
    return written


def test_an_empty_list_says_what_belongs_there(signed_in_client: Callable[..., Any]) -> None:
    page = signed_in_client("builder").get("/records")

    assert page.status_code == 200
    assert "No record fits" in page.text
    assert 'href="/records/new"' in page.text


def test_the_list_is_filtered_by_state_stack_kind_person_and_date(
    lab: Lab, signed_in_client: Callable[..., Any]
) -> None:
    lab.begin()  # record 2; record 1 is the first build, approved
    client = signed_in_client("quality")

    def numbers(**asked: str) -> list[str]:
        text = client.get("/records", params=asked).text
        return [part.split('"')[0] for part in text.split('class="num"><a href="/records/')[1:]]

    assert numbers() == ["2", "1"]
    assert numbers(state="open") == ["2"]
    assert numbers(kind="first build") == ["1"]
    assert numbers(stack="tarn-00") == ["2", "1"]
    assert numbers(stack="TARN-9") == []
    assert numbers(person=str(lab.builder.id)) == ["2"]
    assert numbers(since="2026-02-20") == ["2"]
    assert numbers(until="2026-02-02") == ["1"]
    assert client.get("/records", params={"state": "lost"}).status_code == 422


def test_a_long_list_goes_on_with_older_ones(
    app: Any, signed_in_client: Callable[..., Any]
) -> None:
    def many(session: Session) -> None:
        stack = builders.a_stack(session, serial="TARN-001")
        for _ in range(60):
            record = builders.a_record(session, stack)
            record.state = RecordState.VOID

    rows(app, many)
    client = signed_in_client("builder")

    first = client.get("/records").text
    assert first.count('<th scope="row"') == 50
    older = first.split('rel="next"')[0].rsplit('href="', 1)[1].split('"')[0]
    second = client.get(older.replace("&amp;", "&")).text

    assert second.count('<th scope="row"') == 10
    assert 'rel="next"' not in second


def test_a_record_is_begun_from_a_stack_and_goes_on_at_the_bench(
    lab: Lab, signed_in_client: Callable[..., Any]
) -> None:
    client = signed_in_client("builder")
    form = client.get("/records/new", params={"stack": "tarn-001"}).text
    assert "build 1, closed" in form
    assert 'value="first build"' not in form

    answer = new_record(client, witnessed=lab.witness.id)

    assert answer.status_code == 303
    assert answer.headers["location"] == "/records/2/bench"
    with Session(lab.engine) as session:
        named = set(
            session.execute(
                select(RecordPerson.person_id, RecordPerson.involvement).where(
                    RecordPerson.record_id == 2
                )
            ).all()
        )
    assert {(person, how.value) for person, how in named} == {
        (client.person_id, "worked on it"),
        (lab.witness.id, "witnessed"),
    }


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"stack": "TARN-77"}, "there is no such stack"),
        ({"kind": "holiday"}, "is not one of the choices"),
        ({"kind": "first build"}, "was built before"),
        ({"reason": " "}, "This has to be filled in"),
        ({"performed_from": "soon"}, "is not a date and time"),
        ({"performed_from": "2020-01-01T08:00"}, "was closed later"),
        ({"performed_from": "2099-01-01T08:00"}, "it lies ahead"),
        ({"worked": "nobody"}, "“nobody” is nobody"),
        ({"worked": "99999"}, "nobody of that number is known"),
        ({"worked": ""}, "is nobody"),
    ],
)
def test_a_new_record_is_refused_and_what_was_typed_stays(
    lab: Lab, signed_in_client: Callable[..., Any], typed: dict[str, str], words: str
) -> None:
    answer = new_record(signed_in_client("builder"), **{"notes": "room 4", **typed})

    assert answer.status_code == 422
    assert words in answer.text
    assert "room 4</textarea>" in answer.text


def test_a_second_record_of_a_stack_is_refused_with_the_number_of_the_first(
    lab: Lab, signed_in_client: Callable[..., Any]
) -> None:
    lab.begin()

    answer = new_record(signed_in_client("builder"))

    assert answer.status_code == 422
    assert "record 2 (rebuild, open) of this stack is being written" in answer.text


def test_only_people_who_write_records_begin_one(
    lab: Lab, signed_in_client: Callable[..., Any]
) -> None:
    admin = signed_in_client("admin")

    assert admin.get("/records/new").status_code == 403
    assert new_record(admin).status_code == 403
    assert "/records/new" not in admin.get("/records").text


def test_the_whole_of_a_record_is_on_its_page(
    lab: Lab, signed_in_client: Callable[..., Any]
) -> None:
    number = a_whole_record(lab).number

    page = signed_in_client("quality").get(f"/records/{number}").text

    for words in (
        "cell 2 is weak",
        "Checks recorded complete at",
        "by Mara Ilves; conditions may have changed.",
        "witness",
        "<b>cracked</b>, severity 2, port air in: a hair wide",
        "none seen",
        '<s class="soft">8.60</s>',
        "read again",
        "9.00\u2009N·m",
        "No closing torque reading at rods 2, 3, 4.",
        "undone by Mara Ilves",
        "120\u2009h on the meter",
        "intact",
        "rebuild record",
        "not approved",
        "Say where 2 lifted parts went",
    ):
        assert words in page, words
    assert 'class="void"' in page
    assert f"/records/{number}/bench" not in page
    assert f"/records/{number}/corrections/new" in page


def test_a_record_changed_underneath_shows_as_broken(
    lab: Lab, signed_in_client: Callable[..., Any]
) -> None:
    number = a_whole_record(lab).number

    def tamper(session: Session) -> None:
        session.get_one(
            Step,
            session.scalars(
                select(Step.id).where(Step.record_id == number, Step.kind == StepKind.LIFTED_OFF)
            ).first(),
        ).part_id = 1

    with lab.engine.begin() as connection:
        triggers().lift(connection)
    lab.rows(tamper)

    page = signed_in_client("quality").get(f"/records/{number}").text

    assert "broken" in page
    assert "no longer those that were handed in" in page
    with Session(lab.engine) as session:
        assert not verify(session, [number])[number].holds


def test_a_page_asks_as_many_questions_of_a_long_record_as_of_a_short_one(
    app: Any, signed_in_client: Callable[..., Any], statements: Callable[[], Any]
) -> None:
    def two(session: Session) -> list[int]:
        stacks = [builders.a_stack(session, cells=cells) for cells in (1, 25)]
        for stack in stacks:
            builders.a_build(session, stack, cells=1)
        return list(session.scalars(select(RebuildRecord.id).order_by(RebuildRecord.id)))

    numbers = rows(app, two)
    client = signed_in_client("supervisor")
    counted = []

    for number in numbers:
        client.get(f"/records/{number}")
        with statements() as made:
            assert client.get(f"/records/{number}").status_code == 200
        counted.append(len(made))

    assert len(numbers) == 4
    assert counted[2] == counted[3]
    assert max(counted) <= 55


def test_the_head_is_changed_and_a_stale_form_comes_back_filled(
    lab: Lab, signed_in_client: Callable[..., Any]
) -> None:
    number = lab.begin().number
    client = signed_in_client("builder")
    form = client.get(f"/records/{number}/head").text
    assert "cell 2 is weak</textarea>" in form
    given = {
        "version": 1,
        "reason": "cell 2 leaks",
        "performed_from": "2026-02-22T12:20",
        "worked": lab.builder.id,
        "notes": "seen by two",
    }

    assert client.post(f"/records/{number}/head", data=given).status_code == 303
    stale = client.post(f"/records/{number}/head", data={**given, "notes": "mine"})

    assert stale.status_code == 409
    assert "builder at work: head changed" in stale.text
    assert "mine</textarea>" in stale.text
    assert 'name="version" value="2"' in stale.text
    again = client.post(f"/records/{number}/head", data={**given, "version": 2, "notes": "mine"})
    assert again.status_code == 303
    assert lab.get(RebuildRecord, number).notes == "mine"


def test_lifted_parts_are_said_to_be_somewhere_many_at_once(
    lab: Lab, signed_in_client: Callable[..., Any]
) -> None:
    number = a_whole_record(lab).number
    with Session(lab.engine) as session:
        parts = session.scalars(
            select(Part.id).where(Part.whereabouts == Whereabouts.LIFTED_OFF)
        ).all()
    client = signed_in_client("builder")
    url = f"/records/{number}/lifted"
    given = {"part_ids": parts, "whereabouts": "in store", "place": "tray 3"}

    refused = client.post(url, data=given)
    assert refused.status_code == 422
    assert 'value="tray 3"' in refused.text
    none = client.post(url, data={"whereabouts": "in store", "reason": "kept"})
    assert "Nothing is ticked" in none.text
    taken = client.post(url, data={**given, "reason": "kept for a look"})

    assert taken.status_code == 303
    assert {lab.get(Part, part).place for part in parts} == {"tray 3"}
    assert "without a place" in client.get(url).text


def test_a_record_of_a_number_that_is_not_there_is_not_found(
    signed_in_client: Callable[..., Any],
) -> None:
    client = signed_in_client("builder")

    for path in ("/records/77", "/records/77/bench", "/records/77/head", "/records/77/lifted"):
        assert client.get(path).status_code == 404
    assert client.get("/records/x").status_code in (404, 422)
    assert client.get("/records/99999999999999999999").status_code in (404, 422)


def test_an_entry_made_days_later_shows_both_dates(
    lab: Lab, signed_in_client: Callable[..., Any]
) -> None:
    late = lab.begin(performed_from=lab.now - timedelta(days=5))
    late.do(record_exception, reason="a test", done_at=lab.now - timedelta(days=5, minutes=-5))

    page = signed_in_client("quality").get(f"/records/{late.number}").text

    assert "entered later" in page
    assert "2026-02-17 14:25" in page
    assert "2026-02-22 14:20" in page
