"""Running the command line, the server too, as a process of its own on a data folder of its own."""

import json
import os
import select
import socket
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy.orm import Session

from service.platform.database import make_engine

HERE = Path(__file__).parents[2]
Run = Callable[..., "subprocess.CompletedProcess[str]"]


def commands(folder: Path) -> Run:
    """Run the command line: ``run("person", "add", typed="…", LAYERBOOK_PORT="x")``."""

    def run(*words: str, typed: str = "", **settings: str) -> subprocess.CompletedProcess[str]:
        with tempfile.TemporaryDirectory() as given:
            files = {name: Path(given) / name for name in ("typed", "out", "err")}
            for file in files.values():
                file.touch()
            files["typed"].write_text(typed)
            command = {"words": words, "environment": environment(folder) | settings}
            code = _forked(command | {name: str(file) for name, file in files.items()})
            out, err = files["out"].read_text(), files["err"].read_text()
        return subprocess.CompletedProcess(list(words), code, out, err)

    return run


def _forked(command: dict[str, Any]) -> int:
    process = _forking()
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(f"{json.dumps(command)}\n")
    process.stdin.flush()
    ready, _, _ = select.select([process.stdout], [], [], 120)
    if not ready:
        process.kill()
        _forking.cache_clear()
        pytest.fail(f"{command['words']} did not end within 120 s")
    return int(process.stdout.readline())


@cache
def _forking() -> "subprocess.Popen[str]":
    """The process with the command line loaded; it ends with this one, whose pipe it reads."""
    return subprocess.Popen(
        [sys.executable, "-W", "error", "-m", "tests.operation.forking"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=HERE,
    )


def environment(folder: Path) -> dict[str, str]:
    """The environment without anybody's own settings, and this data folder."""
    plain = {name: value for name, value in os.environ.items() if "LAYERBOOK" not in name}
    return plain | {"LAYERBOOK_DATA_FOLDER": str(folder), "COLUMNS": "100"}


def found(folder: Path, statement: Any) -> list[Any]:
    """Ask the commands' database."""
    engine = make_engine(f"sqlite:///{folder / 'layerbook.sqlite'}")
    with Session(engine) as session:
        rows = list(session.scalars(statement))
    engine.dispose()
    return rows


def free_port() -> int:
    """A port nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def answered(
    process: "subprocess.Popen[Any]", address: str, *, within_s: int = 240
) -> httpx.Response:
    """Ask a server that is just starting; fail as soon as its process ends."""
    with httpx.Client(headers={"accept": "text/html"}, timeout=within_s) as client:
        for _ in range(within_s * 10):
            with suppress(httpx.TransportError):
                return client.get(address)
            with suppress(subprocess.TimeoutExpired):
                process.wait(0.1)
                said = process.stderr.read() if process.stderr else ""
                pytest.fail(f"the server ended with {process.returncode}: {said}")
    pytest.fail(f"{address} did not answer within {within_s} s")


@contextmanager
def served(url: str, folder: Path) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """A server process which answers; it is gone afterwards, one way or another."""
    port = free_port()
    process = subprocess.Popen(
        [sys.executable, "-m", "service", "serve", "--port", str(port)],
        cwd=HERE,
        env=environment(folder) | {"LAYERBOOK_DATABASE_URL": url},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )
    address = f"http://127.0.0.1:{port}"
    try:
        assert answered(process, f"{address}/health").status_code == 200
        yield address, process
    finally:
        if process.poll() is None:
            process.kill()
        process.wait(10)
        if process.stderr is not None:
            process.stderr.close()
