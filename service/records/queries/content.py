"""What a record says, as one canonical document, and whether the database still says the same.

The content is everything entered in a record and the layers and fixings it resulted in, as known
when it was handed in. Later corrections do not touch it: it stays what was signed.

One statement gathers the raw content of any number of records as text. The canonical JSON made
from it is remembered by the hash of that text, so that a page shown again costs the gathering only.
"""

import hashlib
import json
from collections import OrderedDict
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from threading import Lock
from typing import Any

from sqlalchemy import Select, bindparam, func, select
from sqlalchemy.orm import Session

from service.designs.tables import Design
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.arithmetic.dates import as_kept, span_of
from service.platform.arithmetic.dates import written as written_partial
from service.platform.queries.statements import statement
from service.records.queries.content_lists import LISTS, Gather
from service.records.tables import Decision, Meaning, RebuildRecord, RecordState, StepKind
from service.stacks.tables import Build, Stack

# The raw content of records as text, gathered by the database in one statement.
#
# Rows become JSON inside the database, in the words of either engine: hundreds of rows arrive as
# one text. SQLite writes floating-point numbers in JSON with 15 digits only, so that they are
# quoted there, which gives all 17; times are in each engine's own form. `document` reads both.


R = RebuildRecord


@dataclass(frozen=True, slots=True)
class RawContent:
    """One record's content as the database wrote it; ``lists`` are JSON arrays in `LISTS` order."""

    record_id: int
    state: RecordState
    content: str | None
    content_sha256: str | None
    signed_sha256: str | None
    head: str
    lists: tuple[str | None, ...]

    @property
    def fingerprint(self) -> bytes:
        """Hash of everything the document is made from."""
        text = "\x00".join([self.head, *(part or "" for part in self.lists)])
        return hashlib.sha256(text.encode()).digest()


def raw_contents(session: Session, ids: Sequence[int]) -> list[RawContent]:
    """Gather the content of some records; one statement."""
    lite = session.get_bind().dialect.name == "sqlite"
    rows: Any = session.execute(_contents(lite), {"ids": list(ids)})
    return [
        RawContent(record_id, state, content, sha256, signed, head, tuple(lists))
        for record_id, state, content, sha256, signed, head, *lists in rows
    ]


@statement
def _contents(lite: bool) -> Select[Any]:
    """The statement in the words of one engine."""
    gather = Gather(lite)
    return (
        select(
            R.id,
            R.state,
            R.content,
            R.content_sha256,
            select(Decision.content_sha256)
            .where(Decision.record_id == R.id, Decision.meaning == Meaning.APPROVED)
            .order_by(Decision.id.desc())
            .limit(1)
            .correlate(R)
            .scalar_subquery(),
            gather.head(),
            *gather.lists(),
        )
        .join(Stack, Stack.id == R.stack_id)
        .join(Design, Design.id == Stack.design_id)
        .outerjoin(Build, Build.id == func.coalesce(R.signed_base_build_id, R.base_build_id))
        .where(R.id.in_(bindparam("ids", expanding=True)))
        .order_by(R.id)
    )


# The document a record's content is written as: what JSON of it is hashed and signed.
#
# Times are ISO 8601 in UTC to the microsecond, torque in N·m, hours in h. Parts, people and
# instruments are named by number in the entries and once with their lasting marks below. An entry
# that was undone before hand-in stays in the document and says so.


FORM = "layerbook record 1"


