"""Sheets of codes: each action once, and the two faces of a part that has two."""

import re
from collections.abc import Callable
from html import unescape
from typing import Any

import segno
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.bench.arithmetic.codes import Action, action_of, face_label
from service.platform.drawings.codes import draw_code
from service.store.tables import Part, PartType
from tests import builders
from tests.bench.test_bench_pages import rows


def modules(drawing: str) -> set[tuple[int, int]]:
    """Dark modules of a drawn code, without its quiet zone."""
    found = set()
    for x, y, length in re.findall(r"M(\d+) (\d+)h(\d+)v1", drawing):
        found |= {(int(x) + at - 4, int(y) - 4) for at in range(int(length))}
    return found


def test_a_drawing_holds_every_module_of_the_code() -> None:
    text = "DO:NOTHING FOUND"
    code = segno.make_qr(text, error="m", boost_error=False)
    dark = {(x, y) for y, row in enumerate(code.matrix) for x, bit in enumerate(row) if bit}

    assert modules(draw_code(text, "words")) == dark


def test_the_sheet_has_each_action_once(signed_in_client: Callable[..., Any]) -> None:
    page = unescape(signed_in_client("builder").get("/bench-codes").text)

    shown = re.findall(r'<span class="serial">(DO:[^<]+)</span>', page)
    assert [action_of(text) for text in shown] == list(Action)
    assert page.count('<svg class="code"') == len(Action)


def test_a_part_whose_faces_differ_has_a_label_for_each(
    app: Any, signed_in_client: Callable[..., Any]
) -> None:
    """One whose faces do not says why it has none; its page does not lead there."""
    rows(app, lambda s: builders.a_stack(s, cells=1, serial="TARN-001"))
    with Session(app.state.engine) as session:
        named = select(Part.id, Part.serial).join(PartType, PartType.id == Part.part_type_id)
        named = named.where(Part.serial.is_not(None))
        two = session.execute(named.where(PartType.marked_face.is_not(None))).first()
        same = session.execute(named.where(PartType.marked_face.is_(None))).first()
    assert two
    assert same
    client = signed_in_client("builder")

    page = client.get(f"/parts/{two.id}/face-labels").text

    labels = [face_label(text) for text in re.findall(r'"serial">([^<]+:(?:FACE|BACK))<', page)]
    assert [label.code for label in labels if label] == [two.serial, two.serial]
    assert f"/parts/{two.id}/face-labels" in client.get(f"/parts/{two.id}").text
    assert client.get(f"/parts/{same.id}/face-labels").status_code == 422
    assert "face-labels" not in client.get(f"/parts/{same.id}").text
