"""Simple pictures which stand for photos in the invented history; each says that it is drawn."""

from io import BytesIO

from PIL import Image, ImageDraw, ImageFilter, ImageFont

SIZE = (960, 720)
BENCH, GRAPHITE, MEMBRANE, FRAME, SEAL = "#8d938f", "#2e3136", "#6b5d3f", "#d9d2bd", "#23262b"
STEEL, BRASS = "#aeb5ba", "#b99a52"


def mea_with_pinhole() -> bytes:
    """Draw an MEA on the light table: light comes through at a corner, the frame is torn."""
    picture, draw = _sheet("#e9edf0")
    draw.rectangle((150, 110, 810, 610), fill=FRAME, outline="#a39a80", width=3)
    draw.rectangle((230, 180, 730, 540), fill=GRAPHITE)
    for x in range(245, 730, 18):
        draw.line((x, 182, x, 538), fill="#3a3e44", width=3)
    for y in (150, 570):
        for x in (200, 760):
            draw.ellipse((x - 22, y - 22, x + 22, y + 22), fill="#e9edf0", outline="#a39a80")
    draw.line((229, 196, 176, 158), fill="#7b2d1e", width=5)
    draw.line((176, 158, 158, 171), fill="#7b2d1e", width=4)
    draw.ellipse((252, 200, 268, 216), fill="#fffbe0")
    draw.ellipse((281, 222, 289, 230), fill="#fffbe0")
    glow = picture.filter(ImageFilter.GaussianBlur(1.6))
    draw = ImageDraw.Draw(glow)
    draw.ellipse((226, 172, 314, 258), outline="#c2410c", width=5)
    return _finished(glow, "fuel inlet corner, light from behind")


def flattened_gasket() -> bytes:
    """Draw two pieces of gasket side by side: a new one and one pressed flat."""
    picture, draw = _sheet(BENCH)
    for top, thick, label in ((200, 74, "new"), (420, 34, "taken out, cell 10")):
        draw.rounded_rectangle((160, top, 800, top + thick), radius=thick // 2, fill=SEAL)
        draw.line((190, top + 10, 770, top + 10), fill="#4b5158", width=4)
        draw.text((160, top - 46), label, fill="#101214", font=_font(30))
    draw.line((830, 200, 830, 274), fill="#101214", width=3)
    draw.line((830, 420, 830, 454), fill="#101214", width=3)
    return _finished(picture, "gas gasket, seen from its edge")


def stack_on_bench(cells: int) -> bytes:
    """Draw a stack lying on the bench, seen from its side."""
    picture, draw = _sheet(BENCH)
    draw.rectangle((0, 560, 960, 720), fill="#6a5a48")
    left, right, top, bottom = 210, 750, 240, 540
    for edge in (left - 60, right):
        draw.rectangle((edge, top - 40, edge + 60, bottom + 20), fill=STEEL, outline="#5d666c")
    draw.rectangle((left, top, left + 22, bottom), fill="#efe9da")
    draw.rectangle((right - 22, top, right, bottom), fill="#efe9da")
    draw.rectangle((left + 22, top - 20, left + 34, bottom), fill=BRASS)
    draw.rectangle((right - 34, top - 20, right - 22, bottom), fill=BRASS)
    pitch = (right - left - 68) / cells
    for cell in range(cells):
        x = left + 34 + cell * pitch
        draw.rectangle((x, top, x + pitch * 0.86, bottom), fill=GRAPHITE)
        draw.rectangle((x + pitch * 0.38, top, x + pitch * 0.46, bottom), fill=MEMBRANE)
    for y in (top - 24, bottom + 4):
        draw.rectangle((left - 96, y, right + 96, y + 12), fill="#c9ced2", outline="#5d666c")
    return _finished(picture, f"{cells} cells, closed")


def opened_end() -> bytes:
    """Draw the free end of an opened stack: an air plate lies uppermost, water on one land."""
    picture, draw = _sheet(BENCH)
    draw.rectangle((170, 90, 790, 620), fill=GRAPHITE, outline="#15171a", width=4)
    for row, y in enumerate(range(170, 540, 22)):
        draw.line((250, y, 710, y), fill="#4a4f56", width=8)
        x = 710 if row % 2 == 0 else 250
        draw.line((x, y, x, y + 22), fill="#4a4f56", width=8)
    for x, y in ((205, 130), (755, 130), (205, 580), (755, 580)):
        draw.ellipse((x - 20, y - 20, x + 20, y + 20), fill=BENCH)
    draw.ellipse((560, 440, 640, 500), fill="#6f8fa3", outline="#9db8c8", width=3)
    return _finished(picture, "free end, three layers lifted off")


def certificate(mark: str) -> bytes:
    """Draw the first page of a calibration certificate: a heading, lines and a stamp."""
    picture, draw = _sheet("#f7f5ee")
    draw.text((120, 70), f"Calibration certificate, {mark}", fill="#101214", font=_font(40))
    for row, y in enumerate(range(170, 480, 44)):
        draw.line((120, y, 640 if row % 3 else 760, y), fill="#8d938f", width=5)
    draw.ellipse((620, 480, 770, 630), outline="#2b5d8a", width=6)
    draw.text((652, 535), "in order", fill="#2b5d8a", font=_font(24))
    return _finished(picture, "a certificate nobody issued")


def rib_marks() -> bytes:
    """Draw an MEA whose GDL bears the marks of the plate's ribs."""
    picture, draw = _sheet("#e9edf0")
    draw.rectangle((150, 110, 810, 610), fill=FRAME, outline="#a39a80", width=3)
    draw.rectangle((230, 180, 730, 540), fill=GRAPHITE)
    for x in range(250, 730, 24):
        draw.line((x, 190, x, 530), fill="#6c7178", width=9)
    return _finished(picture, "ribs of the plate show through the GDL")


def _sheet(ground: str) -> tuple[Image.Image, ImageDraw.ImageDraw]:
    picture = Image.new("RGB", SIZE, ground)
    return picture, ImageDraw.Draw(picture)


def _font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size)


def _finished(picture: Image.Image, subject: str) -> bytes:
    draw = ImageDraw.Draw(picture)
    draw.rectangle((0, SIZE[1] - 54, *SIZE), fill="#101214")
    draw.text(
        (20, SIZE[1] - 46),
        f"invented picture, drawn, no photo: {subject}",
        fill="#f4f1e8",
        font=_font(26),
    )
    jpeg = BytesIO()
    picture.save(jpeg, "JPEG", quality=82)
    return jpeg.getvalue()
