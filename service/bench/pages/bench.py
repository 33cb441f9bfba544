"""The bench: a record written entry by entry, one thing at a time.

Every entry is a form of its own, as ``ENTRIES`` describes it. Without script it is answered by the
page it goes on at (303); htmx gets the bench alone. A form shown before somebody else's entry comes
back filled (409).
"""

from collections import Counter
from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from urllib.parse import urlencode

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.bench.arithmetic.next_act import Place, lead_from, next_act
from service.bench.changes.entries import ENTRIES, Entry
from service.bench.pages.entry_forms import read_facts
from service.bench.pages.next_acts import counting, end_of_work, standing_of
from service.bench.pages.places import (
    BEFORE_OPENING,
    GROUPS,
    BenchPage,
    Group,
    NotKnown,
    Open,
    PartSeen,
    guide_at,
    not_known,
)
from service.bench.pages.scanned import Sent, understood
from service.bench.pages.tests import at_tests
from service.bench.pages.torque import at_corners, at_held, at_torque, live_closing, rod_plan
from service.bench.queries import choices
from service.bench.queries.missing import AT_EVERY_ROD, to_be_reasoned
from service.bench.queries.rebuild_records import RecordView, bench_view
from service.closing.changes.checks import ELECTRICAL, LENGTH
from service.closing.queries.build_torques import checks_asked
from service.closing.queries.closed_heights import computed_height
from service.designs.arithmetic.grammar import Item
from service.designs.arithmetic.pile import Layer, counts
from service.designs.queries import pattern_waiting
from service.people.pages.signing_in import Database, Me
from service.planning.queries.kits import missing_with_kit
from service.planning.queries.plans import by_plan
from service.platform.arithmetic.vocabulary import FIXING_KINDS, LAYER_KINDS, End, Kind
from service.platform.database import changing, now_utc, reading
from service.platform.pages.forms import Asked, Form, Typed, blank
from service.platform.pages.render import go_on, page, part, wants_part
from service.platform.permissions import Act, Person, need
from service.proof.queries.build_verdicts import verdicts_of_head
from service.records.arithmetic.lab_words import Answers
from service.records.changes.attachments import add_attachments
from service.records.pages.attachments import stored_files
from service.records.queries.donations import donors_to_choose
from service.records.queries.lab_words import reasons_for
from service.records.queries.make_safe import newer_lists
from service.records.queries.records import record_head
from service.records.queries.waivers import waiver_for
from service.records.queries.working_piles import working_pile
from service.records.tables import StepKind
from service.settings import Settings
from service.stacks.drawings.clamp import Rods
from service.stacks.drawings.pile import draw_pile
from service.store.arithmetic.instruments import kinds_that_read
from service.store.arithmetic.make_safe import SafeAct
from service.store.changes.parts import add_scanned
from service.store.queries.part_types import part_types
from service.store.queries.scans import A_PART, Hit, near, resolve_to_fit

# What the bench page shows: where the work stands, what is next, and what can be chosen there.


WITHIN_THE_PILE = {Place.LIFTING, Place.PUTTING_ON}
"""While layers move, a scan is answered at once and what is open is counted after it."""
SEEN_WHOLE = 120
"""Layers up to which the whole pile is drawn at each scan beside what comes next."""


