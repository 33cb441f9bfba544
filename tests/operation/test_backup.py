"""A backup brings everything back, on either engine, or says what is wrong with it."""

import gzip
import hashlib
import io
import json
import tarfile
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, select, text
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.operation import files
from service.operation.files import check_all, make_backup, read_manifest, restore_backup, size_of
from service.operation.migrating import connected, newest_revision, revision_of, triggers
from service.operation.queries import LEFT_OUT, count_rows, kept_tables, rows_of
from service.operation.tables import metadata
from service.platform.arithmetic.dates import parse_partial
from service.platform.database import make_engine, reading
from service.platform.errors import NotFound, Refused
from service.platform.files.photos import Checked, path_of, store
from service.platform.tables import Attachment
from service.records.tables import RebuildRecord
from service.runs.files import run_files
from service.runs.tables import Run, RunKind
from tests import builders
from tests.closing.closings import give_stiffness, put_limits_in_force

PHOTO = b"not a photo, but bytes all the same \x00\xff"
LOG = b"time (s);I (A)\n0;70,1\n"
MADE_AT = builders.FIRST_CLOSING + timedelta(days=300)


def silent(_more: int) -> None:
    """No progress bar."""


@pytest.fixture
def lab(engine: Engine, tmp_path: Path) -> Engine:
    """A laboratory with two builds, limits, somebody signed in, a photo at a record and a part."""
    stored = store(tmp_path / "data", Checked(PHOTO, "image/jpeg", "cell 2.jpg"))
    (tmp_path / "log.csv").write_bytes(LOG)
    log = run_files.keep(tmp_path / "data", tmp_path / "log.csv", "log.csv")
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=3)
        build = builders.a_build(session, stack, hours=211.5)
        part = builders.a_part(session, builders.the_part_types(session).mea, serial="Ü-7 “x”\n")
        part.measured_thickness_mm = 0.48
        part.added_at = parse_partial("1998-05") or MADE_AT
        give_stiffness(session)
        put_limits_in_force(session, stack.design_id)
        person = builders.a_person(session, "builder")
        session.add(
            Run(
                stack_id=stack.id,
                kind=RunKind.LOG,
                content_sha256=log.content_sha256,
                size_bytes=log.size_bytes,
                name=log.name,
                added_by_id=person.id,
                added_at=MADE_AT,
            )
        )
        for where in ({"record_id": build.record_id}, {"part_id": part.id}):
            session.add(
                Attachment(
                    content_sha256=stored.content_sha256,
                    media_type=stored.media_type,
                    size_bytes=stored.size_bytes,
                    name=stored.name,
                    added_by_id=person.id,
                    added_at=builders.FIRST_CLOSING + timedelta(days=200),
                    **where,
                )
            )
        session.commit()
    return engine


@pytest.fixture
def archive(lab: Engine, tmp_path: Path) -> Path:
    """A backup of it."""
    file = tmp_path / "lab.tar.gz"
    make_backup(lab, tmp_path / "data", file, MADE_AT, silent)
    return file


@pytest.fixture
def other_url(empty_url: str) -> str:
    """A database with nothing in it, on each engine in turn."""
    return empty_url


def contents(engine: Engine) -> dict[str, list[list[Any]]]:
    """All rows of all tables, as plain values."""
    with reading(engine) as session:
        return {table.name: list(rows_of(session, table)) for table in kept_tables()}