def document(raw: RawContent) -> dict[str, Any]:
    """Return the content of one record, ready to be written as canonical JSON."""
    rows: dict[str, list[list[Any]]] = {
        name: json.loads(text) if text else [] for name, text in zip(LISTS, raw.lists, strict=True)
    }
    closing = {row[0] for row in rows["entries"] if row[1] == StepKind.CLOSING_CHECK.value}
    checks = [_make_safe(row) for row in sorted(rows["make_safe"], key=_place)]
    of_closing = [check for check in checks if check["entry"] in closing]
    return {
        "form": FORM,
        **_head(json.loads(raw.head)),
        "people": _named(sorted(rows["people"]), "person", "involvement"),
        "entries": [_entry(row) for row in sorted(rows["entries"])],
        "make_safe": [check for check in checks if check["entry"] not in closing],
        **({"closing_checks": of_closing} if of_closing else {}),
        "findings": [_finding(row) for row in sorted(rows["findings"], key=_two_places)],
        "torque_readings": [_torque(row) for row in sorted(rows["torque_readings"], key=_place)],
        **_tool_settings(rows["tool_settings"]),
        **_corner_heights(rows["corner_heights"]),
        **_held_closings(rows["held_closings"]),
        "hour_readings": [_hours(row) for row in sorted(rows["hour_readings"], key=_last)],
        "attachments": [_attachment(row) for row in sorted(rows["attachments"], key=_place)],
        "concessions": [_concession(row) for row in sorted(rows["concessions"], key=_place)],
        **_builds(rows["builds"]),
        "layers": _named(sorted(rows["layers"], key=_place), "position", "part", "facing", "cell"),
        "fixings": _named(sorted(rows["fixings"], key=_fixing), "kind", "rod", "end", "part"),
        "parts": _table(rows["parts"], "drawing", "revision", "serial", "lot", "item"),
        "persons": {str(number): login for number, login in rows["persons"]},
        "instruments": {str(number): label for number, label in rows["instruments"]},
        **_closing_result(rows["closing_results"]),
        **_stack_tests(rows["stack_tests"]),
        **_before_acts(rows),
    }


def _head(row: Sequence[Any]) -> dict[str, Any]:
    return {
        "record": row[0],
        "stack": row[1],
        "design": {"name": row[2], "revision": row[3]},
        "kind": row[4],
        "reason": row[5],
        "notes": row[6],
        "performed_from": _time(row[7]),
        "opened_at": _time(row[8]),
        "closed_at": _time(row[9]),
        "written": {"by": row[10], "at": _time(row[11])},
        "handed_in": {"by": row[12], "at": _time(row[13])},
        "began_from_build": row[14],
    }


def _entry(row: Sequence[Any]) -> dict[str, Any]:
    entry = {
        "number": row[0],
        "kind": row[1],
        "done_at": _time(row[9]),
        "written": {"by": row[11], "at": _time(row[10])},
    }
    content = {
        "end": row[2],
        "part": row[3],
        "exposed_part": row[4],
        "facing": row[5],
        "rod": row[6],
        "scanned": row[7],
        "note": row[8] or None,
        "departs_from": row[14],
        "deviation": _deviation(*row[15:18]),
        "act": row[18],
        "undone": {"by": row[13], "at": _time(row[12])} if row[12] else None,
    }
    return entry | {name: value for name, value in content.items() if value is not None}


def _deviation(text: str | None, because: str, unloaded: int | None) -> dict[str, Any] | None:
    """What an entry departs from, why it stands, and of an over-torque what was done first."""
    if text is None:
        return None
    first = {} if unloaded is None else {"unloaded_first": bool(unloaded)}
    return {"from": text, "because": because, **first}


WAIVER = ("number", "why", "reason", "given_by")


def _make_safe(row: Sequence[Any]) -> dict[str, Any]:
    return {
        "entry": row[0],
        "line": row[1],
        "wording": row[2],
        "reading": _number(row[3]),
        "unit": row[4],
        "instrument": row[5],
        "calibration": row[6],
        "person": row[7],
        "witness": row[8],
        **({"witness_confirmed_at": _time(row[9])} if row[9] else {}),
        **({"waiver": dict(zip(WAIVER, row[10:], strict=True))} if row[10] else {}),
    }


def _torque(row: Sequence[Any]) -> dict[str, Any]:
    return {
        "entry": row[0],
        "rod": row[1],
        "pass": row[2],
        "stage": row[3],
        "kind": row[4],
        **({"set_to_nm": _number(row[5])} if row[12] else {"torque_nm": _number(row[5])}),
        "entered": row[6],
        "instrument": row[7],
        "calibration": row[8],
        "concession": row[9],
        "taken_at": _time(row[10]),
        "by": row[11],
    }


