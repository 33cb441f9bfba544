"""The laboratory's words: versions, a second person for severities, findings in them."""

import json
from datetime import timedelta

import pytest
from sqlalchemy import Engine, select, update
from sqlalchemy.exc import DatabaseError
from sqlalchemy.orm import Session

from service.bench.changes.handing_in import hand_in
from service.bench.changes.layers import lift_off, note_finding
from service.people.tables import Role
from service.physics.arithmetic.conditions import FindingEntry
from service.platform.arithmetic.vocabulary import End, Kind
from service.platform.changes import Stored
from service.platform.errors import NotAllowed, Refused
from service.records.arithmetic.lab_words import FIRST, LabWord
from service.records.changes.bench_opening import close_stack
from service.records.changes.lab_words import WordWritten, show_word, write_word
from service.records.queries.lab_words import newest_words, pictures_of_words, versions_of_words
from service.records.tables import Finding, LabWordsVersion
from tests import builders
from tests.bench.at_the_bench import Lab, a_lab, known
from tests.proposing import put_in_force

GREY = LabWord("", "grey bloom", ("MEA", "insulator plate"), 1, "A film that wipes off.")
PHOTO = Stored("b" * 64, "image/jpeg", 900, "bloom.jpg")


class Words:
    """A lab, and somebody who may write its words."""

    def __init__(self, engine: Engine) -> None:
        self.lab: Lab = a_lab(engine)
        self.quality = self.lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY)))

    def write(self, word: LabWord, *, is_new: bool = True) -> WordWritten:
        """Write a word, a minute after what came before."""
        self.lab.now += timedelta(minutes=1)
        written: WordWritten = self.lab.do(
            write_word, word, is_new=is_new, reason="seen in spring", by=self.quality
        )
        return written

    def of(self, kind: Kind) -> tuple[str, ...]:
        """The words in force for a kind of part."""
        with Session(self.lab.engine) as session:
            return tuple(word.word for word in newest_words(session)[1].of(kind))


@pytest.mark.both_engines
def test_a_new_word_is_a_new_version_and_the_first_stays_as_it_came(engine: Engine) -> None:
    words = Words(engine)
    before = words.of(Kind.MEA)

    assert words.write(GREY) == WordWritten(2)

    assert words.of(Kind.MEA) == (*before, "grey bloom")
    assert "grey bloom" not in words.of(Kind.GASKET)
    with Session(engine) as session:
        now, first = versions_of_words(session)
        assert (now.version, now.until, first.version) == (2, None, 1)
        assert first.until == now.in_force_from
        assert (first.words, first.made_by) == (FIRST, None)
        assert now.words.words[-1].code == "GREY-BLOOM"
        assert session.scalars(select(LabWordsVersion.proposal_id)).all() == [None, None]


@pytest.mark.both_engines
def test_a_version_is_never_changed(engine: Engine) -> None:
    words = Words(engine)
    words.write(GREY)

    with Session(engine) as session, pytest.raises(DatabaseError, match="never changed"):
        session.execute(update(LabWordsVersion).values(content="{}"))


def test_a_renamed_word_keeps_the_old_and_findings_keep_what_was_written(engine: Engine) -> None:
    words = Words(engine)
    record = words.lab.begin()
    record.open()
    seen = FindingEntry("discoloured", 1, face="face to the free end", places=("B2", "A1"))
    record.do(lift_off, end=End.FREE, findings=[seen])
    fits = tuple(map(str, (Kind.MEA, Kind.INSULATOR_PLATE)))

    words.write(LabWord("DISCOLOURED", "stained", fits), is_new=False)
    again = record.do(lift_off, end=End.FIXED, findings=[FindingEntry("Discoloured")])

    with Session(engine) as session:
        rows = session.scalars(select(Finding).order_by(Finding.id)).all()
        assert [(row.condition, row.code) for row in rows] == [
            ("discoloured", "DISCOLOURED"),
            ("stained", "DISCOLOURED"),
        ]
        assert (rows[0].face, rows[0].places) == ("face to the free end", "A1 B2")
        assert rows[1].step_id == again
        word = newest_words(session)[1].by_code("DISCOLOURED")
        assert word is not None
        assert word.former == ("discoloured",)


