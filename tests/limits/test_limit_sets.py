"""Limits and figures of a design: versions, put in force by somebody who did not write them."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import replace

import pytest
from sqlalchemy import Engine, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.limits.arithmetic.clamp_figures import ClampFigures
from service.limits.arithmetic.figures import DesignFigures, figures_as_data
from service.limits.arithmetic.figures_differences import differences
from service.limits.arithmetic.leak_figures import CircuitFigures, LeakFigures, PathLimit
from service.limits.arithmetic.leak_paths import Circuit, Path
from service.limits.arithmetic.limits import Limit, Quantity
from service.limits.changes import approve_limits, write_limits
from service.limits.queries import (
    Standing,
    limits_in_force,
    limits_of_design,
    limits_version,
    newest_figures,
)
from service.limits.tables import LimitSet
from service.platform.arithmetic.canonical import canonical_json
from service.platform.errors import NotAllowed, NotFound, Refused
from service.platform.permissions import Person
from tests import builders
from tests.builders import PASSWORD
from tests.operation.keeping import Lab, a_lab

Statements = Callable[[], AbstractContextManager[list[str]]]
GDL = Limit(Quantity.GDL_PRESSURE, 0.8, 1.4, "design note 3, invented")
CLAMP = ClampFigures("M8", "8.8", nut_factor=0.18, u_common_percent=8.0)
LEAK = LeakFigures(
    "helium",
    (CircuitFigures(Circuit.ANODE, 0.2, 0.01, 50.0),),
    (PathLimit(next(iter(Path)), 0.05, "design note 3, invented"),),
)
FIRST = DesignFigures(clamp=CLAMP, limits=(GDL,))
SECOND = replace(FIRST, leak=LEAK, limits=(replace(GDL, most=1.5),))


@pytest.fixture
def lab(engine: Engine) -> Lab:
    return a_lab(engine)


@pytest.fixture
def design(lab: Lab) -> int:
    """A design called “Tarn 100 A”."""

    def make(session: Session) -> int:
        design = builders.a_design(session)
        design.name, design.revision = "Tarn 100", "A"
        return design.id

    key: int = lab.rows(make)
    return key


def written(lab: Lab, design: int, figures: DesignFigures, by: Person | None = None) -> int:
    with lab.work(by) as work:
        return write_limits(
            work, design, figures, source="note 3, invented", reason="first figures"
        )


def approved(lab: Lab, key: int, by: Person | None = None, password: str = PASSWORD) -> None:
    sha256 = lab.get(LimitSet, key).content_sha256
    with lab.work(by or lab.supervisor) as work:
        approve_limits(work, key, content_sha256=sha256, password=password)


def test_a_version_comes_in_force_once_somebody_else_approved_it(lab: Lab, design: int) -> None:
    key = written(lab, design, FIRST)
    with Session(lab.engine) as session:
        assert limits_in_force(session, design) is None
        assert limits_version(session, key).row.standing is Standing.WAITING

    approved(lab, key)

    with Session(lab.engine) as session:
        found = limits_in_force(session, design)
        assert found is not None
        assert (found.id, found.version, found.figures) == (key, 1, FIRST)
        assert found.name == "limits of Tarn 100 A, version 1"
        assert found.approved_by.startswith("supervisor person (")
    entry = lab.last_entry()
    assert (entry.act, entry.subject_label) == ("limits:approved", found.name)
    assert found.content_sha256 in entry.changes


def test_nobody_puts_in_force_what_they_wrote(lab: Lab, design: int) -> None:
    """Whatever their role; a builder neither writes nor approves."""
    key = written(lab, design, FIRST, lab.supervisor)

    with pytest.raises(NotAllowed, match="wrote this yourself"):
        approved(lab, key, lab.supervisor)
    with pytest.raises(NotAllowed, match="needs the role"):
        approved(lab, key, lab.builder)
    with pytest.raises(NotAllowed):
        written(lab, design, SECOND, lab.builder)
    approved(lab, key, lab.quality)


def test_a_signature_asks_for_the_password(lab: Lab, design: int) -> None:
    key = written(lab, design, FIRST)

    for wrong in ("", "red water"):
        with pytest.raises(Refused) as refused:
            approved(lab, key, password=wrong)
        assert refused.value.field == "password"
    with pytest.raises(Refused, match="not what was written"), lab.work(lab.supervisor) as work:
        approve_limits(work, key, content_sha256="0" * 64, password=PASSWORD)


def test_a_version_that_waits_is_replaced_by_a_newer_one(lab: Lab, design: int) -> None:
    first = written(lab, design, FIRST)
    approved(lab, first)
    second = written(lab, design, SECOND)
    third = written(lab, design, FIRST)

    with pytest.raises(Refused, match="version 3 was written since"):
        approved(lab, second)
    with pytest.raises(Refused, match="approved already"):
        approved(lab, first)
    with Session(lab.engine) as session:
        rows = limits_of_design(session, design)
        newest = newest_figures(session, design)
        in_force = limits_in_force(session, design)
    assert [(row.version, row.standing) for row in rows] == [
        (3, Standing.WAITING),
        (2, Standing.REPLACED),
        (1, Standing.IN_FORCE),
    ]
    assert newest == (3, FIRST)
    assert in_force is not None
    assert in_force.version == 1
    approved(lab, third)
    with Session(lab.engine) as session:
        assert [row.standing.value for row in limits_of_design(session, design)] == [
            "in force",
            "replaced",
            "replaced",
        ]


def test_a_version_with_nothing_in_it_or_nothing_new_is_refused(lab: Lab, design: int) -> None:
    with pytest.raises(Refused, match="no figure is given"):
        written(lab, design, DesignFigures())
    written(lab, design, FIRST)

    with pytest.raises(Refused, match="nothing differs from version 1"):
        written(lab, design, FIRST)
    for field, words in (("source", ""), ("reason", " ")):
        said = {"source": "note", "reason": "why"} | {field: words}
        with pytest.raises(Refused) as refused, lab.work() as work:
            write_limits(work, design, SECOND, **said)
        assert refused.value.field == field
    with pytest.raises(NotFound), lab.work() as work:
        write_limits(work, 999, FIRST, source="note", reason="why")
    with pytest.raises(NotFound), lab.work(lab.supervisor) as work:
        approve_limits(work, 999, content_sha256="", password=PASSWORD)


def test_the_trail_and_the_page_tell_row_by_row_what_changed(lab: Lab, design: int) -> None:
    written(lab, design, FIRST)
    key = written(lab, design, SECOND)

    with Session(lab.engine) as session:
        shown = limits_version(session, key)
    assert shown.before == FIRST
    assert shown.holds
    words = [change.in_words for change in differences(shown.before, shown.figures)]
    assert (
        "Limits of the closed clamp: Most GDL pressure, 1.4\u2009MPa becomes 1.5\u2009MPa." in words
    )
    assert any(one.startswith("Tightness: Test gas, helium is new") for one in words)
    back = [change.in_words for change in differences(SECOND, FIRST)]
    assert "Tightness: Test gas, helium is left out." in back
    entry = lab.last_entry()
    assert (entry.act, entry.reason) == ("limits:written", "first figures")
    assert "Most GDL pressure" in entry.changes


def test_what_a_version_says_can_be_neither_changed_nor_deleted(lab: Lab, design: int) -> None:
    """By the database itself; nor is an approval taken back."""
    key = written(lab, design, FIRST)
    other = canonical_json(figures_as_data(SECOND))
    statements: list[tuple[str, dict[str, object]]] = [
        ("UPDATE limit_set SET content = :content", {"content": other}),
        ("UPDATE limit_set SET version = 7", {}),
        ("DELETE FROM limit_set", {}),
    ]
    for statement, values in statements:
        with Session(lab.engine) as session, pytest.raises(DBAPIError):
            session.execute(text(f"{statement} WHERE id = :id"), {**values, "id": key})
    with Session(lab.engine) as session, pytest.raises(DBAPIError):  # by who wrote it
        session.execute(
            text("UPDATE limit_set SET approved_by_id = made_by_id, approved_at = made_at")
        )

    approved(lab, key)

    with Session(lab.engine) as session, pytest.raises(DBAPIError):
        session.execute(text("UPDATE limit_set SET approved_by_id = NULL, approved_at = NULL"))


@pytest.mark.both_engines
def test_reading_limits_takes_one_statement_however_many_versions(
    lab: Lab, design: int, statements: Statements
) -> None:
    def count() -> list[int]:
        found = []
        for ask in (
            lambda s: limits_in_force(s, design),
            lambda s: limits_of_design(s, design),
            lambda s: limits_version(s, 1),
            lambda s: newest_figures(s, design),
        ):
            with Session(lab.engine) as session, statements() as seen:
                ask(session)
            found.append(len(seen))
        return found

    approved(lab, written(lab, design, FIRST))
    few = count()
    for figures in (SECOND, FIRST, SECOND):
        approved(lab, written(lab, design, figures))

    assert few == count() == [1, 1, 1, 1]
