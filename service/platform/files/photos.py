"""Photos and papers: their type found in the content, kept on disk under their hash.

Content is kept exactly as given, since it is evidence: what a camera wrote into it (time, place)
stays inside. Small pictures for pages are made from it and carry none of that.
"""

import hashlib
import os
import tempfile
import warnings
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

from PIL import Image, ImageOps, UnidentifiedImageError

from service.platform.changes import Stored
from service.platform.errors import Refused
from service.platform.files.tables_in import CSV_TYPE, XLSX_TYPE

MEGABYTE = 1024 * 1024
PHOTO_TYPES = {"JPEG": "image/jpeg", "PNG": "image/png", "WEBP": "image/webp"}
PDF = "application/pdf"
ENDINGS = {
    "image/jpeg": ".jpg",
    "image/png": ".png",
    "image/webp": ".webp",
    PDF: ".pdf",
    CSV_TYPE: ".csv",
    XLSX_TYPE: ".xlsx",
}
"""Lists are not taken by `check`: they come with the stacks they were imported from."""
MOST_PIXELS = 120_000_000
"""A tablet's photo has 12 to 50 million pixels; a made-up one could have thousands of millions."""
RIGHT_PIXELS = f"At most {MOST_PIXELS / 1e6:.0f} million pixels would be right."
SMALL_EDGE = 480
"""Longer edge of the small picture, in pixels: 7 rem high on a screen of double density."""
RIGHT = "A photo as JPEG, PNG or WebP, or a paper as PDF, would be right."
KNOWN_OTHERS = (
    (4, (b"ftypheic", b"ftypheix", b"ftypmif1", b"ftyphevc"), "a HEIC photo"),
    (4, (b"ftypavif",), "an AVIF photo"),
    (4, (b"ftyp",), "a film"),
    (0, (b"GIF8",), "a GIF picture"),
    (0, (b"II*\x00", b"MM\x00*"), "a TIFF or raw picture"),
    (0, (b"BM",), "a BMP picture"),
    (0, (b"PK\x03\x04",), "a ZIP archive or office document"),
    (0, (b"\xd0\xcf\x11\xe0",), "an office document"),
    (0, (b"MZ", b"\x7fELF", b"#!"), "a program"),
)


@dataclass(frozen=True, slots=True)
class Checked:
    """Content whose type was found by reading it whole."""

    content: bytes
    media_type: str
    name: str


def check(content: bytes, name: str, *, most_mb: int, field: str = "files") -> Checked:
    """Find the true type of this content. Its name is not asked.

    Photos are decoded whole; a PDF must begin, end and be indexed as one. Raises Refused, saying
    what would be right: nothing in it, larger than ``most_mb``, another type, damaged.
    """
    name = Path(name.replace("\\", "/")).name or "without a name"
    if not content:
        raise Refused(field, name, "the file is empty.", RIGHT)
    if len(content) > most_mb * MEGABYTE:
        size = f"{len(content) / MEGABYTE:.1f}\u2009MB"
        raise Refused(field, name, f"it has {size}.", f"At most {most_mb}\u2009MB would be right.")
    if content.startswith(b"%PDF-"):
        return Checked(content, _pdf(content, name, field), name)
    return Checked(content, _photo(content, name, field), name)


def store(folder: Path, checked: Checked) -> Stored:
    """Put content on disk, safe against a power cut, before any row names it.

    It is written beside its place, flushed to the disk, then renamed: the name never stands for
    half a file. The same content lies there once.
    """
    sha256 = hashlib.sha256(checked.content).hexdigest()
    place = path_of(folder, sha256)
    if not (place.is_file() and place.stat().st_size == len(checked.content)):
        place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        _write_through(place, checked.content)
    return Stored(sha256, checked.media_type, len(checked.content), checked.name)


def path_of(folder: Path, sha256: str) -> Path:
    """Say where content lies: attachments/ab/abcd… in the data folder."""
    return folder / "attachments" / sha256[:2] / sha256


def small_picture(folder: Path, sha256: str) -> Path:
    """Return a small WebP of a photo, upright, without what the camera wrote into it; made once."""
    place = folder / "cache" / "small-pictures" / sha256[:2] / f"{sha256}-{SMALL_EDGE}.webp"
    if not place.is_file():
        with Image.open(path_of(folder, sha256), formats=tuple(PHOTO_TYPES)) as photo:
            photo.draft("RGB", (SMALL_EDGE * 2, SMALL_EDGE * 2))
            upright = ImageOps.exif_transpose(photo).convert("RGB")
            upright.thumbnail((SMALL_EDGE, SMALL_EDGE))
        webp = BytesIO()
        upright.save(webp, "WEBP", quality=80)
        place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        _write_through(place, webp.getvalue())
    return place


def _write_through(place: Path, content: bytes) -> None:
    handle, beside = tempfile.mkstemp(dir=place.parent, prefix=".being-written-")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(beside).replace(place)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise
    folder = os.open(place.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def _pdf(content: bytes, name: str, field: str) -> str:
    tail = content[-2048:]
    if b"%%EOF" not in tail or b"startxref" not in tail:
        raise Refused(
            field, name, "it begins as a PDF but has no end, so it is cut off.", "The whole file."
        )
    return PDF


def _photo(content: bytes, name: str, field: str) -> str:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            photo = Image.open(BytesIO(content), formats=tuple(PHOTO_TYPES))
    except UnidentifiedImageError:
        raise Refused(field, name, f"it is {_what_else(content)}.", RIGHT) from None
    except Image.DecompressionBombError:
        reason = "it says it has many hundred million pixels."
        raise Refused(field, name, reason, RIGHT_PIXELS) from None
    except (OSError, SyntaxError, ValueError):
        raise Refused(field, name, "it is damaged and cannot be read.", RIGHT) from None
    with photo:
        if photo.width * photo.height > MOST_PIXELS:
            millions = f"{photo.width * photo.height / 1e6:.0f} million pixels"
            raise Refused(field, name, f"it has {millions}.", RIGHT_PIXELS)
        try:
            photo.load()
        except (OSError, SyntaxError, ValueError, IndexError, EOFError):
            raise Refused(
                field, name, "the photo is damaged or cut off.", "The whole file would be right."
            ) from None
        return PHOTO_TYPES[str(photo.format)]


def _what_else(content: bytes) -> str:
    for offset, beginnings, words in KNOWN_OTHERS:
        if content[offset:].startswith(beginnings):
            return words
    if content[:512].lstrip().startswith((b"<", b"\xef\xbb\xbf<")):
        return "a web page or drawing in XML"
    return "neither a photo nor a PDF"