@pytest.mark.parametrize(
    ("database_url", "empty_url"),
    [
        ("sqlite", "postgresql"),
        ("postgresql", "sqlite"),
        pytest.param("sqlite", "sqlite", marks=pytest.mark.night),
        pytest.param("postgresql", "postgresql", marks=pytest.mark.night),
    ],
    indirect=True,
)
def test_everything_comes_back_on_either_engine(
    lab: Engine, archive: Path, other_url: str, tmp_path: Path
) -> None:
    """Row for row, file for file; hashes hold; guards stand; counting goes on."""
    manifest = read_manifest(archive, silent)

    restore_backup(archive, manifest, other_url, tmp_path / "other", silent)

    other = make_engine(other_url)
    assert contents(other) == contents(lab)
    assert revision_of(other) == newest_revision()
    found = check_all(other, tmp_path / "other", silent)
    assert (found.records, found.attachments, found.runs, found.wrong) == (2, 1, 1, ())
    with Session(other) as session:
        with pytest.raises(IntegrityError, match="written anew"), session.begin_nested():
            session.execute(text("UPDATE layer SET position = position + 100"))
        with pytest.raises(IntegrityError), session.begin_nested():
            session.execute(text("INSERT INTO person_role (person_id, role) VALUES (999, 'admin')"))
        builders.a_build(session, builders.a_stack(session, cells=2))
        session.commit()
    other.dispose()


def test_no_table_is_forgotten() -> None:
    """A new table is in the backup, or left out on purpose."""
    assert {table.name for table in kept_tables()} | LEFT_OUT == set(metadata.tables)


def test_progress_adds_up_to_what_was_announced(
    lab: Engine, tmp_path: Path, newest_url: str
) -> None:
    """A bar that ends at its end."""
    steps: list[int] = []
    manifest = make_backup(lab, tmp_path / "data", tmp_path / "b.gz", MADE_AT, steps.append)
    assert sum(steps) == size_of(lab) == manifest.size

    steps.clear()
    read_manifest(tmp_path / "b.gz", steps.append)
    assert 0 < sum(steps) <= (tmp_path / "b.gz").stat().st_size

    steps.clear()
    restore_backup(tmp_path / "b.gz", manifest, newest_url, tmp_path / "other", steps.append)
    assert sum(steps) == manifest.size


def test_only_its_owner_may_read_an_archive(archive: Path) -> None:
    """It holds password hashes; nothing half-written lies beside it."""
    assert archive.stat().st_mode & 0o077 == 0
    assert [file.name for file in archive.parent.glob("*.gz*")] == [archive.name]


def test_a_backup_writes_over_nothing(lab: Engine, archive: Path, tmp_path: Path) -> None:
    """The file is named and left as it was."""
    before = archive.read_bytes()

    with pytest.raises(Refused, match=r"lab\.tar\.gz.*exists already"):
        make_backup(lab, tmp_path / "data", archive, MADE_AT, silent)

    assert archive.read_bytes() == before


def test_a_backup_is_not_made_without_its_files(lab: Engine, tmp_path: Path) -> None:
    """An attachment gone from the disk is said now, not at restoring."""
    with Session(lab) as session:
        sha256 = session.scalars(select(Attachment.content_sha256)).first()
    path_of(tmp_path / "data", str(sha256)).unlink()

    with pytest.raises(NotFound, match="file of the attachment"):
        make_backup(lab, tmp_path / "data", tmp_path / "b.gz", MADE_AT, silent)

    assert not list(tmp_path.glob("*.gz*"))


def test_a_database_with_rows_is_not_restored_into(
    lab: Engine, archive: Path, tmp_path: Path
) -> None:
    """Nothing is mixed."""
    before = contents(lab)
    manifest = read_manifest(archive, silent)
    url = lab.url.render_as_string(hide_password=False)

    with pytest.raises(Refused, match="rows already"):
        restore_backup(archive, manifest, url, tmp_path / "other", silent)

    assert contents(lab) == before


