"""Patterns on pages: a list edited by buttons, a file, the pile for N cells; the check's page."""

import re
from collections.abc import Callable
from dataclasses import replace
from html import unescape
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.designs.arithmetic.grammar import Item, Pattern
from service.designs.arithmetic.pattern_toml import read_pattern, write_pattern
from service.designs.queries import pattern_of_design
from service.designs.tables import Design
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import Back, Kind
from service.records.tables import Step, StepKind
from tests import builders
from tests.bench.at_the_bench import a_lab
from tests.proposing import put_in_force
from tests.records.test_pile_checks import closed, opened, put

Clients = Callable[..., Any]
Rows = dict[str, str]
HX = {"HX-Request": "true"}


@pytest.fixture
def pattern(app: Any) -> Pattern:
    """The pattern of the piles of `a_pile`, its part types known."""
    with Session(app.state.engine) as session:
        pattern = builders.the_pattern(session)
        session.commit()
    return pattern


@pytest.fixture
def bare(app: Any, pattern: Pattern) -> int:
    """A design that keeps no pattern and is not in use."""
    with Session(app.state.engine) as session:
        design_id = builders.a_design(session, cells=(2, 12)).id
        session.commit()
    return design_id


@pytest.fixture
def kept(app: Any, pattern: Pattern) -> int:
    """A design with the pattern, not in use."""
    with Session(app.state.engine) as session:
        design_id = builders.a_design(session, cells=(2, 12), pattern=pattern).id
        session.commit()
    return design_id


def words(html: str) -> str:
    """The text of a page, without its tags."""
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)))


def form_of(html: str) -> Rows:
    """What a browser would send of the pattern's form, without any button."""
    form = html.partition('id="pattern-form"')[2].partition("</form>")[0]
    sent: Rows = {}
    for tag in re.findall(r"<input\b[^>]*>", form):
        facts = dict(re.findall(r'(\w+)="([^"]*)"', tag))
        ticked = facts.get("type") != "checkbox" or " checked" in tag
        if "name" in facts and facts.get("type") != "file" and ticked:
            sent[facts["name"]] = unescape(facts.get("value", ""))
    for name, body in re.findall(
        r'<select id="\w+" name="(\w+)"[^>]*>(.*?)</select>', form, re.DOTALL
    ):
        chosen = re.search(r'value="([^"]*)" selected', body)
        sent[name] = unescape(chosen[1]) if chosen else ""
    for name, body in re.findall(
        r'<textarea[^>]* name="(\w+)"[^>]*>\n(.*?)</textarea>', form, re.DOTALL
    ):
        sent[name] = unescape(body)
    return sent


def kinds(sent: Rows, where: str) -> list[str]:
    return [sent[f"{where}_{n}_kind"] for n in range(1, int(sent[f"{where}_items"]) + 1)]


def stored(app: Any, design_id: int) -> Pattern | None:
    with Session(app.state.engine) as session:
        return pattern_of_design(session, design_id).pattern


def accept(app: Any, answer: Any) -> None:
    """Let somebody else put in force what was proposed."""
    assert answer.status_code == 303
    put_in_force(app.state.engine, int(answer.headers["location"].removeprefix("/proposals/")))


def test_a_design_without_a_pattern_says_so_and_how_to_keep_one(
    signed_in_client: Clients, bare: int
) -> None:
    """On its sheet; the form begins with a usual pattern."""
    client = signed_in_client("quality")

    page = client.get(f"/designs/{bare}").text
    form = form_of(client.get(f"/designs/{bare}/pattern").text)

    assert "No pattern is in force: piles of this design are not checked." in words(page)
    assert f'href="/designs/{bare}/pattern"' in page
    assert kinds(form, "cell") == ["half plate", "gasket", "MEA", "gasket", "half plate"]
    assert (form["least_cells"], form["most_cells"]) == ("2", "12")
    assert client.get(f"/designs/{bare}/pattern.toml").status_code == 404