def _tool_settings(rows: Sequence[Sequence[Any]]) -> dict[str, Any]:
    """What click tools were set to; left out where none was."""
    names = (
        *("entry", "pass", "checked", "set_to_nm", "entered", "instrument", "calibration"),
        *("concession", "checked_nm", "checked_entered", "tester", "tester_calibration"),
        "tester_concession",
    )
    settings = _named(sorted(rows, key=_place), *names)
    for setting in settings:
        for name in ("set_to_nm", "checked_nm"):
            setting[name] = _number(setting[name])
    return {"tool_settings": settings} if settings else {}


def _corner_heights(rows: Sequence[Sequence[Any]]) -> dict[str, Any]:
    """The heights at the corners; left out where none was measured."""
    names = ("entry", "corner", "pass", "x_mm", "y_mm", "height_mm", "instrument", "calibration")
    heights = _named(sorted(rows, key=_two_places), *names)
    for height in heights:
        height |= {name: _number(height[name]) for name in ("x_mm", "y_mm", "height_mm")}
    return {"corner_heights": heights} if heights else {}


def _held_closings(rows: Sequence[Sequence[Any]]) -> dict[str, Any]:
    """How the stack was held while its nuts were run down; left out where it was not."""
    names = (
        *("entry", "mode", "held_by", "press", "force_kn", "load_cell", "load_cell_calibration"),
        *("height_before_mm", "height_after_mm", "gauge", "calibration"),
    )
    closings = _named(sorted(rows, key=_place), *names)
    for held in closings:
        numbers = ("force_kn", "height_before_mm", "height_after_mm")
        held |= {name: _number(held[name]) for name in numbers}
    return {"held_closings": closings} if closings else {}


def _hours(row: Sequence[Any]) -> dict[str, Any]:
    return {
        "meter": row[0],
        "moment": row[1],
        "hours": _number(row[2]),
        "taken_at": _time(row[3]),
        "by": row[4],
    }


def _attachment(row: Sequence[Any]) -> dict[str, Any]:
    return {
        "sha256": row[1],
        "media_type": row[2],
        "size_bytes": row[3],
        "name": row[4],
        "part": row[5],
        "added": {"by": row[6], "at": _time(row[7])},
    }


def _concession(row: Sequence[Any]) -> dict[str, Any]:
    return {
        "concession": row[0],
        "part": row[1],
        "lot": row[2],
        "instrument": row[3],
        "reason": row[4],
        "given": {"by": row[5], "at": _time(row[6])},
    }


def _closing_result(rows: Sequence[Sequence[Any]]) -> dict[str, Any]:
    """What the arithmetic of the closing gave; a text that is no longer what was hashed says so."""
    if not rows:
        return {}
    formulas, version, inputs, inputs_now, results, results_now = rows[-1]
    changed = inputs != inputs_now or results != results_now
    return {
        "closing_result": {
            "formulas": formulas,
            "limit_set": version,
            "inputs_sha256": inputs_now,
            "results_sha256": results_now,
            **({"changed": True} if changed else {}),
        }
    }


def _stack_tests(rows: Sequence[Sequence[Any]]) -> dict[str, Any]:
    """Tests of the closed stack; left out where there are none."""
    names = (
        *("entry", "test", "result", "formula", "verdict", "limit_set", "instrument"),
        *("calibration", "thermometer", "thermometer_calibration"),
        *("flow_meter", "flow_meter_calibration"),
    )
    tests = _named(sorted(rows, key=_place), *names)
    for test in tests:
        test["test"], test["result"] = json.loads(test["test"]), json.loads(test["result"])
    return {"stack_tests": tests} if tests else {}


