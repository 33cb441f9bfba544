"""The page of the laboratory's words, a word's form and picture, and the same by machine."""

import io
from typing import Any

import pytest
from PIL import Image
from sqlalchemy.orm import Session

from service.records.queries.lab_words import newest_words, pictures_of_words

BLOOM = {"word": "grey bloom", "fits": ["MEA", "nut"], "guidance": "wipes off", "reason": "seen"}


def a_photo() -> bytes:
    picture = io.BytesIO()
    Image.new("RGB", (40, 30), "grey").save(picture, "JPEG")
    return picture.getvalue()


def test_a_word_is_added_pictured_and_no_longer_offered(app: Any, signed_in_client: Any) -> None:
    client = signed_in_client("quality")
    assert client.post("/words/new", data=BLOOM).headers["location"] == "/words?list=conditions"
    photo = {"photos": ("bloom.jpg", a_photo(), "image/jpeg")}
    given = client.post("/words/GREY-BLOOM/picture", data={"picture_reason": "first"}, files=photo)
    assert given.status_code == 303, given.text

    with Session(app.state.engine) as session:
        number = pictures_of_words(session)["GREY-BLOOM"]
    listed = client.get("/words?kind=nut").text
    assert f'src="/attachments/{number}/small"' in listed
    assert "wipes off" in listed
    assert "pinhole" not in listed
    assert client.get(f"/attachments/{number}/small").status_code == 200
    again = client.post("/words/GREY-BLOOM", data=BLOOM | {"until": "yes", "reason": "too vague"})
    assert again.status_code == 303
    with Session(app.state.engine) as session:
        version, words = newest_words(session)
    word = words.by_code("GREY-BLOOM")
    assert (version, word is not None and word.is_in_force) == (3, False)
    assert "This is version 2" in client.get("/words?version=2").text


def test_a_change_of_severity_waits_for_a_second_person(signed_in_client: Any) -> None:
    client = signed_in_client("quality")
    typed = {"word": "pinhole", "fits": "MEA", "severity": "3", "reason": "by rule"}

    waits = client.post("/words/PINHOLE", data=typed).headers["location"]

    assert "PINHOLE: severity" in client.get(waits).text
    assert "Waits for a second person" in client.get("/words").text


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ({"word": "Pinhole"}, "the code of a word already"),
        ({"fits": []}, "said of nothing"),
        ({"severity": "7"}, "3"),
    ],
)
def test_what_cannot_be_kept_stays_typed(
    signed_in_client: Any, typed: dict[str, Any], says: str
) -> None:
    refused = signed_in_client("quality").post("/words/new", data=BLOOM | typed)

    assert refused.status_code == 422
    assert says in refused.text
    assert "wipes off" in refused.text


def test_a_builder_reads_the_words_and_writes_none(signed_in_client: Any) -> None:
    client = signed_in_client("builder")

    assert "Add a word" not in client.get("/words").text
    assert client.get("/words/new").status_code == 403


@pytest.mark.both_engines
def test_words_are_read_and_written_by_machine(calling: Any) -> None:
    quality = calling("quality")
    sent = {"word": "grey bloom", "fits": ["MEA"], "severity": 1, "reason": "seen in spring"}

    assert quality.post("/api/v1/words", json=sent).json() == {"id": 2}
    graver = sent | {"code": "GREY-BLOOM", "severity": 2, "is_new": False}
    assert quality.post("/api/v1/words", json=graver).json() == {"id": 0}

    now, first = calling("builder").get("/api/v1/words").json()
    assert (now["version"], first["version"], first["made_by"]) == (2, 1, None)
    assert now["words"][-1]["code"] == "GREY-BLOOM"
    assert now["words"][-1]["severity"] == 1
    assert calling("builder").post("/api/v1/words", json=sent).status_code == 403
