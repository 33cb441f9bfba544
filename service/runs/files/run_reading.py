"""Reading a log that was sent, in the background: how far it is stands in the database.

Whoever asks may ask any server process; a reading whose process is gone is told so after a while
and can be begun anew.
"""

import json
import logging
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import Engine

from service.platform.arithmetic.errors import TradeError
from service.platform.database import Work, changing, housekeeping, now_utc, reading
from service.platform.errors import Busy, LayerbookError, Refused
from service.platform.permissions import Person
from service.runs.arithmetic.log_columns import Mapping, TimeKind, mapping_from_data
from service.runs.arithmetic.log_times import EARLIEST_S, LATEST_S
from service.runs.arithmetic.run_counting import RunCounter, RunFound
from service.runs.changes.run_readings import LogRead, refuse_early
from service.runs.changes.run_uploads import (
    Sent,
    ask_reading,
    begin_upload,
    end_upload,
    forget_uploads,
    note_progress,
)
from service.runs.changes.runs import StoredLog, already_taken, import_run, read_run_again
from service.runs.files import run_files
from service.runs.files.logs import RunLog, look_at
from service.runs.files.run_files import Received
from service.runs.queries.run_checks import UploadRow, area_of_stack, run_with_content, upload

AT_ONCE = threading.Semaphore(2)
"""Readings of one process at a time; the others wait their turn."""
END_TRIES = 6
"""Each waits for the database as long as any change does."""
WAITING_TOLD_S = 20.0
TOLD_EVERY = timedelta(seconds=1)
log = logging.getLogger("layerbook")

Told = Callable[[float, str], None]


@dataclass(frozen=True, slots=True)
class Asked:
    """How a log is to be read, as a person or a machine said.

    ``again``: the run whose file is read anew, with the ``reason``.
    """

    mapping: Mapping | None = None
    began_at: datetime | None = None
    note: str = ""
    again: int | None = None
    reason: str = ""
    via: str = "page"

    def to_json(self) -> str:
        """Return JSON text, the mapping inside it."""
        return json.dumps(
            {
                "mapping": None if self.mapping is None else json.loads(self.mapping.to_json()),
                "began_at": None if self.began_at is None else self.began_at.isoformat(),
                "note": self.note,
                "again": self.again,
                "reason": self.reason,
                "via": self.via,
            },
            ensure_ascii=False,
        )


def asked_of(text: str) -> Asked:
    """Return what was asked, from its JSON text: this program wrote it."""
    data: dict[str, Any] = json.loads(text)
    mapping, began_at = data.get("mapping"), data.get("began_at")
    return Asked(
        None if mapping is None else mapping_from_data(mapping),
        None if began_at is None else datetime.fromisoformat(began_at),
        data.get("note", ""),
        data.get("again"),
        data.get("reason", ""),
        data.get("via", "page"),
    )


def place_of(folder: Path, upload_row: UploadRow) -> Path:
    """Say where the file of an upload lies: as it came, or as a run's file that is read again."""
    if asked_of(upload_row.asked).again is not None:
        return run_files.path_of(folder, upload_row.content_sha256)
    return run_files.upload_path(folder, upload_row.token)


