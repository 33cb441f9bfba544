"""Logs on their way in: sent, looked at, read in the background; the sheet of a run."""

import json
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.people.tables import Role
from service.platform.database import housekeeping
from service.runs.changes.run_uploads import ABANDONED_AFTER
from service.runs.files.run_files import path_of
from service.runs.tables import RunUpload, Snapshot, UploadState
from tests import builders
from tests.runs.bench_logs import a_log, until_read

CELLS = 4


@pytest.fixture
def serial(app: Any) -> str:
    with Session(app.state.engine) as session:
        stack = builders.a_stack(session)
        build = builders.a_build(session, stack, cells=CELLS)
        builders.a_release(session, build)
        session.commit()
        return stack.serial


@pytest.fixture
def bea(signed_in_client: Callable[..., Any]) -> Any:
    return signed_in_client(Role.BUILDER, name="Bea Bench")


def sent(client: Any, serial: str, content: str | bytes, name: str = "log.csv") -> Any:
    body = content.encode("latin-1") if isinstance(content, str) else content
    files = {"log": (name, body, "text/csv")}
    return client.post(f"/stacks/{serial}/runs", data={"note": "endurance"}, files=files)


class Fields(HTMLParser):
    """What the form of the columns begins with."""

    def __init__(self) -> None:
        super().__init__()
        self.found: dict[str, str] = {}
        self.inside = False
        self.select = self.area = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = {name: value or "" for name, value in attrs}
        if tag == "form":
            self.inside = told.get("id") == "columns"
        elif self.inside and tag in {"input", "textarea"}:
            if told.get("type") != "checkbox" or "checked" in told:
                self.found[told["name"]] = told.get("value", "")
            self.area = told["name"] if tag == "textarea" else ""
        elif self.inside and tag == "select":
            self.select = told["name"]
            self.found.setdefault(self.select, "")
        elif self.inside and tag == "option" and "selected" in told:
            self.found[self.select] = told["value"]

    def handle_data(self, data: str) -> None:
        if self.area:
            self.found[self.area] += data.strip()

    def handle_endtag(self, tag: str) -> None:
        self.area = "" if tag == "textarea" else self.area


def fields_of(text: str) -> dict[str, str]:
    """What the form of the columns begins with."""
    parser = Fields()
    parser.feed(text)
    return parser.found


def waited(client: Any, address: str) -> Any:
    until_read()
    answer = client.get(address)
    assert answer.status_code == 303 or 'id="refused"' in answer.text
    return answer


def taken_in(client: Any, serial: str, content: str, **more: str) -> str:
    address = sent(client, serial, content).headers["location"]
    form = fields_of(client.get(address).text) | {"began_at": "2026-02-04 08:00"} | more
    answer = client.post(address, data=form)
    assert answer.status_code == 303, answer.text
    return waited(client, address).headers["location"]


def test_codes_of_the_bench_are_asked_about_and_stay_out_of_the_means(
    bea: Any, serial: str, app: Any
) -> None:
    lines = a_log().splitlines(keepends=True)
    odd = [f"{line.rstrip().rpartition(';')[0]};65535\n" for line in lines[63:73]]
    content = "".join((*lines[:63], *odd, *lines[73:]))
    address = sent(bea, serial, content).headers["location"]

    asked = bea.get(address).text
    form = fields_of(asked) | {"began_at": "2026-02-04 08:00", "mapping_name": "bench 3"}
    bea.post(address, data=form)
    run = waited(bea, address).headers["location"]

    assert "10 of 241 values read lie outside −1.5 to 1.3 V, such as 65535." in asked
    assert "Looked at so far: the first 241 rows." in asked
    sheet = bea.get(run).text
    said = "U4 (V): 10 values lie outside −1.5 to 1.3 V, such as 65535 V. Left out"
    assert said in sheet
    with Session(app.state.engine) as session:
        means = [text for (text,) in session.execute(select(Snapshot.means_v))]
    assert means
    assert all(0 < value < 1 for text in means for value in json.loads(text))
    assert bea.get(f"{run}/file").content == content.encode("latin-1")
    again = sent(bea, serial, content + "\n").headers["location"]
    assert "Columns as kept in the mapping “bench 3" in bea.get(again).text
    assert "10 of 241 values read lie outside" in bea.get(again).text


