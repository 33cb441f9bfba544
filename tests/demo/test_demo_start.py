"""Starting the demo: nothing entered is lost, nothing half-built stays, one port, one folder."""

import os
import re
import shutil
import signal
import socket
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import select
from typer.testing import CliRunner

from service.commands.main import app as commands
from service.demo.building import MARK, build, demo_settings, is_demo
from service.demo.lab import PASSPHRASE, PEOPLE, PIN
from service.people.tables import Person
from service.platform.database import changing, make_engine, now_utc, reading
from service.stacks.changes.hours import read_hours
from service.stacks.queries.hours import stack_hours
from service.stacks.queries.stacks import find_stack
from tests.bench.at_the_bench import known
from tests.operation.running import answered

pytestmark = pytest.mark.slow


def test_a_second_start_keeps_what_was_entered(own: Path) -> None:
    engine = make_engine(demo_settings(own).database_url)
    with reading(engine) as session:
        person = session.scalars(select(Person).where(Person.login == "mira")).one()
        mira, stack_id = known(session, person), find_stack(session, "HERON-01")
        before = stack_hours(session, [stack_id])[stack_id].hours.hours
    with changing(engine, mira) as work:
        read_hours(work, stack_id, hours=before + 100, taken_at=work.now)

    answer = CliRunner().invoke(commands, ["demo", "--folder", str(own), "--no-serve"])

    assert answer.exit_code == 0, answer.output
    assert "stands as you left it" in answer.output
    assert PASSPHRASE in answer.output
    with reading(engine) as session:
        assert stack_hours(session, [stack_id])[stack_id].hours.hours == before + 100
    engine.dispose()


def test_beginning_anew_asks_first(own: Path) -> None:
    made = (own / "layerbook.sqlite").stat()

    answer = CliRunner().invoke(
        commands, ["demo", "--folder", str(own), "--fresh", "--no-serve"], input="n\n"
    )

    assert answer.exit_code == 1
    assert "Throw away everything" in answer.output
    assert (own / "layerbook.sqlite").stat().st_ino == made.st_ino


@pytest.mark.night
def test_beginning_anew_forgets_what_was_entered(own: Path) -> None:
    (own / "attachments" / "left.txt").write_text("entered")

    answer = CliRunner().invoke(
        commands, ["demo", "--folder", str(own), "--fresh", "--yes", "--no-serve"]
    )

    assert answer.exit_code == 0, answer.output
    assert is_demo(own)
    assert not (own / "attachments" / "left.txt").exists()
    assert [path.name for path in own.parent.iterdir()] == [own.name]


def test_a_folder_with_other_things_is_left_alone(tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    folder.mkdir()
    (folder / "layerbook.sqlite").write_text("a laboratory's own")

    answer = CliRunner().invoke(
        commands, ["demo", "--folder", str(folder), "--fresh", "--yes", "--no-serve"]
    )

    assert answer.exit_code == 1
    assert "holds other things" in answer.output
    assert (folder / "layerbook.sqlite").read_text() == "a laboratory's own"


@pytest.mark.usefixtures("migrated_by_copy")
@pytest.mark.parametrize("is_there", [False, True])
def test_interrupted_building_leaves_no_half_of_a_demo(
    built: Path, tmp_path: Path, *, is_there: bool
) -> None:
    folder = tmp_path / "layerbook-demo"
    if is_there:
        shutil.copytree(built, folder)
    played = []

    def interrupt(more: int) -> None:
        played.append(more)
        if len(played) == 5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        build(folder, now_utc(), interrupt)

    assert [path.name for path in tmp_path.iterdir()] == ([folder.name] if is_there else [])
    assert is_demo(folder) is is_there


@pytest.mark.usefixtures("migrated_by_copy")
def test_what_a_power_cut_left_is_cleared_away_and_a_building_that_goes_on_is_not(
    tmp_path: Path,
) -> None:
    left, going_on = (tmp_path / f".layerbook-demo-being-built-{name}" for name in ("a", "b"))
    for folder in (left, going_on):
        folder.mkdir()
    old = (now_utc() - timedelta(hours=2)).timestamp()
    os.utime(left, (old, old))

    def interrupt(_more: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        build(tmp_path / "layerbook-demo", now_utc(), interrupt)

    assert list(tmp_path.iterdir()) == [going_on]


def test_a_port_that_is_taken_is_told_before_anything_is_built(tmp_path: Path) -> None:
    folder = tmp_path / "layerbook-demo"
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]

        answer = CliRunner().invoke(
            commands, ["demo", "--folder", str(folder), "--port", str(port)]
        )

    assert answer.exit_code == 1
    assert f"Port {port} is taken" in answer.output
    assert "--port" in answer.output
    assert not folder.exists()


def test_another_database_in_the_environment_is_not_touched(
    built: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LAYERBOOK_DATABASE_URL", "postgresql://somewhere/else")
    monkeypatch.setenv("LAYERBOOK_HOST", "0.0.0.0")  # noqa: S104 - must not be taken

    given = demo_settings(built)

    assert given.database_url == f"sqlite:///{built / 'layerbook.sqlite'}"
    assert given.host == "127.0.0.1"


def test_it_serves_until_it_is_stopped_and_stops_cleanly(own: Path) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "service", "demo", "--folder", str(own), "--port", str(port)]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as server:
        try:
            page = answered(server, f"http://127.0.0.1:{port}/sign-in")
            server.send_signal(signal.SIGINT)
            said, _ = server.communicate(timeout=30)
        finally:
            server.kill()

    assert page.status_code == 200
    assert "Tarnfield Electrochemistry Lab (invented)" in page.text
    assert server.returncode == 0, said
    assert len(re.findall(r"\bWHO(?:-[A-Z0-9]{4}){3}$", said, re.MULTILINE)) == len(PEOPLE)
    assert f"with the PIN {PIN}" in said
    assert "Stopped" in said
    assert "Traceback" not in said
    assert (own / MARK).is_file()