def bench_page(
    request: Request,
    session: Session,
    me: Person,
    record_id: int,
    *,
    query: Mapping[str, str],
    form: Form | None = None,
) -> BenchPage:
    """Return what the bench page shows.

    ``query`` names the place (``at``) and what is chosen there; ``form`` is a refused one, with
    what was typed.
    """
    view, pile = bench_view(session, record_id), working_pile(session, record_id)
    place_name = query.get("at", "")
    settings: Settings = request.app.state.settings
    typed_end = form.raw("end") if form else query.get("end", "")
    end = End(typed_end) if typed_end in tuple(End) else end_of_work(view)
    plan = by_plan(session, record_id, pile)
    now = now_utc()
    standing = standing_of(session, view, pile, plan, now=now, zone=settings.time_zone)
    missing = None
    closed = None
    places = {place_name or next_act(standing).place, next_act(standing).place}
    if not (wants_part(request) and places <= WITHIN_THE_PILE):
        closed = verdicts_of_head(session, view.head)
        missing = missing_with_kit(session, view.head, pile, closed)
    standing = counting(standing, missing or ())
    act = next_act(standing)
    place = Place(place_name) if place_name in tuple(Place) else act.place
    lead = lead_from(place, act)
    begun = BenchPage(
        view=view,
        place=place,
        groups=_groups(view, place),
        form=form or _begun_form(request, view, me, query),
        undo=blank(request),
        made=query.get("made", ""),
        missing=missing,
        blocks=standing.blocks,
        closed=closed,
        act=act,
        leads=None if (form and form.is_refused) or {"rod", "pass"} & set(query) else lead,
        wanting=standing.not_recorded,
        pile=pile,
        pile_in_words=_pile_in_words(pile.layers),
        end=end,
        acts_at=view.acts_at(now),
        outermost=pile.pile.outermost(end),
        by_plan=plan,
        most_mb=settings.attachment_max_mb,
    )
    if place is Place.HANDING_IN:
        begun.form.presets = reasons_for(session, Answers.NOT_DONE)
    elif begun.form.is_refused:
        begun.form.presets = reasons_for(session, Answers.DEPARTURE)
    fill = FILL.get(place)
    return fill(begun, session, query, me) if fill else begun


def _groups(view: RecordView, place: Place) -> tuple[Group, ...]:
    finished = {
        Place.MAKE_SAFE: bool(view.checklist) and (view.is_made_safe or bool(view.exceptions)),
        Place.OPENING: view.head.opened_at is not None,
        Place.CLOSING: view.head.closed_at is not None,
    }
    return tuple(
        Group(
            words,
            places,
            any(part_place is place for part_place, _words in places),
            finished.get(places[0][0], False),
        )
        for words, places in GROUPS
        if view.head.opens
        or places[0][0] not in BEFORE_OPENING
        or (view.checklist and places[0][0] is Place.MAKE_SAFE)
    )


def _begun_form(request: Request, view: RecordView, me: Person, query: Mapping[str, str]) -> Form:
    """A form nobody typed in; a record entered late goes on at the time of its last entry."""
    at = view.caught_up_at
    return blank(
        request,
        done_at=at,
        taken_at=at,
        opened_at=at,
        closed_at=at,
        person_id=me.id,
        each=1,
        part_id=query.get("part", ""),
        confirmed=query.get("confirmed", ""),
        scanned=query.get("scanned", ""),
        rod_number=query.get("rod", ""),
    )


def _pile_in_words(layers: tuple[Layer, ...]) -> str:
    if not layers:
        return "The pile is empty."
    held = counts(layers)
    return f"{held.layers} layers, {held.cells} cells" + (
        f" and {held.blank_cells} blank" if held.blank_cells else ""
    )


def _drawn(page: BenchPage, session: Session, open_at: End | None) -> str:
    layers = page.pile.layers
    if not layers:
        return ""
    head = page.view.head
    rods = choices.rods_of(session, head.design_id)
    outermost = None if open_at is None else 1 if open_at is End.FIXED else len(layers)
    link = "/parts/{part}"
    if page.place in {Place.LIFTING, Place.SEVERAL}:
        query = urlencode({"at": Place.SEVERAL.value, "end": page.end.value})
        link = f"/records/{head.id}/bench?{query}&part={{part}}"
    return draw_pile(
        layers,
        title=f"The pile of {head.stack} as it stands, {page.pile_in_words}",
        rods=Rods(len(rods)) if rods else None,
        link=lambda layer: link.format(part=layer.part),
        open_at=open_at,
        marked=outermost,
        has_legend=False,
    )


Fill = Callable[[BenchPage, Session, Mapping[str, str], Person], BenchPage]


