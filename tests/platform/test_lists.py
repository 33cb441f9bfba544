"""Every list turns its pages there and back, on pages and in the API, by one cursor."""

import pkgutil
import re
from collections.abc import Callable, Iterator
from datetime import timedelta
from html import unescape
from importlib import import_module
from typing import Any

import pytest
from sqlalchemy import Engine, Table, UniqueConstraint
from sqlalchemy.orm import InstrumentedAttribute, Session

import service
from service.bench.tables import Correction, CorrectionOf, CorrectionState
from service.limits.tables import LimitSet
from service.platform.errors import Refused
from service.platform.queries.lists import Order, Turn, from_keys
from service.platform.tables import AuditEntry
from service.records.tables import Decision, Meaning, RecordState
from service.runs.tables import Run, RunKind
from service.store.tables import Concession, Hold, Lot, Part
from tests import builders
from tests.ready import ready
from tests.stacks.test_stacks_pages import Clients

ROWS = 5
LIMIT = 2
A_ROW = re.compile(r'<th scope="row"[^>]*>(.*?)</th>', re.DOTALL)
HANDED_IN = re.compile(r"record (\d+)</a>, [^<]*</th><td><a[^>]*>[^<]*</a></td><td>no new build")
A_READING = re.compile(r'<td class="num">1</td>\n<td class="num">(.*?)</td>', re.DOTALL)
A_STACK = re.compile(r'<a class="serial" href="(/stacks/[^"/]+)"')


@pytest.fixture
def lab(engine: Engine) -> None:
    """Five of everything that is listed."""
    with Session(engine) as session:
        ready(session, lab, lambda: _five_of_everything(session))
        session.commit()