def test_the_form_shows_what_is_kept_and_sends_what_it_shows(
    signed_in_client: Clients, app: Any, kept: int
) -> None:
    """Sent as it is shown, the pattern stays the same to the last word."""
    client, before = signed_in_client("quality"), stored(app, kept)
    form = form_of(client.get(f"/designs/{kept}/pattern").text)

    answer = client.post(
        f"/designs/{kept}/pattern", data=form | {"do": "propose", "reason": "looked over"}
    )

    assert (answer.status_code, "nothing differs from it" in words(answer.text)) == (422, True)
    assert stored(app, kept) == before


def test_a_pattern_is_kept_with_what_belongs_on_each_rod(
    signed_in_client: Clients, app: Any, bare: int
) -> None:
    client = signed_in_client("quality")
    form = form_of(client.get(f"/designs/{bare}/pattern").text)
    form |= {"most_cells": "16", "rod_sleeves": "1", "rod_nuts": "2", "reason": "as drawn"}

    answer = client.post(f"/designs/{bare}/pattern", data=form | {"do": "propose"})

    assert stored(app, bare) is None
    sheet = words(client.get(f"/designs/{bare}").text)
    assert "No pattern is in force: piles of this design are not checked." in sheet
    assert "waits for somebody else." in sheet
    again = form_of(client.get(f"/designs/{bare}/pattern").text)
    assert (again["most_cells"], again["rod_nuts"]) == ("16", "2")
    proposal = client.get(answer.headers["location"]).text
    assert "Pile of Tarn" in words(proposal)
    assert "You wrote this yourself" in words(proposal)
    accept(app, answer)
    pattern = stored(app, bare)
    assert pattern is not None
    assert (pattern.most_cells, pattern.cell[0].back) == (16, Back.CHANNELLED)
    page = words(client.get(f"/designs/{bare}").text)
    assert "2 to 16" in page
    assert "On each tie rod: 1 × sleeve, 2 × nut." in page


@pytest.mark.parametrize(
    ("do", "after"),
    [
        ("up cell 3", ["cell:", "half plate", "MEA", "gasket", "gasket", "half plate"]),
        ("down cell 3", ["cell:", "half plate", "gasket", "gasket", "MEA", "half plate"]),
        ("remove cell 3", ["cell:", "half plate", "gasket", "gasket", "half plate"]),
        ("add between", ["between:", "gasket", ""]),
        ("up cell 1", ["head:", "insulator plate", "current collector", "gasket", "half plate"]),
        ("down tail 3", ["tail:", "gasket", "current collector", "insulator plate"]),
        ("up head 1", ["head:", "insulator plate", "current collector", "gasket"]),
        ("down between 1", ["tail:", "gasket", "gasket", "current collector", "insulator plate"]),
        ("up cell 99", ["cell:", "half plate", "gasket", "MEA", "gasket", "half plate"]),
        ("juggle cell 1", ["cell:", "half plate", "gasket", "MEA", "gasket", "half plate"]),
    ],
)
def test_buttons_rearrange_the_list(
    signed_in_client: Clients, app: Any, kept: int, do: str, after: list[str]
) -> None:
    """Without script too; beyond an end into the part beside; nothing is kept by it."""
    client, before = signed_in_client("quality"), stored(app, kept)
    form = form_of(client.get(f"/designs/{kept}/pattern").text)

    answer = client.post(f"/designs/{kept}/pattern", data=form | {"do": do, "reason": "draft"})

    sent = form_of(answer.text)
    assert answer.status_code == 200
    assert [after[0], *kinds(sent, after[0].rstrip(":"))] == after
    assert sent["reason"] == "draft"
    assert stored(app, kept) == before


def test_an_item_moves_with_everything_said_of_it(signed_in_client: Clients, kept: int) -> None:
    client = signed_in_client("quality")
    form = form_of(client.get(f"/designs/{kept}/pattern").text)
    form |= {"cell_3_name": "catalyst-coated membrane", "cell_3_one_lot": "yes"}

    sent = form_of(client.post(f"/designs/{kept}/pattern", data=form | {"do": "up cell 3"}).text)

    assert sent["cell_2_name"] == "catalyst-coated membrane"
    assert (sent["cell_2_one_lot"], sent["cell_2_blank_may_stand"]) == ("yes", "yes")
    assert sent["cell_2_part_type"] == "TEL-001 rev. A"
    assert "cell_3_one_lot" not in sent


