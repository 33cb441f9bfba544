"""Saved mappings: which column of a bench's logs is what. A changed one is a new version."""

from sqlalchemy import select

from service.platform import changes
from service.platform.audit import Did
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.runs.arithmetic.log_columns import Mapping
from service.runs.tables import ColumnMapping


def keep_mapping(work: Work, name: str, mapping: Mapping) -> int:
    """Keep a mapping under a name; the newest version of a name holds. Gives its id.

    Raises Refused where nothing differs from the newest version.
    """
    need(work.by, Act.RUN_WRITE)
    if not work.by.id:
        raise Refused("kept by", "", "a mapping is kept by a person.", "Name somebody.")
    called = changes.words("mapping_name", name, "Such as “bench 3”.", most=80)
    newest = work.session.execute(
        select(ColumnMapping.version, ColumnMapping.content)
        .where(ColumnMapping.name == called)
        .order_by(ColumnMapping.version.desc())
        .limit(1)
    ).first()
    content = mapping.to_json()
    if newest is not None and newest.content == content:
        raise Refused(
            "mapping_name",
            called,
            f"nothing differs from its version {newest.version}.",
            "Another name, or a change.",
        )
    version = (newest.version if newest else 0) + 1
    row = ColumnMapping(
        name=called, version=version, content=content, by_id=work.by.id, made_at=work.now
    )
    work.session.add(row)
    work.session.flush()
    work.note(
        Did.MAPPING_KEPT,
        ("column mapping", row.id, f"{called}, version {version}"),
        [("version", newest.version if newest else None, version), ("content", None, content)],
    )
    return row.id