def _before_acts(rows: Mapping[str, list[list[Any]]]) -> dict[str, Any]:
    """Lists the record began with, bump tests and handovers; each left out where there is none."""
    bumps = _named(
        sorted(rows["bump_tests"], key=_place),
        *("entry", "instrument", "gas", "reading", "unit", "passed", "person"),
    )
    for bump in bumps:
        bump |= {"reading": _number(bump["reading"]), "passed": bool(bump["passed"])}
    content = {
        "make_safe_lists": _named(sorted(rows["make_safe_lists"]), "act", "list", "sha256"),
        "bump_tests": bumps,
        "handovers": _named(
            sorted(rows["handovers"], key=_place), "entry", "from", "to", "pile", "covers"
        ),
    }
    return {name: listed for name, listed in content.items() if listed}


def _builds(rows: Sequence[Sequence[Any]]) -> dict[str, Any]:
    """The build this record opened, and the one it closed."""
    opened = [row for row in rows if row[2] is not None]
    by_record = [row for row in rows if row[3]]
    return {
        "opened_build": [{"number": row[0], "opened_at": _time(row[2])} for row in opened],
        "made_build": [{"number": row[0], "closed_at": _time(row[1])} for row in by_record],
    }


def _finding(row: Sequence[Any]) -> dict[str, Any]:
    """A finding without a place reads as before there were places."""
    names = ("entry", "", "part", "condition", "severity", "where", "note")
    more = ("face", "places", "area_percent")
    return {
        **{name: value for name, value in zip(names, row, strict=False) if name},
        **{
            name: value
            for name, value in zip(more, row[len(names) :], strict=True)
            if value is not None
        },
    }


def _named(rows: Sequence[Sequence[Any]], *names: str) -> list[dict[str, Any]]:
    return [{name: value for name, value in zip(names, row, strict=True) if name} for row in rows]


def _table(rows: Sequence[Sequence[Any]], *names: str) -> Mapping[str, dict[str, Any]]:
    return {
        str(row[0]): {
            name: value for name, value in zip(names, row[1:], strict=True) if value is not None
        }
        for row in rows
    }


def _time(written: str | None) -> str | None:
    """A time as either engine writes it, in UTC to the microsecond."""
    if written is None:
        return None
    plain = written.removesuffix("+00:00")
    if plain[20:23] == "999":
        at = as_kept(datetime.fromisoformat(plain).replace(tzinfo=UTC))
        if span_of(at).known:
            return written_partial(at)
    if len(plain) == 26:  # 2026-03-07 14:20:00.000000, or with a T
        return f"{plain[:10]}T{plain[11:]}Z"
    at = datetime.fromisoformat(written)
    at = at.replace(tzinfo=UTC) if at.tzinfo is None else at.astimezone(UTC)
    return f"{at:%Y-%m-%dT%H:%M:%S.%f}Z"


def _number(written: float | str | None) -> float | None:
    return None if written is None or written == "NULL" else float(written)


def _place(row: Sequence[Any]) -> Any:
    return row[0]


def _two_places(row: Sequence[Any]) -> Any:
    return row[0], row[1]


def _last(row: Sequence[Any]) -> Any:
    return row[-1]


def _fixing(row: Sequence[Any]) -> Any:
    return row[0], row[1] or 0, row[2] or "", row[3]


REMEMBERED = 4096
AT_ONCE = 200


@dataclass(frozen=True, slots=True)
class RecordContent:
    """A record's content: the canonical JSON and its SHA-256, in hexadecimal."""

    canonical: str
    sha256: str


@dataclass(frozen=True, slots=True)
class Verification:
    """Comparison of a record handed in: the hash kept, the hash computed from the rows now.

    ``why`` says in words what is wrong, empty where it holds.
    """

    stored: str
    computed: str
    holds: bool
    why: str = ""