def test_htmx_gets_the_pile_alone_as_fields_change(signed_in_client: Clients, kept: int) -> None:
    """And the form alone as items move."""
    client = signed_in_client("quality")
    form = form_of(client.get(f"/designs/{kept}/pattern").text)

    shown = client.post(
        f"/designs/{kept}/pattern", data=form | {"cells_shown": "7"}, headers=HX
    ).text
    moved = client.post(
        f"/designs/{kept}/pattern", data=form | {"do": "up cell 3"}, headers=HX
    ).text

    assert shown.startswith('<div id="pattern-shown"')
    assert "as designed, 7 cells" in shown
    assert shown.count('class="layer"') == 7 * 6 + 5
    assert moved.startswith("<form")
    assert 'id="up-cell-2"' in moved
    assert "<html" not in shown + moved


def test_the_pile_follows_what_is_typed_and_says_what_stands_against_it(
    signed_in_client: Clients, kept: int
) -> None:
    """A back changed, a type nobody made: told at once, drawn all the same."""
    client = signed_in_client("quality")
    form = form_of(client.get(f"/designs/{kept}/pattern").text)

    flush = client.post(
        f"/designs/{kept}/pattern",
        data=form | {"cell_1_back": "flush", "cell_1_part_type": ""},
    ).text
    unknown = client.post(
        f"/designs/{kept}/pattern", data=form | {"head_1_part_type": "TEL-99"}
    ).text

    assert "neither back carries channels" in words(flush)
    assert "no part type has this drawing number" in words(unknown)
    assert 'class="layer"' in flush
    assert 'class="layer"' in unknown


def test_what_cannot_be_kept_is_refused_beside_its_field(
    signed_in_client: Clients, app: Any, kept: int
) -> None:
    """Nothing typed is lost."""
    client, before = signed_in_client("quality"), stored(app, kept)
    form = form_of(client.get(f"/designs/{kept}/pattern").text)
    wrong = form | {
        "do": "propose",
        "cell_1_part_type": "TEL-99",
        "cell_3_facing": "free end",
        "reason": "a new plate",
    }

    answer = client.post(f"/designs/{kept}/pattern", data=wrong)

    assert answer.status_code == 422
    assert 'id="wrong-cell_1_part_type"' in answer.text
    assert 'id="wrong-cell_3_facing"' in answer.text
    assert "TEL-004 rev. A" in words(answer.text)
    sent = form_of(answer.text)
    assert (sent["cell_1_part_type"], sent["reason"]) == ("TEL-99", "a new plate")
    assert stored(app, kept) == before


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"least_cells": "many"}, "not a whole number"),
        ({"most_cells": "1"}, "2 or more would be right"),
        ({"cell_1_thickness_mm": "-2"}, "More than 0 mm"),
        ({"cell_1_kind": "sandwich"}, "not one of the choices"),
        ({"cell_items": "0"}, "It needs one layer at least"),
        ({"rod_nuts": "1000"}, "out of range"),
        ({"reason": ""}, "This has to be filled in"),
    ],
)
def test_bad_input_is_told_in_words(
    signed_in_client: Clients, kept: int, changed: Rows, said: str
) -> None:
    client = signed_in_client("quality")
    form = form_of(client.get(f"/designs/{kept}/pattern").text) | {"reason": "tried"}

    answer = client.post(f"/designs/{kept}/pattern", data=form | changed | {"do": "propose"})

    assert answer.status_code == 422
    assert said in words(answer.text)


