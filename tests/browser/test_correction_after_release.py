"""Facts are corrected after approval or release: each page says what follows from it."""

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any
from urllib.parse import quote

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.changes.approvals import approve
from service.bench.queries.corrections import correctable
from service.bench.tables import CorrectionOf
from service.people.tables import Role
from service.records.tables import RebuildRecord
from service.stacks.tables import Build
from service.store.tables import Instrument
from tests import builders
from tests.bench.at_the_bench import known
from tests.browser.at_the_bench import LONG_AFTER
from tests.browser.looking import barriers, look
from tests.browser.rebuilds import Rebuilt, a_rebuild
from tests.closing.closings import FIGURES, LIMITS

pytestmark = pytest.mark.browser

PROOF = replace(FIGURES, limits=LIMITS[2:3])
SIZES = [
    pytest.param((1280, 800), id="desk"),
    pytest.param((820, 1180), id="tablet"),
]


def an_approved_rebuild(engine: Engine, serial: str, nuts: str = "") -> tuple[Rebuilt, int]:
    """A rebuild handed in and approved, limits in force; the number of its build's row."""
    torques_nm = dict.fromkeys(range(1, 5), 9.0)
    driver = f"TD {serial}"
    record = a_rebuild(
        engine, serial, driver=driver, torques_nm=torques_nm, figures=PROOF, nuts=nuts
    )
    with Session(engine) as session:
        reads = session.scalars(select(Instrument).where(Instrument.label == driver)).one()
        reads.range_most = 120.0
        session.commit()
    lab = record.lab
    lab.now += timedelta(hours=1)
    lab.do(
        approve,
        record.number,
        content_sha256=lab.get(RebuildRecord, record.number).content_sha256,
        password=builders.PASSWORD,
        by=lab.rows(lambda s: known(s, builders.a_person(s, Role.SUPERVISOR))),
    )
    with Session(engine) as session:
        build = session.scalars(select(Build.id).where(Build.record_id == record.number)).one()
    return record, build


def release(page: Page) -> None:
    """Read the set points, sign."""
    page.get_by_label("I have read the set points").check()
    page.get_by_label("Your password").fill(builders.PASSWORD)
    page.get_by_role("button", name="Sign and release").click()
    expect(page.locator(".lead")).to_contain_text("released")
    expect(page.locator("#release")).to_have_count(0)


def propose(page: Page, record: str, said: str, torque: str, *, is_asked: bool = False) -> str:
    """Correct what rod 1 was read with, a deviation if asked; the address of the correction."""
    page.goto(record)
    page.locator("a[href$='/corrections/new']").click()
    folded = page.locator("details:not([open]) > summary", has_text=re.compile("^Torque reading"))
    if folded.count():
        folded.click()
    row = page.get_by_role("row", name="rod 1, pass 3, closing")
    expect(row.filter(has_text=said).first).to_contain_text(said)
    value = re.compile("correct torque reading, rod 1, pass 3, closing(, set)?$")
    page.get_by_role("link", name=value).click()
    page.locator("#new_value").fill(torque)
    page.locator("#reason").fill(f"the display said {torque}")
    page.locator("#correction button.main").click()
    if is_asked:
        expect(page.locator("#asked")).to_contain_text(torque)
        look(page, "correction-asked")
        page.get_by_label("No, it was not unloaded").check()
        page.locator("#outside_because").fill("the nut was at its stop")
        page.locator("button[name=stands]").click()
    page.wait_for_url(re.compile(r"/corrections/\d+$"))
    return page.url


def sign(page: Page, address: str) -> None:
    """Approve a correction."""
    page.goto(address)
    page.locator("#approve #password").fill(builders.PASSWORD)
    page.locator("#approve button").click()
    expect(page.locator("#approve")).to_have_count(0)


