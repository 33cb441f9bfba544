"""The list of what rests on a corrected fact, the mark on each page, and taking it off."""

from collections.abc import Callable
from typing import Any

from sqlalchemy.orm import Session

from service.platform.arithmetic.vocabulary import Kind
from tests import builders
from tests.bench.corrections.test_corrections_pages import OF, Lab, words

RESTS = "the approval of record 2, TARN-009 ("


def test_case_06_a_later_approval_says_that_it_rests_on_a_corrected_fact(
    app: Any, signed_in_client: Callable[..., Any], calling: Callable[..., Any]
) -> None:
    with Session(app.state.engine) as session:
        stack = builders.a_stack(session, serial="TARN-009")
        for hours in (None, 100.0):
            builders.a_build(session, stack, cells=1, hours=hours)
        session.commit()
    builder, quality = signed_in_client("builder"), signed_in_client("quality")
    lab = Lab(app, 1, builder, quality)
    spare = lab.spare(serial="M-991")
    number = lab.written(lab.fact(OF.LAYER_PART, Kind.MEA), spare.serial or "")
    assert lab.decide(number, "approve").status_code == 303

    on_record, on_sheet = quality.get("/records/2"), quality.get("/records/2/approval")
    waiting = builder.get("/approvals")
    machine = calling("quality")
    (row,) = machine.get("/api/v1/looking-again").json()
    refused = builder.post("/looking-again", data={"of": "record", "subject_id": "2"})
    done = quality.post(
        "/looking-again", data={"of": "record", "subject_id": "2", "note": "the same lot"}
    )

    for page in (on_record, on_sheet):
        assert RESTS in words(page)
        assert f"by correction {number}." in words(page)
    assert "1 thing signed or made rests on a fact corrected since" in words(waiting)
    assert (row["of"], row["subject_id"], row["correction"]) == ("record", 2, number)
    assert (refused.status_code, done.status_code) == (403, 303)
    assert RESTS not in words(quality.get("/records/2"))
    assert "Nothing signed or made rests" in words(quality.get("/looking-again"))
    assert "looked again at approval of record 2" in words(quality.get("/audit-trail"))
    again = machine.post("/api/v1/looking-again", json={"of": "record", "subject_id": 2})
    assert again.status_code == 404