def _make_safe(
    page: BenchPage, session: Session, query: Mapping[str, str], me: Person
) -> BenchPage:
    view, head = page.view, page.view.head
    act = page.form.raw("act") or query.get("act", SafeAct.OPENING)
    number = page.form.raw("line_number") or query.get("line", "")
    rows = [
        row
        for row in view.checklist
        if row.act is not SafeAct.OPENING or not (head.opened_at and head.closed_at)
    ]
    open_rows = [row for row in rows if row.entry is None or row.stale_at(page.acts_at)]
    chosen = next((row for row in rows if row.act == act and str(row.asked.number) == number), None)
    line = chosen or (open_rows[0] if open_rows else None)
    asks_witness = bool(line and line.asked.needs_witness)
    return replace(
        page,
        line=line,
        asks_witness=asks_witness and not waiver_for(session, head.id, me.id, page.acts_at),
        newer=newer_lists(session, head, view.lists),
        instruments=choices.instruments_to_choose(session, *(line.asked.kinds if line else ())),
        people=choices.people_to_choose(session),
    )


def _opening(
    page: BenchPage, session: Session, _query: Mapping[str, str], _me: Person
) -> BenchPage:
    return replace(page, newer=newer_lists(session, page.view.head, page.view.lists))


def _bump_test(
    page: BenchPage, session: Session, _query: Mapping[str, str], _me: Person
) -> BenchPage:
    return replace(
        page,
        instruments=choices.instruments_to_choose(session, *kinds_that_read("% vol")),
        people=choices.people_to_choose(session),
    )


def _handover(
    page: BenchPage, session: Session, _query: Mapping[str, str], _me: Person
) -> BenchPage:
    return replace(page, people=choices.people_to_choose(session))


def _lifting(
    page: BenchPage, session: Session, _asked: Mapping[str, str], _me: Person
) -> BenchPage:
    layer = page.outermost
    return replace(
        page,
        drawing=_drawn(page, session, page.end),
        conditions=choices.conditions_to_see(session, layer.kind) if layer else None,
        renewed=tuple(lifted for lifted in page.pile.lifted if lifted.to_be_renewed),
    )


def _lifting_one(
    page: BenchPage, session: Session, query: Mapping[str, str], me: Person
) -> BenchPage:
    """One layer; after the scan of another: the way down to it, or what was meant by it."""
    lifting = _lifting(page, session, query, me)
    if not page.form.error("scanned"):
        return lifting
    resolved = resolve_to_fit(session, page.form.raw("scanned"), LAYER_KINDS)
    if resolved.hits:
        return _down_to(lifting, {hit.id for hit in resolved.hits if hit.kind == "part"})
    in_pile = {layer.part for layer in page.pile.layers}
    nearest = near(session, resolved, among=A_PART)
    return replace(
        lifting, candidates=tuple(sorted(nearest, key=lambda hit: hit.id not in in_pile))
    )


def _several(page: BenchPage, session: Session, query: Mapping[str, str], me: Person) -> BenchPage:
    part_id = page.form.raw("part_id")
    parts = {int(part_id)} if part_id.isdecimal() and len(part_id) < 16 else set()
    return _down_to(_lifting(page, session, query, me), parts)


def _down_to(page: BenchPage, parts: Collection[int]) -> BenchPage:
    layers = page.pile.layers if page.end is End.FIXED else page.pile.layers[::-1]
    for count, layer in enumerate(layers, 1):
        if layer.part in parts:
            return replace(page, down_to=layer, down_count=count)
    return page


def _finding(page: BenchPage, session: Session, query: Mapping[str, str], _me: Person) -> BenchPage:
    pile = page.pile
    parts = [
        PartSeen(layer.layer.part, layer.layer.kind, layer.layer.label, "lifted off")
        for layer in pile.lifted
    ]
    parts += [
        PartSeen(
            x.part, x.kind, x.label, f"layer {x.position}" + (f", cell {x.cell}" if x.cell else "")
        )
        for x in pile.layers
    ]
    parts += [
        PartSeen(f.part, f.kind, f.label, f"rod {f.rod_number}" if f.rod_number else str(f.end))
        for f in (*pile.fixings, *pile.fixings_removed)
    ]
    part_id = page.form.raw("part_id") or query.get("part", "")
    part = next((layer for layer in parts if str(layer.id) == part_id), None)
    return replace(
        page,
        parts=tuple(parts),
        part=part,
        conditions=choices.conditions_to_see(session, part.kind) if part else None,
    )