def test_the_pattern_goes_out_as_a_file_and_comes_back_the_same(
    signed_in_client: Clients, app: Any, kept: int, bare: int
) -> None:
    """Read into the list of another design, looked at, and only then kept."""
    client = signed_in_client("quality")

    file = client.get(f"/designs/{kept}/pattern.toml")
    form = form_of(client.get(f"/designs/{bare}/pattern").text)
    looked = client.post(
        f"/designs/{bare}/pattern",
        data=form | {"do": "read"},
        files={"file": ("from elsewhere.toml", file.content)},
    )
    assert stored(app, bare) is None
    answer = client.post(
        f"/designs/{bare}/pattern",
        data=form_of(looked.text) | {"do": "propose", "reason": "as elsewhere"},
    )
    accept(app, answer)

    assert file.headers["content-type"].startswith("application/toml")
    assert 'filename="Tarn-' in file.headers["content-disposition"]
    assert read_pattern(file.text) == stored(app, kept)
    assert "Read from from elsewhere.toml" in words(looked.text)
    assert stored(app, bare) == stored(app, kept)


def test_a_file_that_is_no_pattern_is_refused_with_line_key_and_value(
    signed_in_client: Clients, kept: int
) -> None:
    """All that is wrong in it, what would be right; the text and the list stay."""
    client = signed_in_client("quality")
    form = form_of(client.get(f"/designs/{kept}/pattern").text)
    text = 'least_cells = 2\nmost_cells = 9\n[[cell]]\nkind = "MEAs"\n[[cell]]\nkinde = 1\n'

    answer = client.post(f"/designs/{kept}/pattern", data=form | {"do": "read", "toml": text})

    page = words(answer.text)
    assert answer.status_code == 422
    assert 'Line 4: cell 1: kind is "MEAs"; one of MEA, half plate' in page
    assert "Line 6: cell 2: kinde is not known" in page
    sent = form_of(answer.text)
    assert sent["toml"].strip() == text.strip()
    assert kinds(sent, "cell") == kinds(form, "cell")


def test_a_file_of_no_text_and_none_at_all_are_told(signed_in_client: Clients, kept: int) -> None:
    client = signed_in_client("quality")
    form = form_of(client.get(f"/designs/{kept}/pattern").text)

    binary = client.post(
        f"/designs/{kept}/pattern",
        data=form | {"do": "read"},
        files={"file": ("photo.jpg", b"\xff\xd8\xff")},
    )
    nothing = client.post(f"/designs/{kept}/pattern", data=form | {"do": "read"})

    assert (binary.status_code, nothing.status_code) == (422, 422)
    assert "photo.jpg is no text in UTF-8" in words(binary.text)
    assert "Nothing was chosen or pasted" in words(nothing.text)


def test_the_sheet_draws_and_counts_the_pile_for_n_cells(
    signed_in_client: Clients, kept: int
) -> None:
    """N cells: N MEAs, 2 N half plates, 2 N gas gaskets, N + 1 coolant layers (common practice)."""
    client = signed_in_client("builder")

    page = client.get(f"/designs/{kept}?cells=10").text
    alone = client.get(f"/designs/{kept}?cells=10", headers=HX).text
    beyond = client.get(f"/designs/{kept}?cells=99")

    table = words(page.partition("Parts for 10 cells")[2])
    assert "20 half plates, 20 cell gaskets, 11 coolant layers" in words(page)
    assert "MEA TEL-001 rev. A mea 10" in table
    assert "cell gasket TEL-008 rev. A gas gasket 20" in table
    assert "coolant gasket TEL-009 rev. A coolant gasket 11" in table
    assert alone.startswith('<div id="as-designed"')
    assert (beyond.status_code, "out of range" in words(beyond.text)) == (422, True)


