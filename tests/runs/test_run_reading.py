"""Reading in the background on either engine: how it ends, and what is left behind."""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.people.tables import Role
from service.platform.database import housekeeping, reading
from service.platform.errors import Busy, NotFound, Refused
from service.platform.permissions import Person
from service.runs.arithmetic.log_batches import LogBatch
from service.runs.arithmetic.run_counting import RunCounter
from service.runs.changes.run_uploads import FORGOTTEN_AFTER
from service.runs.files import run_files, run_reading
from service.runs.files.logs import guess_log, look_at
from service.runs.files.run_files import receive
from service.runs.files.run_reading import Asked, LogTaking, asked_of
from service.runs.queries.run_checks import UploadRow, upload
from service.runs.queries.runs import run_sheet
from service.runs.tables import RunUpload, UploadState
from tests import builders
from tests.runs.bench_logs import a_log

BEGAN = builders.FIRST_CLOSING + timedelta(days=2)


class Bench:
    """A stack that runs, somebody who takes logs in, and a log."""

    def __init__(self, engine: Engine, folder: Path) -> None:
        self.folder, self.engine = folder / "data", engine
        with Session(engine) as session:
            stack = builders.a_stack(session)
            builders.a_release(session, builders.a_build(session, stack, cells=4))
            someone = builders.a_person(session, Role.BUILDER)
            self.by = Person(someone.id, someone.login, someone.name, frozenset({Role.BUILDER}))
            self.stack_id = stack.id
            session.commit()
        self.taking = LogTaking(engine, self.folder, "Europe/Berlin", self.by)
        self.file = folder / "log.csv"
        self.file.write_bytes(a_log().encode("latin-1"))

    def sent(self) -> str:
        with self.file.open("rb") as source:
            received = receive(self.folder, source, "log.csv", 100)
        self.taking.note(self.stack_id, received, Asked(note="as sent"))
        return received.token

    def asked(self) -> Asked:
        mapping = guess_log(look_at(self.file)).mapping
        return Asked(mapping, BEGAN, "as asked", via="page")

    def seen(self, token: str) -> UploadRow:
        with reading(self.engine) as session:
            return upload(session, token)


@pytest.fixture
def bench(engine: Engine, tmp_path: Path) -> Bench:
    return Bench(engine, tmp_path)


def test_a_log_is_read_in_the_background(bench: Bench) -> None:
    token = bench.sent()
    assert bench.seen(token).state is UploadState.WAITING

    bench.taking.begin(token, bench.asked()).join()

    told = bench.seen(token)
    assert (told.state, told.done, told.message) == (UploadState.DONE, 1.0, "")
    assert told.run_id is not None
    with reading(bench.engine) as session:
        run = run_sheet(session, told.run_id).run
    assert (run.name, run.note) == ("log.csv", "as asked")
    kept = run_files.path_of(bench.folder, run.content_sha256)
    assert kept.read_bytes() == bench.file.read_bytes()
    assert not run_files.upload_path(bench.folder, token).exists()


def test_two_readings_of_one_file_do_not_make_two_runs(bench: Bench) -> None:
    first, second = bench.sent(), bench.sent()

    threads = [bench.taking.begin(token, bench.asked()) for token in (first, second)]
    for thread in threads:
        thread.join()

    states = {bench.seen(first).state, bench.seen(second).state}
    assert states == {UploadState.DONE, UploadState.REFUSED}
    refused = next(
        one for one in (bench.seen(first), bench.seen(second)) if one.state is UploadState.REFUSED
    )
    assert "taken in before" in refused.message
    with pytest.raises(Refused, match="taken in before"):
        bench.sent()


def test_an_error_of_the_program_is_told_and_nothing_is_left(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_given: Any) -> None:
        raise RuntimeError("a mistake")

    token = bench.sent()
    monkeypatch.setattr(run_reading, "read_log", broken)

    bench.taking.begin(token, bench.asked()).join()

    told = bench.seen(token)
    assert told.state is UploadState.REFUSED
    assert "an error of this program" in told.message
    monkeypatch.undo()
    bench.taking.begin(token, bench.asked()).join()
    assert bench.seen(token).state is UploadState.DONE


@pytest.mark.both_engines
def test_a_file_that_is_gone_is_said(bench: Bench) -> None:
    token = bench.sent()
    run_files.forget_upload(bench.folder, token)

    bench.taking.begin(token, bench.asked()).join()

    assert "not there any more" in bench.seen(token).message


def test_what_went_nowhere_is_forgotten_after_a_week(bench: Bench) -> None:
    old = bench.sent()
    with housekeeping(bench.engine) as session:
        row = session.scalars(select(RunUpload)).one()
        row.changed_at = row.changed_at - FORGOTTEN_AFTER * 2

    bench.sent()

    with pytest.raises(NotFound):
        bench.seen(old)
    assert not run_files.upload_path(bench.folder, old).exists()


def test_what_was_asked_is_kept_as_it_was(bench: Bench) -> None:
    asked = bench.asked()

    assert asked_of(asked.to_json()) == asked


def test_a_file_larger_than_the_limit_is_dropped(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(run_files, "MEGABYTE", 1000)

    with bench.file.open("rb") as source, pytest.raises(Refused, match="too large"):
        receive(bench.folder, source, "log.csv", 1)

    assert list((bench.folder / "run-uploads").iterdir()) == []


def test_a_name_that_is_no_token_finds_no_file(tmp_path: Path) -> None:
    for name in ("../../etc/passwd", "", "x" * 31, "x" * 33):
        with pytest.raises(NotFound):
            run_files.upload_path(tmp_path, name)


def test_the_same_content_is_kept_once(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(b"1;2\n")
    calls: list[Callable[..., object]] = []

    first = run_files.keep(tmp_path, tmp_path / "a.csv", "a.csv")
    run_files.put(tmp_path, first.content_sha256, calls.append)
    second = run_files.keep(tmp_path, tmp_path / "a.csv", "b.csv")

    assert calls == []
    assert first.content_sha256 == second.content_sha256
    assert len([one for one in (tmp_path / "runs").rglob("*") if one.is_file()]) == 1


def test_nobody_waits_for_the_end_of_a_wrong_log(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its first row and its columns tell already that it cannot be taken in."""
    rows: list[int] = []
    feed = RunCounter.feed

    def noted(counter: RunCounter, batch: LogBatch) -> None:
        rows.append(batch.rows)
        feed(counter, batch)

    monkeypatch.setattr(RunCounter, "feed", noted)
    token, asked = bench.sent(), bench.asked()
    assert asked.mapping is not None
    three = replace(asked, mapping=replace(asked.mapping, cells=asked.mapping.cells[:3]))
    early = replace(asked, began_at=builders.FIRST_CLOSING - timedelta(hours=1))

    for wrong, said in ((three, "read 3 cells"), (early, "was closed later")):
        bench.taking.begin(token, wrong).join()
        assert said in bench.seen(token).message

    assert rows == []


def test_a_busy_database_does_not_lose_how_a_reading_ended(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    token, tries = bench.sent(), []
    end = run_reading.end_upload

    def busy_at_first(*given: Any, **named: Any) -> None:
        tries.append(token)
        if len(tries) < 3:
            raise Busy
        end(*given, **named)

    monkeypatch.setattr(run_reading, "end_upload", busy_at_first)

    bench.taking.begin(token, bench.asked()).join()

    assert bench.seen(token).state is UploadState.DONE
    assert len(tries) == 3