def _putting_on(
    page: BenchPage, session: Session, _asked: Mapping[str, str], _me: Person
) -> BenchPage:
    tray = choices.tray_of(session, page.pile, now_utc())
    guide = guide_at(
        session,
        page.view.head.design_id,
        page.pile,
        page.end,
        tray=tray,
        cells=page.by_plan.cells if page.by_plan else None,
    )
    is_seen = guide is not None and guide.drawing and len(page.pile.layers) > SEEN_WHOLE
    lots = () if guide else choices.lots_at_hand(session, page.view.head.id, LAYER_KINDS, now_utc())
    return replace(
        page,
        drawing="" if is_seen else _drawn(page, session, page.end),
        guide=guide,
        pattern_waits=None if guide else pattern_waiting(session, page.view.head.design_id),
        tray=guide.back if guide else tray.back,
        renewed=tray.renewed,
        barred=tray.barred,
        lots=guide.lots if guide else lots,
        candidates=_candidates(session, page.form, LAYER_KINDS),
        unknown=_unknown(session, page.form, LAYER_KINDS, guide.coming if guide else ()),
    )


def _donor(page: BenchPage, session: Session, _asked: Mapping[str, str], _me: Person) -> BenchPage:
    return replace(page, donors=donors_to_choose(session, page.view.head.stack_id))


def _fixings(
    page: BenchPage, session: Session, _asked: Mapping[str, str], _me: Person
) -> BenchPage:
    return replace(
        page,
        fixings=page.pile.fixings,
        lots=choices.lots_at_hand(session, page.view.head.id, FIXING_KINDS, now_utc()),
        candidates=_candidates(session, page.form, FIXING_KINDS),
        unknown=_unknown(session, page.form, FIXING_KINDS),
        drawing=rod_plan(page, session, None),
        unknown_kinds=_unknown_kinds(page),
    )


def _as_found(
    page: BenchPage, session: Session, _asked: Mapping[str, str], _me: Person
) -> BenchPage:
    types = [each for each in part_types(session) if each.kind in FIXING_KINDS]
    return replace(
        page,
        fixings=page.pile.fixings,
        unknown_kinds=_unknown_kinds(page),
        fixing_types=tuple((each.id, f"{each.kind}: {each.name}") for each in types),
    )


def _unknown_kinds(page: BenchPage) -> tuple[Kind, ...]:
    """Kinds of fixings of the build before that are entered neither everywhere nor as taken off."""
    if page.pile.base_build_id is None:
        return ()
    entered = {
        (fixing.kind, fixing.rod_number, fixing.end)
        for fixing in (*page.pile.fixings, *page.pile.fixings_removed)
    }
    of_kind = Counter(kind for kind, _rod, _end in entered)
    places = {kind: len(page.view.rods) for kind in AT_EVERY_ROD} | {
        Kind.COMPRESSION_PLATE: len(End)
    }
    return tuple(kind for kind, count in places.items() if of_kind[kind] < count)


def _candidates(session: Session, form: Form, kinds: tuple[Kind, ...]) -> tuple[Hit, ...]:
    """After a refusal: what the scanned code can mean; nothing where it is not known at all."""
    if not (form.error("scanned") or form.question("part_id") or form.question("lot_id")):
        return ()
    return resolve_to_fit(session, form.raw("scanned"), kinds).hits


def _unknown(
    session: Session, form: Form, kinds: tuple[Kind, ...], coming: Collection[Item] = ()
) -> NotKnown | None:
    """After a refusal of a code nothing goes by: what may be meant, and how it is added here."""
    if not form.error("scanned") and "serial" not in form.typed:
        return None
    unknown = not_known(session, form.raw("scanned"), kinds, coming)
    if unknown and not form.raw("part_type") and unknown.type_id:
        form.typed["part_type"] = (str(unknown.type_id),)
    return unknown