def test_a_word_out_of_force_is_no_longer_taken(engine: Engine) -> None:
    words = Words(engine)
    fits = tuple(map(str, (Kind.MEA, Kind.INSULATOR_PLATE)))
    words.write(LabWord("DISCOLOURED", "discoloured", fits, until="yes"), is_new=False)
    record = words.lab.begin()
    record.open()

    with pytest.raises(Refused, match=r"discoloured; allowed: one of: bowed, cracked"):
        record.do(lift_off, end=End.FREE, findings=[FindingEntry("discoloured")])


@pytest.mark.both_engines
def test_a_severity_that_stood_changes_by_two(engine: Engine) -> None:
    words = Words(engine)
    words.write(GREY)
    graver = LabWord("GREY-BLOOM", "grey bloom", GREY.fits, 2, GREY.guidance)

    written = words.write(graver, is_new=False)

    assert written.version == 0
    assert written.proposal_id is not None
    with Session(engine) as session:
        assert newest_words(session)[0] == 2
    put_in_force(engine, written.proposal_id)
    with Session(engine) as session:
        version, now = newest_words(session)
        word = now.by_code("GREY-BLOOM")
        assert word is not None
        assert (version, word.severity) == (3, 2)
        assert versions_of_words(session)[0].approved_by is not None


def test_what_was_proposed_before_another_version_is_proposed_anew(engine: Engine) -> None:
    words = Words(engine)
    fits = tuple(map(str, (Kind.MEA,)))
    waiting = words.write(LabWord("PINHOLE", "pinhole", fits, 3), is_new=False).proposal_id
    words.write(GREY)

    with pytest.raises(Refused, match="version 2 was written since"):
        put_in_force(engine, waiting or 0)


@pytest.mark.parametrize(
    ("word", "says"),
    [
        (LabWord("", "None seen", ("MEA",)), "an answer of its own"),
        (LabWord("", "bloom", ()), "said of nothing"),
        (LabWord("", "Pinhole", ("MEA",)), "the code of a word already"),
        (LabWord("HOLE", "pinhole", ("MEA",)), "is or was the word of PINHOLE"),
        (LabWord("", "bloom", ("bottle",)), "“bottle” is none of"),
        (LabWord("", " ", ("MEA",)), "nothing is given"),
    ],
)
def test_what_is_no_new_word(engine: Engine, word: LabWord, says: str) -> None:
    with pytest.raises(Refused, match=says):
        Words(engine).write(word)


def test_a_builder_writes_no_words(engine: Engine) -> None:
    lab = a_lab(engine)

    with pytest.raises(NotAllowed):
        lab.do(write_word, GREY, is_new=True, reason="mine")


@pytest.mark.both_engines
def test_a_word_has_one_picture_and_the_one_before_is_kept(engine: Engine) -> None:
    words = Words(engine)
    for photo in (PHOTO, Stored("c" * 64, "image/png", 800, "better.png")):
        words.lab.do(show_word, "PINHOLE", photo, reason="clearer", by=words.quality)

    with Session(engine) as session:
        (number,) = pictures_of_words(session).values()
        assert number == 2
    with pytest.raises(Refused, match="it is the picture already"):
        words.lab.do(
            show_word,
            "PINHOLE",
            Stored("c" * 64, "image/png", 800, "better.png"),
            reason="again",
            by=words.quality,
        )


def test_a_place_stands_in_the_content_and_findings_without_one_read_as_before(
    engine: Engine,
) -> None:
    words = Words(engine)
    record = words.lab.begin()
    record.open()
    placed = FindingEntry(
        "cracked", 1, "by the port", "", "face to the free end", ("A1",), area_percent=4.0
    )
    part_id = record.pile.base[-1].part
    record.do(note_finding, part_id=part_id, findings=[placed, FindingEntry("wet")])
    record.do(close_stack, hours=120.0)
    record.do(hand_in)

    findings = json.loads(record.record.content or "")["findings"]

    assert [set(finding) & {"face", "places", "area_percent"} for finding in findings] == [
        {"face", "places", "area_percent"},
        set(),
    ]
    assert findings[0]["places"] == "A1"