@pytest.mark.night
@pytest.mark.parametrize("size", SIZES)
def test_every_road_tells_that_the_release_has_ended(
    new_page: Callable[..., Page],
    sign_in: Callable[..., int],
    served_at: str,
    lab: Engine,
    size: tuple[int, int],
) -> None:
    """Ten times the torque, by one and another; then what was right, and released again."""
    serial = f"TARN-CR{size[0]}"
    record, build = an_approved_rebuild(lab, serial)
    builder, supervisor, quality = (
        new_page(width=size[0], height=size[1], has_touch=size[0] < 1000) for _ in range(3)
    )
    sign_in(builder, login=record.builder.login)
    sign_in(supervisor, "supervisor", name=f"Ruth Amsel {serial}")
    sign_in(quality, "quality", name=f"Ines Falk {serial}")
    with Session(lab) as session:
        token = builders.a_token(session, record.builder)
        session.commit()
    roads = Roads(builder, served_at, serial, token)
    sheet = f"{served_at}/records/{record.number}"
    gate = f"{served_at}/builds/{build}/release"
    supervisor.goto(gate)
    release(supervisor)

    # What would follow is said before anybody signs, and nothing has changed yet.
    wrong = propose(builder, sheet, "9", "90 N·m", is_asked=True)
    quality.goto(wrong)
    look(quality, f"correction-{size[0]}")
    assert barriers(quality) == []
    expect(quality.locator("#follows")).to_contain_text(f"release of build 2 of {serial}")
    expect(quality.locator("#follows")).to_contain_text("ended by this correction")
    assert overflows(quality) == 0
    assert roads.states == {"released"}

    # Signed: the stack, the gate, the approval sheet, the first page and the API agree.
    sign(quality, wrong)
    assert roads.states == {"not released"}
    supervisor.goto(gate)
    look(supervisor, f"release-ended-{size[0]}")
    expect(supervisor.locator(".lead")).to_contain_text("not released")
    expect(supervisor.locator("#release")).to_have_count(0)
    expect(supervisor.get_by_text("was ended by correction")).to_be_visible()
    expect(supervisor.locator("#verdicts")).to_contain_text("fail")
    supervisor.goto(f"{sheet}/approval")
    expect(supervisor.get_by_text("Outside the tolerance: rod 1")).to_be_visible()
    expect(supervisor.locator("p.verdict").first).to_contain_text("fail")
    told = f"Build 2: release again. Correction {wrong.rsplit('/', 1)[1]} ended its release."
    assert told in roads.needs
    supervisor.goto(f"{served_at}/floor")
    to_gate = supervisor.locator(f"a[href='/builds/{build}/release']").first
    expect(supervisor.locator("main")).to_contain_text(told)
    to_gate.click()
    supervisor.wait_for_url(gate)

    # The correction was the mistake: what was right again, by two, and the release by a third.
    sign(quality, propose(builder, sheet, "90", "9.0 N·m"))
    assert roads.states == {"not released"}
    supervisor.goto(gate)
    release(supervisor)
    assert roads.states == {"released"}
    assert told not in roads.needs
    expect(supervisor.get_by_role("table", name="Releases of this build")).to_contain_text(
        "has ended"
    )


KINDS: tuple[tuple[CorrectionOf, str, str, str], ...] = (
    (CorrectionOf.ENTRY, "note", "text", "read by torchlight"),
    (CorrectionOf.FINDING, "condition", "choice", "wet"),
    (CorrectionOf.FINDING, "added", "choice", "particles"),
    (CorrectionOf.HEAD, "notes", "text", "The bench was cold."),
    (CorrectionOf.PERSON, "added worked on it", "choice", "Ben Orr TARN-CRK"),
    (CorrectionOf.HOURS, "", "text", "319"),
    (CorrectionOf.OPENED_AT, "", "text", "2026-02-22 12:49"),
    (CorrectionOf.CLOSED_AT, "", "text", "2026-02-22 14:21"),
    (CorrectionOf.TORQUE, "pass_number", "text", "2"),
    (CorrectionOf.TORQUE_INSTRUMENT, "", "text", "TD CRK-2"),
    (CorrectionOf.LAYER_FACING, "", "press", "free end"),
    (CorrectionOf.LAYER_PART, "", "text", "CRK-REALLY"),
    (CorrectionOf.LAYER_TOO_FEW, "", "text", "CRK-MORE"),
    (CorrectionOf.LAYER_TOO_MANY, "", "press", "not there"),
    (CorrectionOf.FIXING, "", "text", "N-CRK-2"),
    (CorrectionOf.FIXING_TOO_FEW, "", "text", "N-CRK-2"),
    (CorrectionOf.FIXING_TOO_MANY, "", "press", "not there"),
)


