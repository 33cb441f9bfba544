"""``python -m tests.house.reach``: which files one torque reading at the bench enters.

Runs a server in this process, sends one reading as htmx does and lists every module of ours and
every template a call entered on the way, in the order of the first call.
"""

import re
import sys
import tempfile
import threading
from pathlib import Path
from types import FrameType
from typing import Any

from sqlalchemy.orm import Session

from service.app import make_app
from service.operation.migrating import migrate
from service.records.tables import RebuildRecord
from service.settings import Settings
from tests import builders
from tests.form_client import FormClient

ROOT = Path(__file__).parents[2]


class Reach:
    """Notes the files of ours that are entered while it is on."""

    def __init__(self) -> None:
        self.entered: dict[str, int] = {}
        self.on = False

    def note(self, frame: FrameType, event: str, _argument: Any) -> None:
        """Take one event of the interpreter."""
        if not self.on or event != "call":
            return
        name = frame.f_code.co_filename
        template = re.search(r"templates/.*\.html$", name)
        if template is None and not name.startswith(str(ROOT / "service")):
            return
        if frame.f_code.co_name == "<module>":
            return
        place = template[0] if template else str(Path(name).relative_to(ROOT))
        self.entered[place] = self.entered.get(place, 0) + 1


def torque_reading(client: FormClient, app: Any) -> tuple[str, dict[str, Any]]:
    """Begin a re-torque of a stack; give where its readings go and what a form sends."""
    with Session(app.state.engine) as session:
        builder = builders.a_person(session, "builder", name="Mara Ilves")
        builders.a_stack(session, cells=1, serial="TARN-001", meter_hours=100.0)
        driver = builders.a_torque_instrument(session, due_at=builders.START.replace(year=2090))
        login, person, instrument = builder.login, builder.id, driver.id
        session.commit()
    client.post("/sign-in", data={"login": login, "password": builders.PASSWORD})
    begun = {"stack": "TARN-001", "kind": "re-torque", "reason": "settled", "worked": str(person)}
    answer = client.post("/records/new", data={**begun, "performed_from": "2026-03-01T08:00"})
    number = int(answer.headers["location"].split("/")[2])
    with Session(app.state.engine) as session:
        version = session.get_one(RebuildRecord, number).version
    return f"/records/{number}/torque", {
        "version": version,
        "end": "free end",
        "stage": "closing",
        "kind": "set",
        "rod_number": 1,
        "pass_number": 1,
        "instrument_id": instrument,
        "entered": "9.0",
    }


def main() -> None:
    """Print the files one reading enters, with how many calls each took."""
    reach = Reach()
    threading.setprofile(reach.note)
    sys.setprofile(reach.note)
    with tempfile.TemporaryDirectory() as folder:
        settings = Settings(data_folder=Path(folder))
        migrate(settings.database_url)
        app = make_app(settings)
        client = FormClient(app, follow_redirects=False)
        where, sent = torque_reading(client, app)
        client.get(where.replace("/torque", "/bench"), params={"at": "torque"})
        reach.on = True
        answer = client.post(where, data=sent, headers={"hx-request": "true"})
        reach.on = False
        client.close()
        app.state.engine.dispose()
    if answer.status_code != 200:
        sys.exit(f"{answer.status_code}: {re.sub(r'<[^>]+>', ' ', answer.text)[:600]}")
    for place, calls in reach.entered.items():
        sys.stdout.write(f"{calls:6} {place}\n")
    sys.stdout.write(f"{len(reach.entered)} files\n")


if __name__ == "__main__":
    main()
