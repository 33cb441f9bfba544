"""The power goes: what was confirmed is there afterwards, what was not is there once at most."""

import os
import signal
import socket
from contextlib import suppress
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.people.changes.people import make_token
from service.people.tables import Role
from service.platform.database import changing
from service.platform.permissions import Person
from service.platform.tables import AuditEntry
from service.stacks.tables import HourReading, Moment
from tests import builders
from tests.operation.running import served

OWNER = Person(0, "", "command line", frozenset(Role))
KILLS_BY_DAY, KILLS_BY_NIGHT = 1, 3
READINGS_EACH = 30


@pytest.fixture
def laboratory(engine: Engine) -> dict[str, str]:
    """A stack and a token of somebody who may read its hour meter."""
    with Session(engine) as session:
        serial = builders.a_stack(session, cells=1).serial
        person = builders.a_person(session, Role.BUILDER)
        person_id = person.id
        session.commit()
    with changing(engine, OWNER) as work:
        token = make_token(work, person_id, "test bench")
    return {"serial": serial, "token": token}


@pytest.mark.slow
def test_nothing_confirmed_is_lost_and_nothing_is_there_twice(
    engine: Engine, database_url: str, laboratory: dict[str, str], tmp_path: Path, *, whole: bool
) -> None:
    """Killed without warning while readings come in; each is sent until confirmed."""
    kills = KILLS_BY_NIGHT if whole else KILLS_BY_DAY
    readings = READINGS_EACH * (kills + 1)
    waiting = list(range(1, readings + 1))
    confirmed: dict[int, int] = {}
    for kill in range(kills + 1):
        with (
            served(database_url, tmp_path / "data") as (address, process),
            httpx.Client() as client,
        ):
            confirm = _Sender(client, address, laboratory)
            until = len(confirmed) + READINGS_EACH if kill < kills else readings
            while waiting and len(confirmed) < until:
                confirmed[waiting[0]] = confirm(waiting[0])
                waiting.pop(0)
            if kill < kills:
                confirm.send_and_forget(waiting[0])
                os.kill(process.pid, signal.SIGKILL)
                process.wait(10)

    with Session(engine) as session:
        kept = session.execute(
            select(HourReading.id, HourReading.hours)
            .where(HourReading.moment == Moment.RUNNING)
            .order_by(HourReading.hours)
        ).all()
        entries = session.scalars(
            select(AuditEntry.subject_label).where(AuditEntry.act == "hours:read")
        ).all()
    assert [row.hours for row in kept] == [float(hours) for hours in range(1, readings + 1)]
    assert {hours: row for row, hours in kept} == {float(h): key for h, key in confirmed.items()}
    assert len(entries) == readings


class _Sender:
    """Sends readings, each with a one-time key made from what it says."""

    def __init__(self, client: httpx.Client, address: str, laboratory: dict[str, str]) -> None:
        self.client = client
        self.url = f"{address}/api/v1/stacks/{laboratory['serial']}/hours"
        self.token = laboratory["token"]

    def __call__(self, hours: int) -> int:
        """Send one and give the id it was confirmed with."""
        answer = self.client.post(self.url, timeout=30, **self._asked(hours))
        assert answer.status_code in {200, 201}, answer.text  # 200: the first got through
        return int(answer.json()["id"])

    def send_and_forget(self, hours: int) -> None:
        """Send one and do not wait for an answer: the server may or may not get to it."""
        asked = httpx.Request("POST", self.url, **self._asked(hours))
        host, port = asked.url.host, asked.url.port or 80
        head = "".join(f"{name}: {value}\r\n" for name, value in asked.headers.items())
        with socket.create_connection((host, port)) as line:
            line.sendall(f"POST {asked.url.raw_path.decode()} HTTP/1.1\r\n{head}\r\n".encode())
            line.sendall(asked.read())
            line.settimeout(0.004)
            with suppress(TimeoutError):
                line.recv(1)

    def _asked(self, hours: int) -> dict[str, Any]:
        taken_at = builders.FIRST_CLOSING + timedelta(hours=hours)
        return {
            "json": {"hours": hours, "taken_at": taken_at.isoformat()},
            "headers": {
                "Authorization": f"Bearer {self.token}",
                "Idempotency-Key": f"reading-{hours}",
            },
        }
