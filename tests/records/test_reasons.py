"""The laboratory's reasons: a choice first, own words after, counted by what they answer."""

from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.changes.handing_in import hand_in
from service.people.tables import Role
from service.platform.errors import Refused, RefusedTogether
from service.records.arithmetic.lab_words import Answers, LabWord, WordList
from service.records.changes.bench_opening import close_stack
from service.records.changes.lab_words import write_word
from service.records.queries.lab_words import reasons_for, reasons_used
from service.records.tables import Step, StepKind
from service.store.changes.holds import Subject, give_concession
from tests import builders
from tests.bench.at_the_bench import Bench, Lab, a_lab, known


def an_open_record(engine: Engine) -> Bench:
    record = a_lab(engine).begin()
    record.open()
    record.do(close_stack, hours=120.0)
    return record


def quality_of(lab: Lab) -> Any:
    return lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY)))


def counts(engine: Engine, word: str) -> dict[str, int]:
    with Session(engine) as session:
        used = next(each for each in reasons_used(session) if each.word.word == word)
    return {answers.value: count for answers, count in used.counts.items() if count}


@pytest.mark.both_engines
def test_a_choice_alone_or_with_words_after_it_is_kept_and_counted(engine: Engine) -> None:
    record = an_open_record(engine)
    given = dict.fromkeys(record.reasons(), "Follows before the release: on Friday")

    record.do(hand_in, not_done=given)

    with Session(engine) as session:
        kept = session.scalars(
            select(Step.deviation_because).where(Step.kind == StepKind.NOT_DONE)
        ).all()
    assert set(kept) == {"follows before the release: on Friday"}
    assert counts(engine, "follows before the release") == {"not done": len(given)}
    assert counts(engine, "no test gas at the bench") == {}


def test_a_choice_that_says_too_little_asks_for_own_words(engine: Engine) -> None:
    record = an_open_record(engine)
    given = dict.fromkeys(record.reasons(), "agreed with the supervisor")

    with pytest.raises((Refused, RefusedTogether), match="this choice alone says too little"):
        record.do(hand_in, not_done=given)

    record.do(hand_in, not_done=dict.fromkeys(given, "agreed with the supervisor: V. Roth, 8:10"))


@pytest.mark.both_engines
def test_a_renamed_reason_counts_with_what_it_was_called(engine: Engine) -> None:
    lab = a_lab(engine)
    quality = quality_of(lab)
    subject = Subject(instrument_id=lab.driver_id)
    lab.do(give_concession, subject, reason="no other part in store", by=quality)
    fits = (Answers.DEPARTURE.value, Answers.CONCESSION.value)
    renamed = LabWord("NO-OTHER-PART-IN-STORE", "nothing else in store", fits)

    lab.do(write_word, renamed, of=WordList.REASONS, is_new=False, reason="wider", by=quality)
    lab.do(give_concession, subject, reason="nothing else in store: 100 % in use", by=quality)

    assert counts(engine, "nothing else in store") == {"concession": 2}
    with Session(engine) as session:
        offered = [word.word for word in reasons_for(session, Answers.CONCESSION)]
    assert "nothing else in store" in offered
    assert "no test gas at the bench" not in offered


def test_the_form_joins_choice_and_words(app: Any, signed_in_client: Any) -> None:
    client = signed_in_client("quality")
    with Session(app.state.engine) as session:
        part_id = builders.a_part(session, builders.the_part_types(session).mea).id
        session.commit()
    at = f"/holds/concessions/new?part={part_id}"
    assert "inspected and measured again …, say more" in client.get(at).text

    refused = client.post(at, data={"choice.reason": "inspected and measured again"})
    assert "this choice alone says too little" in refused.text
    assert 'value="inspected and measured again" selected' in refused.text
    typed = {"choice.reason": "inspected and measured again", "reason": "0.41 mm"}
    assert client.post(at, data=typed).status_code == 303

    listed = client.get("/words?list=reasons").text
    assert "Reasons people choose from" in listed
    assert counts(app.state.engine, "inspected and measured again") == {"concession": 1}


def test_reasons_are_written_on_their_page(signed_in_client: Any) -> None:
    client = signed_in_client("quality")
    typed = {"word": "bench needed elsewhere", "fits": "not done", "reason": "comes up often"}

    made = client.post("/words/new?list=reasons", data=typed)

    assert made.headers["location"] == "/words?list=reasons"
    page = client.get("/words/BENCH-NEEDED-ELSEWHERE?list=reasons").text
    assert "It is enough alone" in page
    assert "Usual severity" not in page
    colon = client.post("/words/new?list=reasons", data=typed | {"word": "gone: off"})
    assert "A word has no colon" in colon.text
