"""Two-dimensional codes as drawings that print sharp at any size."""

from service.platform.arithmetic.matrix_code import SIZE, Modules
from service.platform.drawings.svg import said

QUIET = 4
"""Light modules around, as ISO/IEC 18004 asks."""


def matrix_code_drawing(modules: Modules, *, title: str, side_mm: float = 25) -> str:
    """Draw dark modules on white, whatever the sheet's colours: readers want dark on light."""
    whole = SIZE + 2 * QUIET
    path = "".join(
        f"M{column + QUIET} {row + QUIET}h1v1h-1z"
        for row, line in enumerate(modules)
        for column, dark in enumerate(line)
        if dark
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {whole} {whole}" role="img" '
        f'width="{side_mm:g}mm" height="{side_mm:g}mm" shape-rendering="crispEdges">'
        f"<title>{said(title)}</title>"
        f'<rect width="{whole}" height="{whole}" fill="#fff"/><path fill="#000" d="{path}"/></svg>'
    )
