"""The samples of a legend: a piece of line, a point, or both, as the chart draws them."""

from service.platform.drawings.charts_pens import FILLS, STROKES, Pen
from service.platform.drawings.svg import OUTLINE_WIDTH, n

SHAPES = {
    "circle": "M{r} 0A{r} {r} 0 1 1 -{r} 0A{r} {r} 0 1 1 {r} 0Z",
    "square": "M-{r} -{r}H{r}V{r}H-{r}Z",
    "triangle-up": "M0 -{r}L{r} {r}H-{r}Z",
    "triangle-down": "M0 {r}L{r} -{r}H-{r}Z",
    "diamond": "M0 -{r}L{r} 0L0 {r}L-{r} 0Z",
    "cross": "M-{r} -{t}H-{t}V-{r}H{t}V-{t}H{r}V{t}H{t}V{r}H-{t}V{t}H-{r}Z",
}


def sample(x: float, y: float, pen: Pen, mark: str) -> str:
    """36 units of the pen's line, and its point where points are drawn."""
    dash = f' stroke-dasharray="{" ".join(f"{part:g}" for part in pen.dash)}"' if pen.dash else ""
    drawn = ""
    if mark != "points":
        drawn += (
            f'<line class="{STROKES[pen.colour]}" stroke="{pen.colour}" '
            f'stroke-width="{OUTLINE_WIDTH}"{dash} x1="{n(x)}" y1="{n(y)}" x2="{n(x + 36)}" '
            f'y2="{n(y)}"/>'
        )
    if "points" in mark:
        shape = SHAPES[pen.shape].format(r="3.5", t="1.2")
        drawn += (
            f'<path class="{FILLS[pen.colour]}" fill="{pen.colour}" '
            f'transform="translate({n(x + 18)},{n(y)})" d="{shape}"/>'
        )
    return drawn