def test_a_new_revision_takes_the_pattern_over_and_shows_what_differs(
    signed_in_client: Clients, app: Any, kept: int, pattern: Pattern
) -> None:
    """On the design's sheet and while it is edited."""
    client = signed_in_client("quality")
    page = client.get(f"/designs/new?from={kept}").text
    assert f'name="made_from" value="{kept}"' in page
    form = design_form(page) | {"revision": "B", "target_torque_nm": "9.5", "made_from": str(kept)}

    made = client.post("/designs/new", data=form).headers["location"]
    new = int(made.rpartition("/")[2])
    assert stored(app, new) == replace(pattern, least_cells=2, most_cells=12)
    edited = form_of(client.get(f"{made}/pattern").text) | {"cell_3_blank_may_stand": ""}
    shown = client.post(f"{made}/pattern", data=edited, headers=HX).text
    answer = client.post(f"{made}/pattern", data=edited | {"do": "propose", "reason": "no blanks"})
    assert "a blank cell may stand here yes → no" in words(
        client.get(answer.headers["location"]).text
    )
    accept(app, answer)
    sheet = words(client.get(made).text)

    assert "Against revision A: 1 difference" in words(shown)
    assert "What differs from revision A" in sheet
    assert "target torque: 9 N·m → 9.5 N·m" in sheet
    assert "pattern, cell 3, MEA: a blank cell may stand here yes → no" in sheet


def design_form(html: str) -> Rows:
    """What a browser would send of the form of a design."""
    form = html.partition('action="/designs/new"')[2].partition("</form>")[0]
    return form_of(f'id="pattern-form"{form}</form>')


def test_a_pattern_in_use_is_shown_and_not_edited(
    signed_in_client: Clients, app: Any, kept: int
) -> None:
    with Session(app.state.engine) as session:
        builders.a_stack(session, design=session.get_one(Design, kept))
        session.commit()
    client = signed_in_client("quality")

    page = client.get(f"/designs/{kept}/pattern")
    answer = client.post(f"/designs/{kept}/pattern", data={"do": "propose", "reason": "x"})

    assert "It is frozen" in words(page.text)
    assert 'id="pattern-form"' not in page.text
    assert answer.status_code == 422


def test_a_design_in_use_without_one_gets_it_once(
    signed_in_client: Clients, app: Any, bare: int
) -> None:
    with Session(app.state.engine) as session:
        builders.a_stack(session, design=session.get_one(Design, bare))
        session.commit()
    client = signed_in_client("quality")
    page = client.get(f"/designs/{bare}/pattern").text

    form = form_of(page) | {"do": "propose", "reason": "from the drawing of then"}
    answer = client.post(f"/designs/{bare}/pattern", data=form)

    assert "It gets its pattern once" in words(page)
    accept(app, answer)
    assert stored(app, bare) is not None


def test_only_who_may_write_designs_edits_patterns(signed_in_client: Clients, kept: int) -> None:
    """Everybody may read and export them."""
    client = signed_in_client("builder")

    assert client.get(f"/designs/{kept}/pattern").status_code == 403
    assert client.post(f"/designs/{kept}/pattern", data={"do": "propose"}).status_code == 403
    assert client.get(f"/designs/{kept}/pattern.toml").status_code == 200
    assert f"/designs/{kept}/pattern.toml" in client.get(f"/designs/{kept}").text


def test_names_are_shown_as_typed_and_never_as_markup(
    signed_in_client: Clients, app: Any, kept: int
) -> None:
    client = signed_in_client("quality")
    form = form_of(client.get(f"/designs/{kept}/pattern").text)
    form |= {"cell_3_name": "<b>MEA</b> & co", "cell_3_part_type": "", "reason": "named"}

    accept(app, client.post(f"/designs/{kept}/pattern", data=form | {"do": "propose"}))
    page = client.get(f"/designs/{kept}").text

    assert "<b>MEA</b>" not in page
    assert "&lt;b&gt;MEA&lt;/b&gt; &amp; co" in page


def test_the_sheet_of_a_stack_tells_the_check_in_one_line(
    signed_in_client: Clients, app: Any, pattern: Pattern
) -> None:
    """Clean, with findings under details, or not made for want of a pattern."""
    with Session(app.state.engine) as session:
        design = builders.a_design(session, pattern=pattern)
        builders.a_stack(session, serial="CLEAN", cells=2, design=design)
        wide = replace(pattern, head=(*pattern.head[:2], Item(Kind.GASKET), *pattern.head[2:]))
        other = builders.a_design(session, pattern=wide)
        builders.a_stack(session, serial="ODD", cells=2, design=other)
        builders.a_stack(session, serial="OLD", cells=2)
        session.commit()
    client = signed_in_client("builder")

    clean, odd, old = (words(client.get(f"/stacks/{s}").text) for s in ("CLEAN", "ODD", "OLD"))

    assert "Check follows the pattern of Tarn" in clean
    assert "1 finding by the pattern of" in odd
    assert "Coolant gasket missing between layers 3 and 4" in odd
    assert "has no pattern in force" in old


