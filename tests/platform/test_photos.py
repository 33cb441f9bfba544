"""Photos and papers: the type is found in the content, the content lies on disk whole."""

import hashlib
import zipfile
import zlib
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image

from service.platform.errors import Refused
from service.platform.files import photos

PDF = b"%PDF-1.7\n1 0 obj<</Type/Catalog>>endobj\nstartxref\n9\n%%EOF\n"


def a_photo(kind: str = "JPEG", size: tuple[int, int] = (64, 48), **more: object) -> bytes:
    made = BytesIO()
    Image.new("RGB", size, (40, 120, 80)).save(made, kind, **more)
    return made.getvalue()


@pytest.mark.parametrize(
    ("content", "media_type"),
    [
        (a_photo("JPEG"), "image/jpeg"),
        (a_photo("PNG"), "image/png"),
        (a_photo("WEBP"), "image/webp"),
        (PDF, "application/pdf"),
    ],
)
def test_the_type_is_found_in_the_content_whatever_the_name_says(
    content: bytes, media_type: str
) -> None:
    assert photos.check(content, "seal.exe", most_mb=1).media_type == media_type


def test_a_name_loses_its_folders() -> None:
    assert photos.check(PDF, r"C:\certificates\td-03.pdf", most_mb=1).name == "td-03.pdf"
    assert photos.check(PDF, "../../td-03.pdf", most_mb=1).name == "td-03.pdf"


def a_zip() -> bytes:
    made = BytesIO()
    with zipfile.ZipFile(made, "w") as archive:
        archive.writestr("a.txt", "a")
    return made.getvalue()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "empty"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'><script/></svg>", "XML"),
        (b"<!doctype html><script>1</script>", "XML"),
        (b"\x00\x00\x00\x18ftypheic" + bytes(40), "HEIC"),
        (b"GIF89a" + bytes(40), "GIF"),
        (a_zip(), "ZIP"),
        (b"MZ" + bytes(100), "program"),
        (b"nothing of the kind", "neither"),
        (a_photo("JPEG", (400, 400))[:900], "damaged or cut off"),
        (a_photo("PNG", (400, 400))[:200], "damaged"),
        (PDF[:40], "cut off"),
    ],
)
def test_what_is_no_photo_or_paper_is_refused_by_what_it_is(content: bytes, said: str) -> None:
    with pytest.raises(Refused) as refused:
        photos.check(content, "photo.jpg", most_mb=1)

    assert said in refused.value.reason
    assert refused.value.right_would_be


def test_a_file_above_the_limit_is_refused_with_both_sizes() -> None:
    with pytest.raises(Refused) as refused:
        photos.check(PDF + bytes(photos.MEGABYTE), "paper.pdf", most_mb=1)

    assert "1.0\u2009MB" in refused.value.reason
    assert "1\u2009MB" in refused.value.right_would_be


def test_a_photo_of_too_many_pixels_is_refused_before_it_is_decoded() -> None:
    header = a_photo("PNG", (8, 8))
    wide = header[:16] + (60_000).to_bytes(4, "big") * 2 + header[24:]
    checksum = zlib.crc32(wide[12:29]).to_bytes(4, "big")

    with pytest.raises(Refused, match="million pixels"):
        photos.check(wide[:29] + checksum + wide[33:], "wide.png", most_mb=1)


def test_content_lies_under_its_hash_once_and_exactly_as_given(tmp_path: Path) -> None:
    content = a_photo(exif=b"Exif\x00\x00MM\x00*\x00\x00\x00\x08\x00\x00\x00\x00\x00\x00")
    checked = photos.check(content, "seal.jpg", most_mb=1)

    first, second = photos.store(tmp_path, checked), photos.store(tmp_path, checked)

    assert first == second
    assert first.content_sha256 == hashlib.sha256(content).hexdigest()
    files = [path for path in tmp_path.rglob("*") if path.is_file()]
    assert files == [photos.path_of(tmp_path, first.content_sha256)]
    assert files[0].read_bytes() == content


def test_half_a_file_left_by_a_crash_is_written_anew(tmp_path: Path) -> None:
    checked = photos.check(PDF, "paper.pdf", most_mb=1)
    place = photos.path_of(tmp_path, hashlib.sha256(PDF).hexdigest())
    place.parent.mkdir(parents=True)
    place.write_bytes(PDF[:10])

    photos.store(tmp_path, checked)

    assert place.read_bytes() == PDF


def test_a_small_picture_is_upright_and_tells_nothing_of_the_camera(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[0x0112], exif[0x010F] = 6, "a camera"  # turned by 90 degrees
    content = a_photo(size=(1000, 500), exif=exif.tobytes())
    stored = photos.store(tmp_path, photos.check(content, "p.jpg", most_mb=1))

    place = photos.small_picture(tmp_path, stored.content_sha256)

    with Image.open(place) as small:
        assert small.size == (photos.SMALL_EDGE // 2, photos.SMALL_EDGE)
        assert not small.getexif()
