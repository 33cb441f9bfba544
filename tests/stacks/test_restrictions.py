"""A concession's restriction travels with the stack, on every page and sheet of it."""

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import Engine

from service.bench.changes.bench import accept_departure, undo_last
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import Kind
from service.platform.database import reading
from service.stacks.queries.restrictions import Restriction, restrictions_of
from service.stacks.tables import Stack
from service.store.changes.holds import Subject, give_concession, place_hold
from service.store.tables import Part
from tests import builders
from tests.bench.at_the_bench import Lab, a_lab, known
from tests.proof.test_releases import later, ready, the_build
from tests.records.test_pile_checks import checked, closed, opened, put, somebody
from tests.store.test_may_a_part_be_used import Opened

PAGES = """
/stacks/{serial} /stacks/{serial}/hours /stacks/{serial}/condition /stacks/{serial}/runs
/stacks/{serial}/taps /stacks/{serial}/taps/new /stacks/{serial}/bridges
/stacks/{serial}/voltages/new /stacks/{serial}/curves/new /stacks/{serial}/sweeps/new
/stacks/{serial}/changeover /stacks/{serial}/compare
/builds/{build}/release /records/{record} /records/{record}/closing
/records/{writing} /records/{writing}/bench /records/{writing}/paper
/records/{writing}/paper/enter
"""


def restrictions(lab: Lab) -> tuple[Restriction, ...]:
    with reading(lab.engine) as session:
        return restrictions_of(session, session.get_one(Stack, lab.stack_id).serial)


def test_case_32_every_page_of_a_stack_says_what_it_is_restricted_to(
    engine: Engine, signed_in_client: Callable[..., Any], calling: Callable[..., Any]
) -> None:
    """Passed on to whoever runs it next, printed sheets and bench paper included."""
    stack = ready(engine)
    lab = stack.lab
    mea = next(layer for layer in stack.bench.pile.layers if layer.kind is Kind.MEA)
    lab.do(place_hold, Subject(mea.part), reason="a sister tore")
    later(stack)
    quality = lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY)))
    lab.do(give_concession, Subject(mea.part), reason="half load only", by=quality)
    writing = lab.begin()
    client = signed_in_client(Role.BUILDER)
    facts = {
        "serial": lab.get(Stack, lab.stack_id).serial,
        "build": the_build(stack),
        "record": stack.bench.number,
        "writing": writing.number,
    }

    silent = []
    for address in PAGES.format(**facts).split():
        answer = client.get(address)
        assert answer.status_code == 200, address
        text = answer.text.split("Under concession:", 1)[-1]
        if "half load only" not in text or "Under concession:" not in answer.text:
            silent.append(address)

    assert silent == []
    sheet = client.get(f"/stacks/{facts['serial']}").text
    (api,) = (
        calling(Role.BUILDER).get(f"/api/v1/stacks/{facts['serial']}/layers").json()["restrictions"]
    )
    assert (api["reason"], api["record_id"]) == ("half load only", None)
    assert f'data-says="Under concession: {mea.label}, cell {mea.cell}: half load only"' in sheet


@pytest.mark.both_engines
def test_case_32_a_concession_restricts_while_what_it_allows_stands_in_the_stack(
    engine: Engine,
) -> None:
    """For a part until that is lifted off; for a lot while any of it is fitted."""
    open_stack = Opened(engine)
    lab = open_stack.lab
    open_stack.by_quality(place_hold, Subject(open_stack.mea), reason="a sister tore")
    open_stack.by_quality(give_concession, Subject(open_stack.mea), reason="half load only")
    assert restrictions(lab) == ()

    open_stack.put_back()
    (of_part,) = restrictions(lab)
    assert (of_part.reason, of_part.record_id) == ("half load only", open_stack.bench.number)
    assert of_part.given_by == open_stack.quality.name
    open_stack.bench.do(undo_last)
    assert restrictions(lab) == ()

    gasket = next(layer for layer in open_stack.bench.pile.layers if layer.kind is Kind.GASKET)
    lot_id = lab.get(Part, gasket.part).lot_id
    open_stack.by_quality(give_concession, Subject(lot_id=lot_id), reason="two weeks")
    (of_lot,) = restrictions(lab)
    assert of_lot.allows.startswith("lot ")
    assert of_lot.allows.endswith("fitted")


def test_case_32_a_departure_accepted_from_the_design_restricts_the_build(engine: Engine) -> None:
    """As long as that build stands, in the words of the check."""
    lab = a_lab(engine, cells=3, has_pattern=True)
    record, layers = opened(lab, 3)
    put(record, layers, p21=layers[0].part)
    closed(record)
    quality = somebody(lab, Role.SUPERVISOR)
    sentence = checked(lab, record.number).judged[0].finding.sentence
    assert restrictions(lab) == ()

    record.do(accept_departure, departs_from=sentence, reason="No others in house.", by=quality)

    (departure,) = restrictions(lab)
    assert (departure.allows, departure.reason) == (sentence, "No others in house.")
    assert (departure.given_by, departure.record_id) == (quality.name, record.number)