def test_a_log_is_sent_looked_at_and_read(bea: Any, serial: str, app: Any) -> None:
    answer = sent(bea, serial, a_log())
    assert answer.status_code == 303
    address = answer.headers["location"]

    shown = bea.get(address)
    form = fields_of(shown.text)

    assert "decimal comma, headings in line 3" in shown.text
    assert "Zeit (min)" in shown.text
    assert form["time_kind"] == "elapsed"
    assert form["time_unit"] == "min"
    assert [form[f"role_{at}"] for at in range(1, 5)] == [
        "current",
        "hour meter",
        "stack temperature",
        "cell voltage",
    ]
    refused = bea.post(address, data=form)
    assert refused.status_code == 422
    assert "Date and time have to be given" in refused.text
    assert fields_of(refused.text)["role_1"] == "current"

    asked = form | {
        "began_at": "2026-02-04 08:00",
        "cell_below_v": "0,5",
        "mapping_name": "bench 3",
    }
    assert bea.post(address, data=asked).status_code == 303
    run = waited(bea, address).headers["location"]
    sheet = bea.get(run)

    assert sheet.status_code == 200
    assert "endurance" in sheet.text
    assert "2026-02-04 08:00" in sheet.text
    assert "lowest cell" in sheet.text
    assert "100" in sheet.text
    assert "Not released" not in sheet.text
    assert bea.get(f"{run}/file").content == a_log().encode("latin-1")
    assert "log.csv" in bea.get(f"/stacks/{serial}/runs").text
    assert "bench 3" in bea.get("/runs/mappings?name=bench+3").text
    kept = list((app.state.settings.data_folder / "runs").rglob("*"))
    assert len([file for file in kept if file.is_file()]) == 1
    assert list((app.state.settings.data_folder / "run-uploads").iterdir()) == []


def test_the_next_log_begins_with_the_saved_mapping(bea: Any, serial: str) -> None:
    taken_in(bea, serial, a_log(), mapping_name="bench 3", settling_min="7")

    address = sent(bea, serial, a_log(begins=5), "next.csv").headers["location"]
    shown = bea.get(address)

    assert "Columns as kept in the mapping “bench 3, version 1”" in shown.text
    assert fields_of(shown.text)["settling_min"] == "7"
    other = sent(bea, serial, a_log(cells=2), "other.csv").headers["location"]
    told = bea.get(f"{other}?mapping=bench+3").text
    assert "The log has no U3 (V), U4 (V)" in told


def test_the_same_log_twice_is_refused_with_its_place(bea: Any, serial: str) -> None:
    run = taken_in(bea, serial, a_log())

    answer = sent(bea, serial, a_log(), "copy.csv")

    assert answer.status_code == 422
    assert "this very file was taken in before" in answer.text
    assert run in answer.text


def test_a_log_of_other_cells_is_refused_and_can_be_mended(bea: Any, serial: str) -> None:
    address = sent(bea, serial, a_log(cells=5)).headers["location"]
    form = fields_of(bea.get(address).text) | {"began_at": "2026-02-04 08:00"}
    bea.post(address, data=form)

    refused = waited(bea, address)

    assert "it reads cell 5, but build 1 has 4 cells" in refused.text
    mended = fields_of(refused.text)
    assert mended["began_at"] == "2026-02-04 08:00"
    assert bea.post(address, data=mended | {"role_8": ""}).status_code == 303
    assert waited(bea, address).status_code == 303


def test_what_is_no_log_is_refused_at_once(bea: Any, serial: str, app: Any) -> None:
    for content, said in ((b"", "no file was chosen"), (b"hello\nworld\n", "no row of it holds")):
        answer = sent(bea, serial, content, "" if not content else "x.csv")
        assert answer.status_code == 422
        assert said.lower() in answer.text.lower()
    folder: Path = app.state.settings.data_folder / "run-uploads"
    assert not folder.exists() or list(folder.iterdir()) == []


def test_columns_can_be_looked_at_otherwise(bea: Any, serial: str) -> None:
    address = sent(bea, serial, a_log()).headers["location"]

    shown = bea.get(f"{address}?header_line=3&decimal=,&separator=;")
    strange = bea.get(f"{address}?header_line=99999")

    assert fields_of(shown.text)["header_line"] == "3"
    assert strange.status_code == 422


def test_a_wrong_unit_is_refused_beside_its_field(bea: Any, serial: str) -> None:
    address = sent(bea, serial, a_log()).headers["location"]
    form = fields_of(bea.get(address).text) | {"began_at": "2026-02-04 08:00", "unit_1": "furlong"}

    answer = bea.post(address, data=form)

    assert answer.status_code == 422
    assert "furlong" in answer.text
    assert "Such as A." in answer.text


def test_a_run_is_read_again_and_made_void(bea: Any, serial: str) -> None:
    run = taken_in(bea, serial, a_log())

    address = bea.post(f"{run}/again").headers["location"]
    form = fields_of(bea.get(address).text)
    assert form["began_at"] == "2026-02-04 08:00"
    asked = form | {"began_at": "2026-02-05 08:00", "reason": "the wrong day was given"}
    assert bea.post(address, data=form).status_code == 422  # no reason
    assert bea.post(address, data=asked).status_code == 303
    assert waited(bea, address).headers["location"] == run
    again = bea.get(run).text
    assert "the wrong day was given" in again
    assert "2026-02-05 08:00" in again

    wrong = bea.post(f"{run}/clock", data={"minutes": "0", "clock_reason": "winter time"})
    assert wrong.status_code == 422
    assert 'value="0"' in wrong.text
    clock = {"minutes": "-60", "clock_reason": "set to winter time"}
    assert bea.post(f"{run}/clock", data=clock).status_code == 303
    moved = bea.get(run).text
    assert "The log’s clock was corrected by -60 min." in moved
    assert "2026-02-05 07:00" in moved

    assert bea.post(f"{run}/void", data={"reason": ""}).status_code == 422
    assert bea.post(f"{run}/void", data={"reason": "another stack's"}).status_code == 303
    assert "was made void" in bea.get(run).text
    assert bea.get(f"/stacks/{serial}/runs").status_code == 200