class _Remembered:
    """Hashes of contents by the hash of their raw text; the least used are forgotten."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: OrderedDict[bytes, str] = OrderedDict()
        self._lock = Lock()

    def get(self, key: bytes) -> str | None:
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
            return self._kept.get(key)

    def keep(self, key: bytes, sha256: str) -> None:
        with self._lock:
            self._kept[key] = sha256
            if len(self._kept) > self._most:
                self._kept.popitem(last=False)


_remembered = _Remembered(REMEMBERED)


def record_content(session: Session, ids: Iterable[int]) -> dict[int, RecordContent]:
    """Return what each record says, as known when it was handed in, else as it stands now.

    One statement for 200 records.
    """
    return {
        raw.record_id: _content(raw) for some in _parted(ids) for raw in raw_contents(session, some)
    }


def verify(session: Session, ids: Iterable[int]) -> dict[int, Verification]:
    """Verify that the database still says what was handed in and signed.

    Records without a hash (not handed in, or taken up again) are left out. One statement for 200
    records. Holds where the rows, the kept document and the signature all give the kept hash.
    """
    return {
        raw.record_id: _verification(raw, raw.content_sha256)
        for some in _parted(ids)
        for raw in raw_contents(session, some)
        if raw.content_sha256 is not None
    }


def holds(verifications: Mapping[int, Verification], record_id: int | None) -> bool | None:
    """Say whether one record's content holds; None where there is nothing to compare."""
    verification = verifications.get(record_id) if record_id is not None else None
    return None if verification is None else verification.holds


def _content(raw: RawContent) -> RecordContent:
    canonical = canonical_json(document(raw))
    content = RecordContent(canonical, sha256_of(canonical))
    _remembered.keep(raw.fingerprint, content.sha256)
    return content


def _verification(raw: RawContent, stored: str) -> Verification:
    computed = _remembered.get(raw.fingerprint)
    if computed is None:
        try:
            computed = _content(raw).sha256
        except (ValueError, TypeError, IndexError):
            return Verification(stored, "", False, "The rows can no longer be read as a record.")
    why = ""
    if computed != stored:
        why = "The entries or layers are no longer those that were handed in."
    elif raw.content is None or sha256_of(raw.content) != stored:
        why = "The kept document is no longer the one that was handed in."
    elif raw.state is RecordState.APPROVED and raw.signed_sha256 != stored:
        why = "The approval was not given for this content."
    return Verification(stored, computed, not why, why)


def _parted(ids: Iterable[int]) -> Iterable[Sequence[int]]:
    every = sorted(set(ids))
    return (every[start : start + AT_ONCE] for start in range(0, len(every), AT_ONCE))


# Verifications remembered as long as nothing at all was committed to the database since.
#
# To verify a record of 700 layers takes longer than everything else on a stack's sheet. Both
# engines can say whether two views of the data are the same one: SQLite counts commits of other
# connections (``PRAGMA data_version``) and changes of its own, PostgreSQL names its snapshots. What
# was verified under the same view need not be verified again; the first commit ends it.

MOST_KEPT = 1000
_INFO = "verifications"


def verified(session: Session, ids: Iterable[int]) -> dict[int, Verification]:
    """Verify what was handed in and signed, as `verify`, sooner."""
    connection = session.connection()
    view = _view(connection)
    cached: tuple[Hashable, dict[int, Verification | None]] | None = connection.info.get(_INFO)
    if cached is None or cached[0] != view or len(cached[1]) > MOST_KEPT:
        cached = connection.info[_INFO] = (view, {})
    results = cached[1]
    wanted_ids = set(ids)
    missing = wanted_ids - results.keys()
    if missing:
        fresh = verify(session, missing)
        results.update({record_id: fresh.get(record_id) for record_id in missing})
    chosen = {record_id: results[record_id] for record_id in wanted_ids}
    return {record_id: each for record_id, each in chosen.items() if each is not None}


def _view(connection: Any) -> Hashable:
    """Names the data this connection sees now: equal names, equal data."""
    if connection.dialect.name == "sqlite":
        version = connection.exec_driver_sql("PRAGMA data_version").scalar_one()
        return version, connection.connection.dbapi_connection.total_changes
    return str(connection.exec_driver_sql("SELECT pg_current_snapshot()::text").scalar_one())