def what_is_right(session: Session) -> None:
    """The driver, MEAs and nuts that really were there."""
    types = builders.the_part_types(session)
    builders.a_torque_instrument(session, label="TD CRK-2", due_at=LONG_AFTER)
    for serial in ("CRK-REALLY", "CRK-MORE"):
        builders.a_part(session, types.mea, serial=serial)
    builders.a_lot(session, types.nut, label="N-CRK-2")
    session.commit()


@pytest.mark.night
def test_a_fact_of_each_kind_is_corrected_and_what_follows_is_told(
    new_page: Callable[..., Page], sign_in: Callable[..., int], served_at: str, lab: Engine
) -> None:
    """One page to choose, one form, what would follow, the approval, and what followed."""
    assert {of for of, *_more in KINDS} == set(CorrectionOf)
    record, _build = an_approved_rebuild(lab, "TARN-CRK", nuts="N-CRK-1")
    with Session(lab) as session:
        what_is_right(session)
    builder, quality = new_page(width=820, height=1180), new_page(width=1280, height=800)
    sign_in(builder, login=record.builder.login)
    sign_in(quality, "quality", name="Ines Falk TARN-CRK")
    for of, field, how, value in KINDS:
        builder.goto(f"{served_at}/records/{record.number}/corrections/new")
        assert overflows(builder) == 0
        with Session(lab) as session:
            facts = correctable(session, record.number).facts
        fact = next(each for each in facts if each.of is of and each.field == field)
        builder.locator(
            f"a[href*='of={quote(of)}'][href*='subject={fact.subject_id}']"
        ).first.wait_for(state="attached")
        builder.goto(
            f"{served_at}/records/{record.number}/corrections/new?of={quote(of)}"
            f"&subject={fact.subject_id}&field={field}"
        )
        if how == "text":
            builder.locator("#new_value").fill(value)
        elif how == "choice":
            options = builder.locator("#new_value option")
            builder.locator("#new_value").select_option(
                options.filter(has_text=value).first.get_attribute("value")
            )
        else:
            builder.get_by_label(value).check()
        builder.locator("#reason").fill("seen on the sheet")
        look(builder, f"correct-{of}-{field or 'count'}".replace(" ", "-"))
        assert barriers(builder) == []
        builder.locator("#correction button.main").click()
        builder.wait_for_url(re.compile(r"/corrections/\d+$"))

        quality.goto(builder.url)
        expect(quality.locator("#follows")).to_contain_text(value)
        assert barriers(quality) == []
        sign(quality, builder.url)
        expect(quality.locator("#follows")).to_contain_text(value)


@dataclass(frozen=True)
class Roads:
    """What the stack's page and the API say of the present build."""

    page: Page
    at: str
    serial: str
    token: str

    @property
    def states(self) -> set[str]:
        """Whether it is released, by the page and by the verdicts."""
        self.page.goto(f"{self.at}/stacks/{self.serial}")
        lead = self.page.locator(".lead").inner_text()
        states = {"not released" if "not released" in lead else "released"}
        return states | {
            "released"
            if self._read(f"stacks/{self.serial}/verdicts")["released"]
            else "not released"
        }

    @property
    def needs(self) -> list[str]:
        """What is to be done at the stack."""
        rows = self._read("floor")["rows"]
        return [
            need["sentence"]
            for row in rows
            if row["stack"]["serial"] == self.serial
            for need in row["needs"]
        ]

    def _read(self, path: str) -> Any:
        headers = {"Authorization": f"Bearer {self.token}"}
        return self.page.request.get(f"{self.at}/api/v1/{path}", headers=headers).json()


def overflows(page: Page) -> int:
    """By how much a page is wider than the window, px."""
    return int(page.evaluate("document.documentElement.scrollWidth - innerWidth"))