def repacked(source: Path, change: Callable[[str, bytes], bytes | None]) -> Path:
    """An archive with some members changed, or left out."""
    target = source.with_name("changed.tar.gz")
    with tarfile.open(source) as old, tarfile.open(target, "w:gz") as new:
        for member in old:
            file = old.extractfile(member)
            assert file is not None
            content = change(member.name, file.read())
            if content is not None:
                member.size = len(content)
                new.addfile(member, io.BytesIO(content))
    return target


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (
            lambda name, old: old.replace(b"211.5", b"111.5") if "hour_reading" in name else old,
            "tables/hour_reading.jsonl is not what was saved",
        ),
        (lambda name, old: old + b"x" if "attachments" in name else old, "is not what was saved"),
        (lambda name, old: None if "tables/layer" in name else old, "tables/layer.jsonl"),
        (lambda name, old: None if name == "manifest.json" else old, "its manifest is not there"),
        (lambda name, old: b"{}" if name == "manifest.json" else old, "no backup of ours"),
        (
            lambda name, old: old.replace(b"backup 1", b"backup 9") if "manifest" in name else old,
            "layerbook backup 9",
        ),
    ],
)
def test_a_damaged_archive_is_refused(
    archive: Path, change: Callable[[str, bytes], bytes | None], says: str
) -> None:
    """Before anything is written."""
    with pytest.raises(Refused, match=says):
        read_manifest(repacked(archive, change), silent)


def with_member(source: Path, member: tarfile.TarInfo, content: bytes) -> Path:
    """An archive with one member more, which its manifest knows of."""
    target = source.with_name("changed.tar.gz")
    member.size = len(content)
    with tarfile.open(source) as old, tarfile.open(target, "w:gz") as new:
        new.addfile(member, io.BytesIO(content))
        for each in old:
            file = old.extractfile(each)
            assert file is not None
            kept = file.read()
            if each.name == "manifest.json":
                said = json.loads(kept)
                said["sha256"][member.name] = hashlib.sha256(content).hexdigest()
                kept = json.dumps(said).encode()
                each.size = len(kept)
            new.addfile(each, io.BytesIO(kept))
    return target


OTHER_CONTENTS = (f"runs/{'0' * 64}", f"attachments/{'0' * 64}")


@pytest.mark.parametrize(
    "name",
    [
        "runs/../../../outside/evil",
        OTHER_CONTENTS[0],
        *(
            pytest.param(name, marks=pytest.mark.night)
            for name in (
                "runs/evil",
                f"runs/{'0' * 64}/../../../../evil",
                f"/attachments/{'0' * 64}",
                "attachments/../evil",
                "tables/../evil.jsonl",
                "cache/templates/evil",
                "evil",
                OTHER_CONTENTS[1],
            )
        ),
    ],
)
def test_nothing_is_restored_beside_its_place(
    archive: Path, empty_url: str, tmp_path: Path, name: str
) -> None:
    """A name which leads elsewhere, or says another content, is refused before anything is written.

    So it is while restoring, should the archive change after it was checked.
    """
    manifest = read_manifest(archive, silent)
    foreign = with_member(archive, tarfile.TarInfo(name), b"* * * * * root evil")
    before = set(tmp_path.rglob("*"))
    says = "is not what was saved" if name in OTHER_CONTENTS else "is no part of a backup"

    with pytest.raises(Refused, match=says):
        read_manifest(foreign, silent)
    with pytest.raises(Refused, match=says):
        restore_backup(foreign, manifest, empty_url, tmp_path / "deep" / "data", silent)

    written = {path for path in set(tmp_path.rglob("*")) - before if path.is_file()}
    assert not [path for path in written if "empty.sqlite" not in path.name]


