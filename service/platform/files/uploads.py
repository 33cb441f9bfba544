"""A file kept between two steps of an import, for whoever sent it, so that nothing is sent twice.

It lies under a name nobody can guess, is given back to the same person only, and is forgotten
after a day.
"""

import json
import re
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from service.platform.errors import NotFound

KEPT_FOR = timedelta(hours=24)
TOKEN = re.compile(r"[A-Za-z0-9_-]{32}")


@dataclass(frozen=True, slots=True)
class Upload:
    """A file as it was sent."""

    token: str
    name: str
    content: bytes


def keep(folder: Path, person_id: int, name: str, content: bytes, now: datetime) -> str:
    """Keep a file and give the token it is found by; older ones are forgotten."""
    place = folder / "uploads"
    place.mkdir(parents=True, exist_ok=True, mode=0o700)
    _forget_old(place, now)
    token = secrets.token_urlsafe(24)
    (place / f"{token}.content").write_bytes(content)
    note = {"person": person_id, "name": name[-200:], "at": now.isoformat()}
    (place / f"{token}.json").write_text(json.dumps(note), encoding="utf-8")
    return token


def find(folder: Path, person_id: int, token: str) -> Upload:
    """Find a kept file. Raises NotFound: unknown, somebody else's, or forgotten by now."""
    place = folder / "uploads"
    if not TOKEN.fullmatch(token) or not (place / f"{token}.json").is_file():
        raise NotFound("uploaded file (it is kept for a day; send it again)", token[:8])
    note = json.loads((place / f"{token}.json").read_text(encoding="utf-8"))
    if note["person"] != person_id:
        raise NotFound("uploaded file of yours", token[:8])
    return Upload(token, note["name"], (place / f"{token}.content").read_bytes())


def forget(folder: Path, token: str) -> None:
    """Forget a file once it was imported."""
    if TOKEN.fullmatch(token):
        for ending in ("json", "content"):
            (folder / "uploads" / f"{token}.{ending}").unlink(missing_ok=True)


def _forget_old(place: Path, now: datetime) -> None:
    for note in place.glob("*.json"):
        kept_at = datetime.fromisoformat(json.loads(note.read_text(encoding="utf-8"))["at"])
        if now - kept_at > KEPT_FOR:
            forget(place.parent, note.stem)