@pytest.mark.both_engines
def test_the_check_of_a_record_has_its_page(engine: Engine, signed_in_client: Clients) -> None:
    """What blocks, what needs a concession with the place to accept it, what is a remark."""
    lab = a_lab(engine, cells=3, has_pattern=True)
    record, layers = opened(lab, 8)
    put(record, [layer for layer in layers if layer.position != 17], p21=layers[5].part)
    closed(record)
    builder, quality = signed_in_client("builder"), signed_in_client("quality")

    seen = builder.get(f"/records/{record.number}/check?at=16").text
    asked = quality.get(f"/records/{record.number}/check").text
    bench = builder.get(f"/records/{record.number}/bench?at=handing-in").text

    assert "Blocks the hand-in Cell gasket missing between layers 16 and 17" in words(seen)
    assert "Needs a concession" in seen
    assert "Accept this departure" not in seen
    assert asked.count("Accept this departure</button>") == 1
    assert seen.count('class="layer"') == 22
    assert "Cell gasket missing between layers 16 and 17" in words(bench)
    assert f'href="/records/{record.number}/check"' in bench


@pytest.mark.both_engines
def test_a_departure_is_accepted_on_that_page(engine: Engine, signed_in_client: Clients) -> None:
    lab = a_lab(engine, cells=3, has_pattern=True)
    record, layers = opened(lab, 3)
    put(record, layers, p21=layers[0].part)
    closed(record)
    client, at = signed_in_client("quality", name="Ida Quist"), f"/records/{record.number}"
    page = client.get(f"{at}/check").text
    sentence = unescape(re.findall(r'name="departs_from" value="([^"]*)"', page)[0])
    sent = {"version": str(record.record.version), "departs_from": sentence}

    empty = client.post(f"{at}/departures", data=sent | {"reason": " "})
    stale = client.post(f"{at}/departures", data=sent | {"version": "1", "reason": "agreed"})
    other = client.post(f"{at}/departures", data=sent | {"departs_from": "x", "reason": "agreed"})
    builder = signed_in_client("builder").post(f"{at}/departures", data=sent | {"reason": "me"})
    good = client.post(f"{at}/departures", data=sent | {"reason": "no others in house"})

    assert [one.status_code for one in (empty, stale, other, builder, good)] == [
        422, 409, 422, 403, 303,
    ]  # fmt: skip
    assert "agreed" in stale.text
    assert "does not say this" in words(other.text)
    after = words(client.get(f"{at}/check").text)
    assert "Accepted by Ida Quist: no others in house" in after
    assert "departure from the design accepted" in words(client.get(at).text)
    with Session(engine) as session:
        assert session.scalars(select(Step.kind).order_by(Step.id.desc())).first() is (
            StepKind.DEPARTURE
        )


def test_a_record_of_a_design_without_a_pattern_says_so(
    engine: Engine, signed_in_client: Clients
) -> None:
    a_lab(engine)
    client = signed_in_client(Role.BUILDER)

    assert "has no pattern in force" in words(client.get("/records/1/check").text)
    assert client.get("/records/99/check").status_code == 404


def test_the_file_is_written_as_the_trade_writes_it(
    signed_in_client: Clients, app: Any, kept: int
) -> None:
    """A comment names the design; the rest is exactly what is kept."""
    text = signed_in_client("builder").get(f"/designs/{kept}/pattern.toml").text

    first, _, rest = text.partition("\n\n")
    pattern = stored(app, kept)
    assert first.startswith("# Tarn")
    assert pattern is not None
    assert rest == write_pattern(pattern)