def test_a_link_or_too_large_a_member_is_no_part_of_a_backup(
    archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Files only, and none larger than a server can have taken."""
    link = tarfile.TarInfo(OTHER_CONTENTS[0])
    link.type, link.linkname = tarfile.SYMTYPE, "/etc/passwd"

    with pytest.raises(Refused, match="no part of a backup"):
        read_manifest(with_member(archive, link, b""), silent)
    monkeypatch.setitem(files.MEMBERS, "runs", (files.HASH, len(LOG) - 1))
    with pytest.raises(Refused, match="larger than any such file can be"):
        read_manifest(archive, silent)
    monkeypatch.setitem(files.MEMBERS, "runs", (files.HASH, len(LOG)))
    assert read_manifest(archive, silent).rows


@pytest.mark.parametrize("kept", [0.01, 0.5, 0.9])
def test_an_archive_cut_short_is_refused(archive: Path, kept: float) -> None:
    """A disk that was full, a copy that was stopped."""
    archive.write_bytes(archive.read_bytes()[: int(archive.stat().st_size * kept)])

    with pytest.raises(Refused, match=r"cannot be read|not whole"):
        read_manifest(archive, silent)


@pytest.mark.parametrize(
    "content",
    [b"", b"serial;type\nM-1;MEA\n", gzip.compress(b"hello", mtime=0)],
    ids=["empty", "list", "gzipped"],
)
def test_a_file_that_is_no_backup_is_refused(tmp_path: Path, content: bytes) -> None:
    """Whatever somebody picked by mistake."""
    file = tmp_path / "list.csv"
    file.write_bytes(content)

    with pytest.raises(Refused, match=r"list\.csv"):
        read_manifest(file, silent)


def test_a_backup_of_a_newer_version_is_refused(
    archive: Path, empty_url: str, tmp_path: Path
) -> None:
    """Its tables may mean something this program does not know."""
    newer = repacked(
        archive,
        lambda name, old: (
            json.dumps(json.loads(old) | {"revision": "ffff"}).encode()
            if name == "manifest.json"
            else old
        ),
    )

    with pytest.raises(Refused, match="newer version"):
        restore_backup(newer, read_manifest(newer, silent), empty_url, tmp_path / "x", silent)


def test_a_row_that_breaks_a_rule_stops_the_restoring_whole(
    archive: Path, empty_url: str, tmp_path: Path
) -> None:
    """Constraints hold while restoring too, and nothing stays behind."""

    def crowned(name: str, old: bytes) -> bytes:
        if name != "tables/person_role.jsonl":
            return old
        return old.replace(b'"builder"', b'"king"')

    broken = repacked(archive, crowned)
    manifest = read_manifest(archive, silent)

    with pytest.raises(Refused, match="ck_person_role_role"):
        restore_backup(broken, manifest, empty_url, tmp_path / "x", silent)

    with connected(empty_url) as connection, Session(connection) as session:
        assert not any(count_rows(session).values())
        assert triggers().laid(connection)


@pytest.mark.both_engines
def test_a_row_changed_underneath_is_found(lab: Engine, tmp_path: Path) -> None:
    """What `layerbook verify` says of a database somebody wrote in by hand."""
    with lab.begin() as connection:
        triggers().lift(connection)
        connection.execute(text("UPDATE torque_reading SET torque_nm = 12.5 WHERE id = 3"))
        record_id = connection.scalar(text("SELECT record_id FROM torque_reading WHERE id = 3"))
    with Session(lab) as session:
        sha256 = session.scalars(select(Attachment.content_sha256)).first()
    path_of(tmp_path / "data", str(sha256)).write_bytes(b"another photo")

    found = check_all(lab, tmp_path / "data", silent)

    assert len(found.wrong) == 2
    assert f"record {record_id}:" in found.wrong[0]
    assert "cell 2.jpg" in found.wrong[1]


def test_a_restored_record_can_be_read_by_its_hash(
    lab: Engine, archive: Path, empty_url: str, tmp_path: Path
) -> None:
    """Content and hash are carried over unchanged to the byte."""
    restore_backup(archive, read_manifest(archive, silent), empty_url, tmp_path / "o", silent)

    other, statement = make_engine(empty_url), select(RebuildRecord.content).order_by("id")
    with Session(lab) as one, Session(other) as two:
        assert one.scalars(statement).all() == two.scalars(statement).all()
    other.dispose()


def test_a_run_whose_file_is_gone_is_found(lab: Engine, tmp_path: Path) -> None:
    """By the check of everything, and by a backup, which is then not made."""
    for file in (tmp_path / "data" / "runs").rglob("*"):
        if file.is_file():
            file.unlink()

    wrong = check_all(lab, tmp_path / "data", silent).wrong

    assert wrong == ("run 1, log.csv: its file is not there or not what was given.",)
    with pytest.raises(NotFound, match="file of the run"):
        make_backup(lab, tmp_path / "data", tmp_path / "gone.gz", MADE_AT, silent)