def test_a_run_whose_file_is_gone_says_so(bea: Any, serial: str, app: Any) -> None:
    """As after a database was copied without its data folder."""
    run = taken_in(bea, serial, a_log())
    for file in (app.state.settings.data_folder / "runs").rglob("*"):
        if file.is_file():
            file.unlink()

    answer = bea.post(f"{run}/again")

    assert answer.status_code == 422
    assert "does not lie in the data folder any more" in answer.text


def test_progress_is_shown_and_an_abandoned_reading_is_told(
    bea: Any, serial: str, app: Any
) -> None:
    address = sent(bea, serial, a_log()).headers["location"]
    token = address.rsplit("/", 1)[1]
    engine = app.state.engine

    def set_to(state: UploadState, *, ago: Any = None) -> None:
        with housekeeping(engine) as session:
            row = session.query(RunUpload).filter_by(token=token).one()
            row.state, row.done, row.message = state, 0.25, "1200 rows read"
            if ago is not None:
                row.changed_at = row.changed_at - ago

    set_to(UploadState.READING)
    shown = bea.get(address)
    assert "1200 rows read" in shown.text
    assert 'http-equiv="refresh"' in shown.text
    piece = bea.get(address, headers={"hx-request": "true"})
    assert piece.text.lstrip().startswith('<div id="progress"')
    assert bea.post(f"{address}/drop").status_code == 422

    set_to(UploadState.READING, ago=ABANDONED_AFTER * 2)
    assert "was abandoned" in bea.get(address).text
    assert bea.get(address, headers={"hx-request": "true"}).headers["hx-redirect"] == address
    assert bea.post(f"{address}/drop").status_code == 303
    assert bea.get(address).status_code == 404


def test_readers_see_runs_and_send_none(
    bea: Any, serial: str, signed_in_client: Callable[..., Any]
) -> None:
    run = taken_in(bea, serial, a_log())
    reader = signed_in_client()

    assert reader.get(run).status_code == 200
    assert "Take a log in" not in reader.get(f"/stacks/{serial}/runs").text
    assert sent(reader, serial, a_log()).status_code == 403
    assert reader.post(f"{run}/void", data={"reason": "no"}).status_code == 403
    assert reader.get("/runs/99999").status_code == 404


def test_a_file_that_is_gone_is_said(bea: Any, serial: str, app: Any) -> None:
    run = taken_in(bea, serial, a_log())
    for file in (app.state.settings.data_folder / "runs").rglob("*"):
        if file.is_file():
            file.unlink()

    assert bea.get(f"{run}/file").status_code == 404
    assert path_of(app.state.settings.data_folder, "ab" * 32).name == "ab" * 32


def test_who_sends_is_asked_before_the_log_is_read(
    serial: str, client: Any, signed_in_client: Callable[..., Any]
) -> None:
    """Not even the form's token is looked at: that stands behind a large body."""
    address = f"/stacks/{serial}/runs"
    files = {"log": ("log.csv", b"1;2", "text/csv")}
    reader = signed_in_client()

    stranger = client.post(address, data={"form_token": "wrong"}, files=files)
    known = reader.post(address, data={"form_token": "wrong"}, files=files)

    assert stranger.status_code == 303
    assert "/sign-in" in stranger.headers["location"]
    assert known.status_code == 403
    assert "form was shown" not in known.text


def test_a_run_is_moved_to_the_stack_it_belongs_to(bea: Any, serial: str, app: Any) -> None:
    with Session(app.state.engine) as session:
        other = builders.a_stack(session)
        builders.a_build(session, other, cells=CELLS)
        right = other.serial
        session.commit()
    run = taken_in(bea, serial, a_log())
    address = bea.post(f"{run}/again").headers["location"]
    form = fields_of(bea.get(address).text) | {"reason": "sent for the wrong stack"}
    assert form["stack"] == serial

    unknown = bea.post(address, data=form | {"stack": "NOBODY-1"})
    assert unknown.status_code == 422
    assert "there is no such stack" in unknown.text
    assert bea.post(address, data=form | {"stack": right}).status_code == 303
    assert waited(bea, address).headers["location"] == run

    assert right in bea.get(run).text
    assert "log.csv" in bea.get(f"/stacks/{right}/runs").text
    assert "log.csv" not in bea.get(f"/stacks/{serial}/runs").text
