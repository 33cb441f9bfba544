"""The raw content of records as text, gathered by the database in one statement.

Rows become JSON inside the database, in the words of either engine: hundreds of rows arrive as
one text. SQLite writes floating-point numbers in JSON with 15 digits only, so that they are quoted
there, which gives all 17; times are in each engine's own form. `content_document` reads both.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, bindparam, select
from sqlalchemy.orm import Session

from service.designs.tables import Design
from service.platform.queries.prepared import statement
from service.records.queries.content_lists import Gather
from service.records.tables import Decision, Meaning, RebuildRecord, RecordState
from service.stacks.tables.stacks import Build, Stack

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
        .outerjoin(Build, Build.id == R.base_build_id)
        .where(R.id.in_(bindparam("ids", expanding=True)))
        .order_by(R.id)
    )