def _closing(
    page: BenchPage, session: Session, _asked: Mapping[str, str], _me: Person
) -> BenchPage:
    checks = checks_asked(page.view.entries, page.view.rods)
    live = live_closing(page, session) if page.place is Place.CLOSING else None
    return replace(page, drawing=_drawn(page, session, None), checks=checks, closing=live)


def _handing_in(
    page: BenchPage, session: Session, query: Mapping[str, str], me: Person
) -> BenchPage:
    """Before hand-in; what was said of the same thing when it was handed in before stands there."""
    reasons = {
        entry.deviation: entry.deviation_because or ""
        for entry in page.view.entries
        if entry.kind is StepKind.NOT_DONE
    }
    for line in to_be_reasoned(page.missing or ()):
        if line.sentence in reasons:
            page.form.typed.setdefault(line.field, (reasons[line.sentence],))
    return _closing(page, session, query, me)


def _checks(page: BenchPage, session: Session, query: Mapping[str, str], _me: Person) -> BenchPage:
    """The checks of the closing, one at a time: the one asked for, else the first not recorded."""
    checks = checks_asked(page.view.entries, page.view.rods)
    key = page.form.raw("check") or query.get("check", "")
    rod = page.form.raw("rod_number") or query.get("rod", "")
    chosen = [x for x in checks if x.check == key and (not rod or str(x.rod_number) == rod)]
    remaining = [asked_check for asked_check in checks if not asked_check.is_done]
    check = next(iter(chosen or remaining), None)
    kinds = (LENGTH if check.check.is_measured else ELECTRICAL) if check else ()
    tools = [
        asked_check
        for kind in kinds
        for asked_check in choices.instruments_to_choose(session, kind)
    ]
    if len(tools) == 1 and not page.form.raw("instrument_id"):
        page.form.typed["instrument_id"] = (str(tools[0][0]),)
    return replace(
        page,
        checks=checks,
        check=check,
        height=computed_height(session, page.view.head.id, page.pile),
        instruments=tuple(tools),
        drawing=rod_plan(page, session, check.rod_number) if check and check.rod_number else "",
    )


FILL: dict[Place, Fill] = {
    Place.MAKE_SAFE: _make_safe,
    Place.OPENING: _opening,
    Place.BUMP_TEST: _bump_test,
    Place.HANDOVER: _handover,
    Place.LIFTING: _lifting_one,
    Place.SEVERAL: _several,
    Place.FINDING: _finding,
    Place.PUTTING_ON: _putting_on,
    Place.DONOR: _donor,
    Place.FIXINGS: _fixings,
    Place.FROM_LOT: _fixings,
    Place.AS_FOUND: _as_found,
    Place.OFF: _fixings,
    Place.TORQUE: at_torque,
    Place.CORNERS: at_corners,
    Place.HELD: at_held,
    Place.CLOSING: _closing,
    Place.CHECKS: _checks,
    Place.TESTS: at_tests,
    Place.HANDING_IN: _handing_in,
}


router = APIRouter(prefix="/records/{record_id}")
ADDED = "added"
CHOSEN = (
    *("at", "check", "confirmed", "end", "line", "made", "part", "pass", "rod", "scanned"),
    *("stage", "test", "tool"),
)
"""What an address says of the place and of what is chosen there."""


@router.get("/bench")
def show(request: Request, me: Me, database: Database, query: Asked, record_id: int) -> Response:
    """Show the bench of a record being written; of any other, the record."""
    need(me, Act.RECORD_WRITE)
    with reading(database) as session:
        if not record_head(session, record_id).is_being_written:
            return go_on(request, f"/records/{record_id}")
        chosen = {name: text for name in CHOSEN if (text := query.raw(name)) or query.shows(name)}
        sheet = bench_page(request, session, me, record_id, query=chosen)
    if wants_part(request):
        return part(request, "bench/_bench.html", sheet)
    return page(request, "bench/show.html", sheet)


@router.get("/open")
def show_open(request: Request, me: Me, database: Database, record_id: int) -> Response:
    """Count what is open before hand-in; without htmx, show the list of it."""
    need(me, Act.RECORD_WRITE)
    if not wants_part(request):
        return go_on(request, f"/records/{record_id}/bench?at=handing-in")
    with reading(database) as session:
        view, pile = bench_view(session, record_id), working_pile(session, record_id)
        missing = missing_with_kit(session, view.head, pile, verdicts_of_head(session, view.head))
    return part(request, "bench/parts/_open.html", Open(view, missing))


