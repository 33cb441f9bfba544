"""What a record says, as one canonical document, and whether the database still says the same.

The content is everything entered in a record and the layers and fixings it resulted in, as known
when it was handed in. Later corrections do not touch it: it stays what was signed.

One statement gathers the raw content of any number of records as text. The canonical JSON made
from it is remembered by the hash of that text, so that a page shown again costs the gathering only.
"""

from collections import OrderedDict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from threading import Lock

from sqlalchemy.orm import Session

from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.records.queries.content_document import document
from service.records.queries.content_text import RawContent, raw_contents
from service.records.tables import RecordState

REMEMBERED = 4096
AT_ONCE = 200


@dataclass(frozen=True, slots=True)
class RecordContent:
    """A record's content: the canonical JSON and its SHA-256, in hexadecimal."""

    canonical: str
    sha256: str


@dataclass(frozen=True, slots=True)
class Verification:
    """Whether a record handed in still holds: the hash kept, the hash computed from the rows now.

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
    """What does each record say, as known when it was handed in, else as it stands now?

    One statement for 200 records.
    """
    return {
        raw.record_id: _content(raw) for some in _parted(ids) for raw in raw_contents(session, some)
    }


def verify(session: Session, ids: Iterable[int]) -> dict[int, Verification]:
    """Does the database still say what was handed in and signed?

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
    """Whether one record's content holds; None where there is nothing to compare."""
    found = verifications.get(record_id) if record_id is not None else None
    return None if found is None else found.holds


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
