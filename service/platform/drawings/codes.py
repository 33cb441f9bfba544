"""Two-dimensional codes as SVG, for scanners and tablets' cameras."""

import segno
from markupsafe import escape


def draw_code(text: str, title: str) -> str:
    """Draw a text as a QR code, quiet zone included; it takes the size its place gives it.

    Error correction M: a smear may cover a seventh of it.

    Source: ISO/IEC 18004; the modules come from the library `segno`.
    """
    code = segno.make_qr(text, error="m", boost_error=False)
    size = code.symbol_size(border=4)[0]
    runs = []
    for y, row in enumerate(code.matrix_iter(border=4)):
        begin = None
        for x, is_dark in enumerate([*row, 0]):
            if is_dark and begin is None:
                begin = x
            elif not is_dark and begin is not None:
                runs.append(f"M{begin} {y}h{x - begin}v1h-{x - begin}z")
                begin = None
    return (
        f'<svg class="code" viewBox="0 0 {size} {size}" role="img" shape-rendering="crispEdges">'
        f'<title>{escape(title)}</title><path class="ground" d="M0 0h{size}v{size}h-{size}z"/>'
        f'<path d="{"".join(runs)}"/></svg>'
    )