def _route(name: str, entry: Entry) -> Callable[..., Response]:
    def enter(
        request: Request, me: Me, database: Database, form: Typed, record_id: int
    ) -> Response:
        does = entry
        with form.collecting_errors():
            with reading(database) as session:
                meaning = understood(session, form, name, Sent(record_id, me.id, now_utc()))
            does = ENTRIES[meaning.entry]
            texts = {field: form.raw(field) for field in does.keeps if form.raw(field)}
            then = {"made": does.made} | ({"at": does.goes_on} if does.goes_on else {}) | texts
            if meaning.goes_on or meaning.is_done:
                texts = {} if meaning.goes_on else then
                return _show_bench(request, me, database, record_id=record_id, then=texts)
            then |= meaning.then
            facts = read_facts(form, meaning.entry, does)
            photos_taken = stored_files(request, form, "photos") if does.has_photos else []
            with changing(database, me, key=form.key) as work:
                work.answer = (
                    f"/records/{record_id}"
                    if does.leaves_bench
                    else (f"/records/{record_id}/bench?{urlencode(then)}")
                )
                does.make(work, record_id, form.version(), **facts)
                if photos_taken:
                    add_attachments(
                        work, photos_taken, record_id=record_id, part_id=facts["part_id"]
                    )
            if does.leaves_bench:
                return go_on(request, work.answer)
            return _show_bench(request, me, database, record_id=record_id, then=then)
        return _again(request, me, database, form, record_id=record_id, entry=does)

    return enter


def _show_bench(
    request: Request, me: Person, database: Engine, *, record_id: int, then: Mapping[str, str]
) -> Response:
    """Go on at the bench: htmx gets it at once, anybody else goes there."""
    if not wants_part(request):
        return go_on(request, f"/records/{record_id}/bench?{urlencode(then)}")
    with reading(database) as session:
        sheet = bench_page(request, session, me, record_id, query=then)
    return part(request, "bench/_bench.html", sheet)


for _name, _entry in ENTRIES.items():
    if _entry.is_at_bench:
        router.post(f"/{_name}")(_route(_name, _entry))


@router.post("/new-part")
def add_new(request: Request, me: Me, database: Database, form: Typed, record_id: int) -> Response:
    """Add what was scanned and is not known, and go back with it ready to be put on."""
    need(me, Act.RECORD_WRITE)
    entry = ENTRIES["fit-fixing" if form.raw("at") == Place.FIXINGS else "put-on"]
    with form.collecting_errors():
        serial, code = form.text("serial"), form.raw("scanned")
        type_id, lot = form.whole("part_type"), form.text("lot", required=False)
        quantity = form.whole("quantity", required=False)
        with changing(database, me, key=form.key) as work:
            add_scanned(
                work,
                serial,
                type_id or 0,
                lot=lot,
                quantity=quantity,
                accepted=form.yes("accepted"),
            )
            then = {"at": str(entry.at), "end": form.raw("end"), "scanned": code, "made": ADDED}
            work.answer = f"/records/{record_id}/bench?{urlencode(then)}"
        return _show_bench(request, me, database, record_id=record_id, then=then)
    return _again(request, me, database, form, record_id=record_id, entry=entry)


def _again(
    request: Request, me: Person, database: Engine, form: Form, *, record_id: int, entry: Entry
) -> Response:
    """Show the form again, with what was typed and what is wrong with it.

    A form beneath every place leaves the form of the place as it is.
    """
    query = {"at": entry.at or form.raw("at")}
    with reading(database) as session:
        sheet = bench_page(
            request, session, me, record_id, query=query, form=form if entry.at else None
        )
    sheet.form.refused, sheet.form.stale, sheet.form.asked = form.refused, form.stale, form.asked
    if wants_part(request):
        return part(request, "bench/_bench.html", sheet, form.status)
    return page(request, "bench/show.html", sheet, form.status)