@dataclass(frozen=True, slots=True)
class LogTaking:
    """Takes logs in: into which database and data folder, in whose name; ``zone`` the lab's."""

    engine: Engine
    folder: Path
    zone: str
    by: Person

    def note(self, stack_id: int, received: Received, instructions: Asked) -> None:
        """Note a file that came in; what came in long ago and went nowhere is forgotten.

        Raises Refused where it was taken in before or is no log; whatever is raised, the file is
        forgotten.
        """
        now, text = now_utc(), instructions.to_json()
        sent_file = Sent(
            received.token, received.name, received.size_bytes, received.content_sha256
        )
        try:
            self._look(received, instructions)
            with housekeeping(self.engine) as session:
                gone = forget_uploads(session, now)
                begin_upload(
                    session, stack_id, sent_file, by_id=self.by.id, instructions=text, now=now
                )
        except BaseException:
            run_files.forget_upload(self.folder, received.token)
            raise
        for token in gone:
            run_files.forget_upload(self.folder, token)

    def _look(self, received: Received, instructions: Asked) -> None:
        if instructions.again is not None:
            return
        with reading(self.engine) as session:
            earlier_run = run_with_content(session, received.content_sha256)
        if earlier_run is not None:
            raise already_taken(earlier_run, received.name)
        try:
            look_at(run_files.upload_path(self.folder, received.token), instructions.mapping)
        except Refused as trouble:
            raise Refused("log", received.name, trouble.reason, trouble.right_would_be) from None

    def begin(
        self, token: str, instructions: Asked, stack_id: int | None = None
    ) -> threading.Thread:
        """Begin to read a file in the background, for another stack if one is named.

        Raises Refused where it is being read.
        """
        with housekeeping(self.engine) as session:
            text, by_id = instructions.to_json(), self.by.id
            ask_reading(
                session, token, instructions=text, by_id=by_id, now=now_utc(), stack_id=stack_id
            )
        thread = threading.Thread(
            target=self._to_its_end, args=(token,), name=f"reading {token[:8]}", daemon=True
        )
        thread.start()
        return thread

    def keep(self, upload_row: UploadRow, instructions: Asked, log_read: LogRead) -> int:
        """Keep the file and write the run, or what a known run is read as now; its id."""
        if instructions.again is not None:
            with changing(self.engine, self.by, via=instructions.via) as work:
                read_run_again(
                    work,
                    instructions.again,
                    log_read,
                    reason=instructions.reason,
                    stack_id=upload_row.stack_id,
                )
            return instructions.again
        received = Received(
            upload_row.token, upload_row.name, upload_row.size_bytes, upload_row.content_sha256
        )
        stored = run_files.keep_upload(self.folder, received)
        file = StoredLog(stored.content_sha256, stored.size_bytes, stored.name)
        with changing(self.engine, self.by, via=instructions.via) as work:
            run_id = import_run(work, upload_row.stack_id, file, log_read, note=instructions.note)
        run_files.forget_upload(self.folder, upload_row.token)
        return run_id

    def _to_its_end(self, token: str) -> None:
        while not AT_ONCE.acquire(timeout=WAITING_TOLD_S):  # silent, it would be told as abandoned
            with suppress(Busy), housekeeping(self.engine) as session:
                note_progress(session, token, 0.0, "It waits until other logs are read", now_utc())
        try:
            self._in_turn(token)
        finally:
            AT_ONCE.release()

    def _in_turn(self, token: str) -> None:
        run_id: int | None = None
        refused = ""
        try:
            run_id = self._read_and_keep(token)
        except Refused as trouble:
            refused = _in_words(trouble)
        except LayerbookError as trouble:
            refused = str(trouble)
        except BaseException:  # the outermost edge of a thread; a panic is no Exception
            log.exception("a log could not be read")
            refused = (
                "It could not be read: an error of this program, which stands in the server's"
                " log. Nothing was changed."
            )
        for _ in range(END_TRIES):
            with suppress(Busy):
                self._end(token, run_id, refused)
                break

    def _end(self, token: str, run_id: int | None, refused: str) -> None:
        """Note how a reading ended; where that cannot be, it will be told as abandoned."""
        try:
            with housekeeping(self.engine) as session:
                end_upload(session, token, run_id=run_id, refused=refused, now=now_utc())
        except Busy:
            raise
        except Exception:  # the database is gone
            log.exception("how a reading ended could not be noted")

    def _refuse_early(self, stack_id: int, instructions: Asked, first_s: float) -> None:
        """Look at the first row alone, so that nobody waits for the end of a wrong log."""
        if instructions.mapping is None or instructions.again is not None:
            return
        has_clock = instructions.mapping.time.kind is TimeKind.CLOCK
        if has_clock and not EARLIEST_S < first_s < LATEST_S:
            return  # told with the rest
        began_at = datetime.fromtimestamp(first_s, UTC) if has_clock else instructions.began_at
        if began_at is not None:
            with reading(self.engine) as session:
                refuse_early(
                    Work(session, self.by, now_utc()), stack_id, instructions.mapping, began_at
                )

    def _read_and_keep(self, token: str) -> int:
        with reading(self.engine) as session:
            upload_row = upload(session, token)
            area_cm2 = area_of_stack(session, upload_row.stack_id)
        instructions = asked_of(upload_row.asked)
        if instructions.mapping is None:
            raise Refused("mapping", "", "nobody said which column is what.", "A mapping.")
        path = place_of(self.folder, upload_row)
        if not path.is_file():
            raise Refused(
                "log", upload_row.name, "its file is not there any more.", "Send it again."
            )
        progress = _Progress(self.engine, token, now_utc())

        def begins(first_s: float) -> None:
            self._refuse_early(upload_row.stack_id, instructions, first_s)

        totals, notes = read_log(
            path, instructions.mapping, self.zone, area_cm2, progress.tell, begins=begins
        )
        words = f"{totals.times.rows} rows read; hours and voltages are being written"
        progress.tell(1.0, words, at_once=True)
        return self.keep(
            upload_row,
            instructions,
            LogRead(instructions.mapping, totals, instructions.began_at, notes),
        )


@dataclass(slots=True)
class _Progress:
    """Says how far a reading is, once a second."""

    engine: Engine
    token: str
    next_at: datetime

    def tell(self, share: float, message: str, *, at_once: bool = False) -> None:
        now = now_utc()
        if at_once or now >= self.next_at:
            self.next_at = now + TOLD_EVERY
            with suppress(Busy), housekeeping(self.engine) as session:  # how far it is may wait
                note_progress(session, self.token, share, message, now)


def read_log(
    path: Path,
    mapping: Mapping,
    zone: str,
    area_cm2: float,
    progress: Told | None = None,
    *,
    begins: Callable[[float], None] | None = None,
) -> tuple[RunFound, tuple[str, ...]]:
    """Read a log and count what is in it; sentences on what was left out come beside.

    ``begins`` is told the time of the first row, s from the log's zero, before the rest is read.
    Raises Refused, saying what would be right.
    """
    source = RunLog(path, mapping, zone)
    counter = RunCounter(mapping, area_cm2)
    try:
        for batch in source.batches(
            None
            if progress is None
            else lambda rows, total: progress(
                rows / max(1, total), f"{source.notes.rows} rows read"
            )
        ):
            if begins is not None and batch.first_row == 1 and batch.time_s is not None:
                begins(float(batch.time_s[0]))
            counter.feed(batch)
        totals = counter.result()
    except TradeError as trouble:
        raise Refused("log", path.name if progress is None else "", str(trouble)) from None
    return totals, source.notes.in_words


def _in_words(trouble: Refused) -> str:
    """A refusal as one paragraph, without the name of a field nobody sees there."""
    value_words = "" if trouble.value in (None, "") else f"“{trouble.value}”: "
    reason = trouble.reason if value_words else trouble.reason[:1].upper() + trouble.reason[1:]
    return f"{value_words}{reason} {trouble.right_would_be}".strip()