def _five_of_everything(session: Session) -> None:
    types = builders.the_part_types(session)
    by = builders.a_person(session, "supervisor").id
    stacks = [builders.a_stack(session, serial=f"S-{n}", cells=1) for n in range(ROWS)]
    for number in range(ROWS):
        builders.a_lot(session, types.mea, label=f"M-{number}")
        record = builders.a_record(session, stacks[number])
        builders.hand_in(session, record, builders.FIRST_CLOSING)
        sent_back = builders.a_record(session, builders.a_stack(session, serial=f"T-{number}"))
        sent_back.state = RecordState.SENT_BACK
        builders.a_torque_instrument(session)
        design = builders.a_design(session)
        builders.a_person(session, "builder", "quality", name=f"Ann {number % 3}")
        part = builders.a_part(session, types.mea, serial=f"N-{number % 3}-{number}")
        builders.a_failing_mark(session, part.id)
        builders.an_hour_reading(session, stacks[0], 100 + number, builders.FIRST_CLOSING)
        held: dict[str, Any] = {"part_id": part.id, "lot_id": None, "instrument_id": None}
        session.add_all(
            [
                Hold(
                    **held,
                    usability_before=part.usability,
                    reason="scratched",
                    placed_by_id=by,
                    placed_at=builders.START,
                    lifted_by_id=None,
                    lifted_at=None,
                ),
                Concession(
                    **held,
                    reason="needed",
                    given_by_id=by,
                    given_at=builders.START,
                    used_in_record_id=None,
                ),
                Run(
                    stack_id=stacks[0].id,
                    kind=RunKind.LOG,
                    content_sha256=f"{number}" * 64,
                    size_bytes=1,
                    name=f"log {number}",
                    added_by_id=by,
                    added_at=builders.START + timedelta(days=number // 2),
                ),
                Decision(
                    record_id=sent_back.id,
                    meaning=Meaning.SENT_BACK,
                    person_id=by,
                    person_name="Ann",
                    person_roles="supervisor",
                    at=builders.START,
                    reason=f"blurred photo {number}",
                ),
                Correction(
                    record_id=record.id,
                    of=CorrectionOf.TORQUE,
                    subject_id=1,
                    subject_label="rod 2 pass 3",
                    old_value="9 N·m",
                    new_value="9.3 N·m",
                    new_number=9.3,
                    reason="mistyped",
                    state=CorrectionState.WAITING,
                    written_by_id=by,
                    written_at=builders.START,
                    content_sha256="b" * 64,
                ),
                LimitSet(
                    design_id=design.id,
                    version=1,
                    content="{}",
                    content_sha256="c" * 64,
                    source="invented design notes",
                    reason=f"new figures {number}",
                    made_by_id=by,
                    made_at=builders.START,
                ),
                AuditEntry(
                    at=builders.START,
                    person_id=by,
                    person_name="Ann",
                    act="part:moved",
                    subject_kind="part",
                    subject_id=part.id,
                    subject_label=f"P-{number}",
                    stack_id=None,
                    record_id=None,
                    changes="[]",
                    reason="",
                    via="page",
                ),
            ]
        )


def next_to(html: str, which: str, kind: str) -> str:
    """Give the address the pages of one kind of thing lead to, or nothing."""
    nav = html.partition(f'aria-label="Pages of {kind}"')[2].partition("</nav>")[0]
    links: list[str] = re.findall(rf'<a href="([^"]+)" rel="{which}"', nav)
    return unescape(links[0]) if links else ""


@pytest.mark.parametrize(
    ("address", "row", "kind"),
    [
        ("/stacks", A_ROW, "stacks"),
        ("/parts?kind=MEA", A_ROW, "parts"),
        ("/parts?begins_with=n", A_ROW, "parts"),
        ("/part-types", A_ROW, "part types"),
        ("/instruments", A_ROW, "instruments"),
        ("/designs", A_ROW, "designs"),
        ("/people", A_ROW, "people"),
        ("/lots", A_ROW, "lots"),
        ("/holds", re.compile(r'<a href="/holds/\d+">'), "holds"),
        ("/holds", re.compile(r"<td>needed</td>"), "concessions"),
        ("/records", A_ROW, "records"),
        ("/approvals", HANDED_IN, "records"),
        ("/approvals", re.compile(r">correction (\d+)</a>"), "corrections"),
        ("/approvals", re.compile(r"<td>new figures (\d)</td>"), "limits"),
        ("/approvals", re.compile(r"<td>blurred photo (\d)</td>"), "records sent back"),
        ("/stacks/S-0/hours", A_READING, "readings"),
        ("/failing?which=failed", A_ROW, "MEAs"),
        ("/stacks/S-0/runs", A_ROW, "runs"),
        ("/audit-trail?act=part", A_ROW, "entries"),
        ("/floor", A_STACK, "stacks"),
    ],
)
@pytest.mark.usefixtures("lab")
def test_every_list_page_turns_there_and_back(
    app: Any, signed_in_client: Clients, address: str, row: re.Pattern[str], kind: str
) -> None:
    client = signed_in_client("builder")
    whole = row.findall(client.get(address).text)
    app.state.settings = app.state.settings.model_copy(update={"page_rows": LIMIT})

    there, last = walked(client, address, row, ("next", kind))
    back, first = walked(client, last, row, ("prev", kind))

    assert len(whole) >= ROWS
    assert [found for page in there for found in page] == whole
    assert back == there[::-1]
    assert not next_to(client.get(first).text, "prev", kind)


def walked(
    client: Any, address: str, row: re.Pattern[str], link: tuple[str, str]
) -> tuple[list[list[str]], str]:
    """Give the rows of a page and of all it leads to, and the address of the last."""
    pages: list[list[str]] = []
    while True:
        html = client.get(address).text
        pages.append(row.findall(html))
        assert 0 < len(pages[-1]) <= LIMIT
        assert len(pages) < 50
        following = next_to(html, *link)
        if not following:
            return pages, address
        address = following


@pytest.mark.parametrize(
    ("path", "rows"),
    [
        ("stacks", "rows"),
        ("records", "rows"),
        ("floor", "rows"),
        ("audit", "entries"),
        ("stacks/S-0/runs", ""),
    ],
)
@pytest.mark.usefixtures("lab")
def test_every_list_of_the_api_turns_there_and_back(
    calling: Callable[..., Any], path: str, rows: str
) -> None:
    client = calling("builder")

    def read(page: str = "", limit: int = LIMIT) -> tuple[list[Any], str, str]:
        answer = client.get(f"/api/v1/{path}", params={"page": page, "limit": limit})
        assert answer.status_code == 200, answer.text
        told = answer.json()
        if rows:
            return told[rows], told["next"] or "", told["previous"] or ""
        links = {
            where: client.build_request("GET", link["url"]).url.params["page"]
            for where, link in answer.links.items()
        }
        return told, links.get("next", ""), links.get("prev", "")

    def pages(page: tuple[list[Any], str, str], which: int) -> Iterator[tuple[list[Any], str, str]]:
        yield page
        while page[which]:
            page = read(page[which])
            yield page

    whole = read(limit=100)[0]
    there = list(pages(read(), 1))
    back = list(pages(there[-1], 2))

    assert len(whole) >= ROWS
    assert [row for page in there for row in page[0]] == whole
    assert [page[0] for page in back] == [page[0] for page in there][::-1]


def all_orders() -> dict[str, Order]:
    """Every order a list of the service has, by module and name."""
    modules = [
        import_module(module.name)
        for module in pkgutil.walk_packages(service.__path__, "service.")
        if ".queries" in module.name
    ]
    return {
        f"{module.__name__}.{name}": value
        for module in modules
        for name, value in vars(module).items()
        if isinstance(value, Order)
    }


def unique_columns(table: Table) -> Iterator[set[str]]:
    """The columns of each rule by which no two rows of a table, or none that it is for, agree."""
    yield set(table.primary_key.columns.keys())
    yield from (
        set(rule.columns.keys()) for rule in table.constraints if isinstance(rule, UniqueConstraint)
    )
    yield from ({column.name} for column in table.columns if column.unique)


def test_the_keys_of_every_order_name_one_row() -> None:
    """Else rows that agree in all of them are left out at a page's border."""
    orders = all_orders()
    ambiguous = []
    for name, order in orders.items():
        keys = [key.expression for key in order.keys if isinstance(key, InstrumentedAttribute)]
        told = {(key.table.name, key.name) for key in keys}
        tables = {key.table for key in keys}
        if not any(
            {(table.name, column) for column in rule} <= told
            for table in tables
            for rule in unique_columns(table)
        ):
            ambiguous.append(name)

    assert len(orders) >= 15
    assert ambiguous == []


@pytest.mark.parametrize(
    "cursor",
    [
        "7",
        "after:",
        "after:x",
        "after:1,2",
        "after:true",
        "after:null",
        'after:"1"',
        "after:1.0",
        "after:9223372036854775808",
        "before:" + "[" * 400,
    ],
)
def test_a_cursor_no_page_gave_is_refused_by_name(
    signed_in_client: Clients, calling: Callable[..., Any], cursor: str
) -> None:
    page = signed_in_client("builder").get("/lots", params={"page": cursor})
    told = calling("builder").get("/api/v1/records", params={"page": cursor})

    assert (page.status_code, told.status_code) == (422, 422)
    assert "is no place in this list" in page.text
    assert "page" in told.text


@pytest.mark.parametrize("cursor", ['after:"not a day",1', 'after:"2026-03-07T14:20:00",1'])
def test_a_time_in_a_cursor_is_one_with_its_zone(
    signed_in_client: Clients, lab: None, cursor: str
) -> None:
    answer = signed_in_client("builder").get("/stacks/S-0/runs", params={"page": cursor})

    assert answer.status_code == 422


@pytest.mark.parametrize("kind", ['"Mea"', "7", "[]"])
def test_a_kind_in_a_cursor_is_one_there_is(signed_in_client: Clients, kind: str) -> None:
    cursor = f'after:{kind},"mea","MEA-100","A"'
    answer = signed_in_client("builder").get("/part-types", params={"page": cursor})

    assert answer.status_code == 422
    assert "is no place in this list" in answer.text


def test_a_serial_with_signs_of_every_kind_is_a_place(engine: Engine) -> None:
    order = Order((Part.serial_key, Part.id))
    serials = ['a"b', "a,b", "\\", "ß/é", "after:", "[1]", "  "]
    turns = [from_keys(Turn(), serial, 7) for serial in serials]

    assert [order.from_cursor(turn.cursor) for turn in turns] == [(s, 7) for s in serials]
    with pytest.raises(Refused):
        order.from_cursor('after:"a\\u0000b",7')


def test_a_cursor_stands_before_keys_given_beside_it() -> None:
    assert from_keys(Turn(5, "after:1"), 9) == Turn(5, "after:1")
    assert from_keys(Turn(5), None) == Turn(5)
    assert Order((Lot.id,)).from_cursor(from_keys(Turn(5), 9).cursor) == (9,)