@pytest.mark.night
def test_a_calibration_is_corrected_and_the_closings_read_by_it_are_told(
    new_page: Callable[..., Page], sign_in: Callable[..., int], served_at: str, lab: Engine
) -> None:
    """The certificate says 3 %, 0.4 % was typed: shown before it counts, then in force."""
    record, _build = an_approved_rebuild(lab, "TARN-CRC")
    quality, supervisor = new_page(), new_page(width=820, height=1180)
    sign_in(quality, "quality", name="Ines Falk TARN-CRC")
    sign_in(supervisor, "supervisor", name="Ruth Amsel TARN-CRC")
    quality.goto(f"{served_at}/instruments")
    quality.get_by_role("link", name="TD TARN-CRC").click()
    quality.get_by_role("link", name="correct", exact=True).click()
    quality.locator("#error_percent").fill("3")
    quality.locator("#reason").fill("read off the wrong line of the certificate")
    look(quality, "calibration-corrected")
    assert barriers(quality) == []
    quality.locator("main button.main").click()
    quality.wait_for_url(re.compile(r"/proposals/\d+$"))
    expect(quality.locator("#approve")).to_have_count(0)

    supervisor.goto(quality.url)
    effect = supervisor.get_by_role("table", name="Effect if approved")
    expect(effect).to_contain_text(f"closing of record {record.number}")
    look(supervisor, "calibration-effect")
    sign(supervisor, quality.url)
    expect(supervisor.get_by_text("It is in force")).to_be_visible()
    quality.goto(f"{served_at}/instruments")
    quality.get_by_role("link", name="TD TARN-CRC").click()
    expect(quality.get_by_role("table").first).to_contain_text("corrected since")


@pytest.mark.night
def test_a_later_approval_waits_for_somebody_to_look_again(
    new_page: Callable[..., Page], sign_in: Callable[..., int], served_at: str, lab: Engine
) -> None:
    """Record 1 is corrected after record 2 was approved: marked, looked at, and quiet again."""
    with Session(lab, expire_on_commit=False) as session:
        stack = builders.a_stack(session, serial="TARN-CRL")
        for hours in (None, 100.0):
            builders.a_build(session, stack, cells=1, hours=hours)
        builders.a_part(session, builders.the_part_types(session).mea, serial="CRL-REALLY")
        session.commit()
        numbers = select(RebuildRecord.id).where(RebuildRecord.stack_id == stack.id)
        first, second = session.scalars(numbers.order_by(RebuildRecord.id))
        facts = correctable(session, first).facts
    mea = next(
        fact
        for fact in facts
        if fact.of is CorrectionOf.LAYER_PART and fact.label.endswith(", MEA")
    )
    builder, quality = new_page(width=820, height=1180), new_page()
    sign_in(builder, "builder", name="Mara Ilves CRL")
    sign_in(quality, "quality", name="Ines Falk CRL")
    builder.goto(
        f"{served_at}/records/{first}/corrections/new?of={quote(mea.of)}&subject={mea.subject_id}"
    )
    builder.locator("#new_value").fill("CRL-REALLY")
    builder.locator("#reason").fill("the label was read from the bag")
    builder.locator("#correction button.main").click()
    builder.wait_for_url(re.compile(r"/corrections/\d+$"))
    sign(quality, builder.url)

    rests = f"the approval of record {second}, TARN-CRL"
    quality.goto(f"{served_at}/records/{second}")
    expect(quality.locator(".note").filter(has_text=rests)).to_contain_text("Look again")
    builder.goto(f"{served_at}/approvals")
    builder.locator("a[href='/looking-again']").first.click()
    row = builder.get_by_role("row").filter(has_text="TARN-CRL")
    expect(row).to_contain_text(f"record {second}")
    expect(row.get_by_role("button")).to_have_count(0)
    quality.get_by_role("link", name="I looked again").first.click()
    row = quality.get_by_role("row").filter(has_text="TARN-CRL")
    look(quality, "looking-again")
    assert barriers(quality) == []
    row.get_by_role("textbox").fill("the same lot: it holds")
    row.get_by_role("button", name="I looked again").click()
    expect(row).to_have_count(0)
    quality.goto(f"{served_at}/records/{second}")
    expect(quality.locator(".note").filter(has_text=rests)).to_have_count(0)
