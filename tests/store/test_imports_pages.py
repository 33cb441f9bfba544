"""Import by pages: a list is sent, its columns named, what it makes is looked at, then written."""

import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.platform.errors import NotFound
from service.platform.files import uploads
from service.platform.tables import AuditEntry
from service.records.tables import RebuildRecord, RecordKind, RecordState
from service.store.tables import Lot, Part
from tests import builders
from tests.bench.test_stack_in import TWO_CELLS

Clients = Callable[..., Any]
LIST = "Nr;Seriennummer;Bauteil;Charge;Stunden\n1;X-1;mea;L-77;12,5\n2;X-2;mea;L-77;0\n"


@pytest.fixture
def design(app: Any) -> int:
    """Part types and a design."""
    with Session(app.state.engine) as session:
        builders.the_part_types(session)
        made = builders.a_design(session).id
        session.commit()
        return made


def words(html: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)))


def sent(client: Any, address: str, text: str, name: str = "liste.csv") -> str:
    """Send a list; give the address of the step that looks at it."""
    answer = client.post(address, files=[("file", (name, text.encode("cp1252"), "text/csv"))])
    assert answer.status_code == 303, words(answer.text)
    return str(answer.headers["location"])


def hidden(html: str) -> dict[str, str]:
    """What the form that writes carries along."""
    form = html.split('method="post" action="/import')[1].split("</form>", maxsplit=1)[0]
    found = re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)"', form)
    return {name: unescape(value) for name, value in found}


def count(app: Any, table: Any) -> int:
    with Session(app.state.engine) as session:
        return session.scalar(select(func.count()).select_from(table)) or 0


@pytest.mark.usefixtures("design")
def test_a_list_is_written_once_after_it_was_looked_at(signed_in_client: Clients, app: Any) -> None:
    client = signed_in_client("builder")
    address = sent(client, "/import/parts", LIST)
    look = client.get(address)
    assert "Write 2 parts and 1 lot" in words(look.text)
    assert count(app, Part) == 0

    typed = hidden(look.text)
    written = client.post(address, data=typed)
    again = client.post(address, data=typed)

    assert (written.status_code, written.headers["location"]) == (303, "/parts")
    assert (again.status_code, again.headers["location"]) == (303, "/parts")  # its first answer
    assert (count(app, Part), count(app, Lot)) == (2, 1)
    with Session(app.state.engine) as session:
        acts = session.scalars(select(AuditEntry.act)).all()
    assert acts.count("parts:imported") == 1
    assert client.get(address).status_code == 404


@pytest.mark.usefixtures("design")
def test_columns_named_otherwise_are_kept_in_the_address(signed_in_client: Clients) -> None:
    client = signed_in_client("builder")
    address = sent(client, "/import/parts", LIST)

    swapped = client.get(f"{address}?column_serial=3&column_part_type=2&column_lot=1")
    twice = client.get(f"{address}?column_serial=1&column_lot=1")
    strange = client.get(f"{address}?column_serial=99&column_lot=x")

    assert "it stands in line 2 as well" in words(swapped.text)
    assert '<option value="3" selected>' in swapped.text
    assert twice.status_code == strange.status_code == 422
    assert "this column is to be serial number and lot" in words(twice.text)
    assert "out of range" in words(strange.text)


@pytest.mark.usefixtures("design")
def test_a_list_with_errors_shows_them_all_and_offers_no_writing(
    signed_in_client: Clients, app: Any
) -> None:
    client = signed_in_client("builder")
    wrong = LIST.replace("2;X-2;mea", "2;x-1 ;maa")
    address = sent(client, "/import/parts", wrong)

    look = words(client.get(address).text)

    assert "1 thing cannot be taken" in look
    assert "3 part type “maa”" in look
    assert 'method="post" action="/import' not in client.get(address).text
    forced = client.post(address, data={"column_serial": "1", "column_part_type": "2"})
    assert forced.status_code == 422
    assert count(app, Part) == 0


@pytest.mark.parametrize("address", ["/import/parts", "/import/stack"])
@pytest.mark.parametrize(
    ("content", "said"),
    [(b"", "empty"), (b"\x89PNG\r\n\x1a\n\x00\x01", "other kind"), (b"a;b\n", "no row beneath")],
)
def test_what_is_no_list_is_refused_where_it_is_sent(
    signed_in_client: Clients, address: str, content: bytes, said: str
) -> None:
    client = signed_in_client("builder")

    answer = client.post(address, files=[("file", ("list.csv", content, "text/csv"))])
    nothing = client.post(address, data={})

    assert answer.status_code == nothing.status_code == 422
    assert said in words(answer.text)
    assert "no file was chosen" in words(nothing.text).casefold()


@pytest.mark.usefixtures("design")
def test_a_list_sent_by_one_person_is_not_shown_to_another(signed_in_client: Clients) -> None:
    address = sent(signed_in_client("builder"), "/import/parts", LIST)

    assert signed_in_client("builder").get(address).status_code == 404
    assert signed_in_client("admin").get(address).status_code == 403


def test_a_sent_list_is_forgotten_after_a_day(tmp_path: Path) -> None:
    now = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)
    old = uploads.keep(tmp_path, 1, "old.csv", b"a", now)
    kept = uploads.keep(tmp_path, 1, "kept.csv", b"b", now + timedelta(hours=23))

    new = uploads.keep(tmp_path, 1, "new.csv", b"c", now + timedelta(hours=25))

    assert uploads.find(tmp_path, 1, kept).name == "kept.csv"
    assert uploads.find(tmp_path, 1, new).content == b"c"
    for token, person in ((old, 1), (kept, 2), ("../" + "x" * 29, 1), ("x" * 32, 1)):
        with pytest.raises(NotFound):
            uploads.find(tmp_path, person, token)


def test_a_stack_is_taken_over_and_waits_for_approval_by_somebody_else(
    signed_in_client: Clients, app: Any, design: int
) -> None:
    client = signed_in_client("builder", name="Ida Moss")
    address = sent(client, "/import/stack", TWO_CELLS, "tarn-9.csv")
    first = words(client.get(address).text)
    assert "17 layers: 2 cells, 4 half plates, 4 gas gaskets, 3 coolant layers; 4 fixings" in first
    assert "Fill in above which stack it is" in first
    columns = "column_position=0&column_part_type=1&column_serial=2&column_lot=3&column_facing=4"
    head = f"serial=TARN-9&design_id={design}&build_number=4&hours_at_closing=812,5"
    refused = client.get(f"{address}?{columns}&{head}&make_missing=yes")
    assert refused.status_code == 422
    assert "Date and time have to be given" in words(refused.text)
    look = client.get(f"{address}?{columns}&{head}&closed_at=2026-01-20T15:30&make_missing=yes")

    written = client.post(address, data=hidden(look.text))

    assert "The list does not name: tie rod at rods 3, 4; sleeve at rods" in words(look.text)
    assert written.status_code == 303, words(written.text)
    with Session(app.state.engine) as session:
        record = session.scalars(select(RebuildRecord)).one()
        assert (record.kind, record.state) == (RecordKind.TAKEN_OVER, RecordState.HANDED_IN)
        assert written.headers["location"] == f"/records/{record.id}"
        assert record.written_by_id == client.person_id
    listed = client.get(f"/records/{record.id}/attachments").text
    file = re.search(r'href="(/attachments/\d+)"', listed)
    assert file
    given = client.get(file[1])
    assert given.headers["content-disposition"] == 'attachment; filename="tarn-9.csv"'
    assert given.text.startswith("position;part type")
