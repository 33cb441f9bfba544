"""Torque at the bench: which rod is next, in which pass, and the plate with its readings."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from sqlalchemy.orm import Session

from service.bench.pages.next_acts import settled_at
from service.bench.pages.places import BenchPage, Next, Settling
from service.bench.queries import choices
from service.bench.queries.rebuild_records import RecordView
from service.closing.arithmetic.closing import closing as compute_closing
from service.closing.arithmetic.closing_checks import ClosingCheck
from service.closing.arithmetic.torque_bands import target_of_pass
from service.closing.changes.checks import LENGTH
from service.closing.drawings.rods import draw_rods
from service.closing.pages.sheets import ClosingSheet, closing_sheet
from service.closing.queries.build_torques import UNOPENED, TorqueTable, checks_asked
from service.closing.queries.closing_inputs import closing_ground
from service.closing.queries.corner_heights import corners_to_measure
from service.limits.arithmetic.closing_modes import ClosingMode, Corner
from service.limits.queries import limits_in_force
from service.physics.arithmetic.tightening import SETTLING_MINUTES
from service.platform.arithmetic.vocabulary import ReadingKind, Stage
from service.platform.database import now_utc
from service.platform.pages.forms import Form
from service.platform.permissions import Person
from service.records.tables import RecordKind, ToolCheck
from service.store.arithmetic.instruments import InstrumentKind


def at_torque(page: BenchPage, session: Session, query: Mapping[str, str], me: Person) -> BenchPage:
    """Return the torque place.

    The stage asked for, the next rod and pass, and what was read so far.
    """
    form, head = page.form, page.view.head
    stage_name = form.raw("stage") or query.get("stage", "")
    as_found = head.opens and head.opened_at is None and head.kind is not RecordKind.RE_TORQUE
    stage = (
        Stage(stage_name)
        if stage_name in tuple(Stage)
        else Stage.AS_FOUND
        if as_found
        else Stage.CLOSING
    )
    table = page.view.torque(stage)
    closing, settling = None, None
    if stage is Stage.CLOSING:
        closing = live_closing(page, session)
        minutes = closing.settling_minutes if closing else SETTLING_MINUTES
        settling = _settling(page.view, table, minutes)
    due = settling.pass_number if settling is not None and settling.is_due else 1
    if settling is None and stage is Stage.CLOSING:
        passes = 1 if head.kind in UNOPENED else head.passes
        due = max(due, table.circular_pass(passes) or 1)
    coming = _next(page, table, stage, form.raw("rod_number"), form.raw("pass_number"), due=due)
    wanted_pass = query.get("pass", "")
    if wanted_pass.isdecimal() and not form.raw("pass_number"):
        coming = replace(coming, pass_number=max(1, min(int(wanted_pass[:3]), 50)))
    page, coming = _by_click_tool(page, session, query, coming)
    coming = _aimed(page.view, coming)
    drivers = choices.instruments_to_choose(
        session, InstrumentKind.TORQUE_DRIVER, reads=page.checks_tool is None
    )
    if not form.raw("instrument_id"):
        only = drivers[0][0] if len(drivers) == 1 else None
        driver = choices.driver_used_last(session, head.id, me.id) or only
        form.typed["instrument_id"] = (str(driver or ""),)
    if page.checks_tool is not None:
        _begin_setting(form, page, coming)
    if not form.raw("kind"):
        form.typed["kind"] = (coming.kinds[0],)
    return replace(
        page,
        torque=table,
        next=coming,
        settling=settling,
        passes=tuple(range(1, max(head.passes, *table.passes, coming.pass_number) + 1)),
        instruments=drivers,
        drawing=rod_plan(page, session, coming.rod, table),
        closing=closing,
    )


def at_corners(
    page: BenchPage, session: Session, query: Mapping[str, str], _me: Person
) -> BenchPage:
    """Return the place of the heights at the corners: those of the pass asked for, or due."""
    view, asked = page.view, page.form.raw("pass_number") or query.get("pass", "")
    passes = view.torque(Stage.CLOSING).passes
    due = next(iter(view.corners_due), passes[-1] if passes else 1)
    gauges = choices.instruments_to_choose(session, *LENGTH)
    if len(gauges) == 1 and not page.form.raw("instrument_id"):
        page.form.typed["instrument_id"] = (str(gauges[0][0]),)
    limits = limits_in_force(session, view.head.design_id)
    corners = corners_to_measure(session, view.head.design_id, limits)
    return replace(
        page,
        corners=corners,
        corners_pass=int(asked[:3]) if asked.isdecimal() else due,
        instruments=gauges,
        drawing=rod_plan(page, session, None, corners=corners),
        closing=live_closing(page, session),
    )


def at_held(page: BenchPage, session: Session, _query: Mapping[str, str], _me: Person) -> BenchPage:
    """Return the place of a closing to height or by press force."""
    limits = limits_in_force(session, page.view.head.design_id)
    clamp, form = limits.figures.clamp if limits else None, page.form
    gauges = choices.instruments_to_choose(session, *LENGTH)
    cells = choices.instruments_to_choose(session, InstrumentKind.LOAD_CELL)
    begun = {
        "mode": str(clamp.mode) if clamp and clamp.mode is not ClosingMode.TORQUE else "",
        "gauge_id": str(gauges[0][0]) if len(gauges) == 1 else "",
        "load_cell_id": str(cells[0][0]) if len(cells) == 1 else "",
    }
    for name, text in begun.items():
        if text and not form.raw(name):
            form.typed[name] = (text,)
    closing = live_closing(page, session)
    return replace(
        page, clamp=clamp, instruments=gauges, testers=cells, closing=closing, drawing=""
    )


def _by_click_tool(
    page: BenchPage, session: Session, query: Mapping[str, str], coming: Next
) -> tuple[BenchPage, Next]:
    """Return the page with the click tool of the pass, or what is to be entered of it, and the nut.

    A click tool goes on from pass to pass; ``tool`` of the query chooses another way.
    """
    if coming.stage is not Stage.CLOSING:
        return page, coming
    asked, view = query.get("tool", ""), page.view
    moment = page.form.raw("moment") or (
        ToolCheck.AFTER if view.tool_to_check and "pass" not in query else ""
    )
    if moment == ToolCheck.AFTER and view.tool_to_check:
        coming = replace(coming, pass_number=view.tool_to_check)
    setting = view.settings.get(coming.pass_number)
    if not moment and setting is not None and setting.before and asked != "read":
        return replace(page, setting=setting), coming
    is_used = bool(view.settings) and asked != "read"
    if not moment and (is_used or asked == "click"):
        moment = ToolCheck.BEFORE
    if moment not in tuple(ToolCheck):
        return page, coming
    drivers = (InstrumentKind.TORQUE_TESTER,)
    testers = choices.instruments_to_choose(session, *drivers)
    return replace(page, setting=setting, checks_tool=ToolCheck(moment), testers=testers), coming


def _begin_setting(form: Form, page: BenchPage, coming: Next) -> None:
    """Fill the form of a setting with what the pass asks for, and the tool and tester of before."""
    settings = page.view.settings
    last = settings[max(settings)].before if settings else None
    before = page.setting.before if page.setting else None
    is_after = page.checks_tool is ToolCheck.AFTER
    texts = {
        "entered": before.entered if is_after and before else f"{coming.target_nm or 0:.2f}",
        "instrument_id": str(last.tool.id) if last else "",
        "tester_id": str(last.tester.id)
        if last and last.tester
        else str(page.testers[0][0])
        if len(page.testers) == 1
        else "",
    }
    for name, text in texts.items():
        if text and (not form.raw(name) or (name == "instrument_id" and not form.is_refused)):
            form.typed[name] = (text,)


def _next(
    page: BenchPage, table: TorqueTable, stage: Stage, rod: str, pass_number: str, *, due: int
) -> Next:
    """The first rod, in tightening order, that is open in the first pass that is not complete.

    ``due`` is the last pass that is due by now.
    """
    kinds = tuple(
        kind.value for kind in ReadingKind if stage is Stage.CLOSING or kind is not ReadingKind.SET
    )
    numbers = table.passes or (1,)
    most = 1 if stage is Stage.AS_FOUND else max(page.view.head.passes, numbers[-1], due)
    read = table.counting
    rods = page.view.rods or (1,)
    coming = next(
        (
            (number, rod_left)
            for number in range(1, most + 1)
            for rod_left in rods
            if (number, rod_left) not in read
        ),
        (most, rods[0]),
    )
    if rod.isdecimal() and int(rod[:6]) in rods:
        at = int(rod[:6])
        coming = (next((n for n in range(1, most + 1) if (n, at) not in read), most), at)
    if pass_number.isdecimal():
        coming = (int(pass_number[:3]), coming[1])
    remaining = sum((coming[0], rod_left) not in read for rod_left in rods)
    return Next(stage, coming[1], coming[0], kinds, order=rods, left=remaining)


def _aimed(view: RecordView, coming: Next) -> Next:
    """The next reading with what its pass aims at."""
    if coming.stage is Stage.AS_FOUND:
        return coming
    is_unopened = view.head.kind in UNOPENED
    passes = 1 if is_unopened else view.head.passes
    target_nm = target_of_pass(view.head.target_nm, coming.pass_number, passes)
    return replace(
        coming,
        target_nm=target_nm,
        percent=100.0 * target_nm / view.head.target_nm,
        is_circular=is_unopened or coming.pass_number > passes,
    )


def _settling(view: RecordView, table: TorqueTable, minutes: float) -> Settling | None:
    """The pass after settling; None until the last pass is complete, and once it was read."""
    due_at = settled_at(view, table, minutes)
    if due_at is None:
        return None
    return Settling(minutes, due_at, now_utc() >= due_at, view.head.passes + 1)


def rod_plan(
    page: BenchPage,
    session: Session,
    coming: int | None,
    table: TorqueTable | None = None,
    corners: Sequence[Corner] = (),
) -> str:
    """Draw the compression plate in plan as SVG, with the final reading beside each nut.

    With ``corners`` these instead of the tightening order.
    """
    rods = choices.rods_of(session, page.view.head.design_id)
    if not rods:
        return ""
    width, height = choices.plate_size_mm(session, page.view.head.design_id)
    last = table.last if table else ()
    closing = table is not None and table.stage is Stage.CLOSING
    final = page.view.head.passes
    return draw_rods(
        rods,
        width,
        height,
        title=f"Rods of {page.view.head.stack}" + (f", rod {coming} is next" if coming else ""),
        readings={read.rod_number: read.torque_nm for read in last if not read.press},
        out_of_tolerance=[
            read.rod_number
            for read in last
            if closing and read.pass_number >= final and page.view.is_outside(read)
        ],
        order=[] if corners else [number for number, _x, _y in rods],
        corners=[(corner.name, corner.x_mm, corner.y_mm) for corner in corners],
        next_rod=coming,
        seen_from=page.end,
    )


def live_closing(page: BenchPage, session: Session) -> ClosingSheet | None:
    """Return the closing as computed now, nothing of it kept. Eight statements.

    None while the stack is not being closed, and where neither limits nor readings are there.
    """
    head = page.view.head
    is_opened = head.opened_at is not None or not head.opens
    if not page.pile.layers or not (is_opened or head.kind in UNOPENED):
        return None
    ground = closing_ground(session, head.id, page.pile)
    if ground.limits is None and not ground.inputs.readings:
        return None
    height = next(
        (
            check.entry.check.reading
            for check in checks_asked(page.view.entries, page.view.rods)
            if check.check is ClosingCheck.HEIGHT and check.entry and check.entry.check
        ),
        None,
    )
    return closing_sheet(
        compute_closing(ground.inputs),
        ground.sizes,
        ground.inputs.figures.clamp,
        measured_mm=height,
        remarks=ground.remarks,
        seen_from=page.end,
    )
