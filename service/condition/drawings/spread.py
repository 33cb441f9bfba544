"""The spread of torque readings: one dot for each rod and pass against the tolerance band."""

from collections.abc import Sequence
from math import ceil, floor, log10
from typing import NamedTuple

from service.platform.drawings import svg
from service.platform.drawings.svg import n

_LEFT, _TOP, _HIGH, _FOOT = 64.0, 30.0, 190.0, 62.0


class SpreadReading(NamedTuple):
    """One torque reading on one nut, of a pass, in N·m."""

    rod: int
    pass_number: int
    torque_nm: float


class _Scale(NamedTuple):
    low: float
    high: float
    step: float

    def y(self, value: float) -> float:
        return _TOP + _HIGH * (self.high - value) / (self.high - self.low)


def draw_spread(
    readings: Sequence[SpreadReading],
    *,
    title: str,
    target_nm: float,
    tolerance_percent: float,
    prefix: str = "spread",
) -> str:
    """Draw torque readings of each rod against target and tolerance band, in N·m.

    The last pass of a rod is a filled dot, the passes before are open circles. A last reading
    out of tolerance is a cross, and its value stands beside it.
    """
    low, high = band(target_nm, tolerance_percent)
    rods = sorted({reading.rod for reading in readings})
    scale = _scale([low, high, *(reading.torque_nm for reading in readings)])
    pitch = min(64.0, max(30.0, 440 / max(1, len(rods))))
    right = _LEFT + max(180.0, pitch * len(rods))
    places = {rod: _LEFT + pitch * (torque + 0.5) for torque, rod in enumerate(rods)}
    last = {reading.rod: reading for reading in sorted(readings, key=lambda r: r.pass_number)}
    bottom = _TOP + _HIGH
    decimals = max(0, -floor(log10(scale.step)))
    drawn = [
        _defs(prefix),
        svg.box(_LEFT, scale.y(high), right - _LEFT, scale.y(low) - scale.y(high),
            f'fill="url(#{prefix}-band)"'),
        *(svg.line(_LEFT, y, right, y, svg.THIN) for y in map(scale.y, (low, high))),
        svg.line(_LEFT, scale.y(target_nm), right + 4, scale.y(target_nm), svg.CENTRE_LINE),
        *_limits(scale, right + 8, (low, target_nm, high)),
        _axes(scale, right, decimals),
        svg.word(_LEFT - 56, _TOP - 12, "torque in N·m", size=svg.SMALL),
        *(
            svg.word(x, bottom + 18, str(rod), size=svg.SMALL, anchor="middle")
            for rod, x in places.items()
        ),
        svg.word((_LEFT + right) / 2, bottom + 36, "rod", size=svg.SMALL, anchor="middle"),
        *(_mark(r, places[r.rod], scale, (low, high), last[r.rod] is r) for r in readings),
    ]  # fmt: skip
    if not readings:
        middle = (_LEFT + right) / 2
        drawn.append(
            svg.word(
                middle, _TOP + 20, "no readings yet", size=svg.SMALL, anchor="middle", pen="soft"
            )
        )
    drawn.append(_key(_LEFT, bottom + 52, bool({r.pass_number for r in readings} - {1})))
    out = [r for r in last.values() if not low <= r.torque_nm <= high]
    return svg.sheet(
        right + 118,
        bottom + _FOOT,
        "".join(drawn),
        prefix=prefix,
        title=title,
        description=(
            f"{len(readings)} readings on {len(rods)} rods, tolerance {low:g} to {high:g} N·m; "
            f"out of tolerance: {', '.join(f'rod {r.rod}' for r in out) or 'none'}."
        ),
        kind="spread small",
        role="img",
    )


def band(target_nm: float, tolerance_percent: float) -> tuple[float, float]:
    """Return the least and the greatest torque in tolerance, in N·m."""
    reach = target_nm * tolerance_percent / 100
    return target_nm - reach, target_nm + reach


def _scale(values: Sequence[float]) -> _Scale:
    """An axis from below the least to above the greatest value, in steps of 1, 2 or 5."""
    low, high = min(values), max(values)
    rough = max(high - low, abs(high) * 0.05, 0.1) / 4
    power = 10.0 ** floor(log10(rough))
    step = next(power * times for times in (1, 2, 5, 10) if power * times >= rough)
    return _Scale(floor(low / step - 0.2) * step, ceil(high / step + 0.2) * step, step)


def _limits(scale: _Scale, x: float, limits: tuple[float, float, float]) -> list[str]:
    """The target and the ends of the band in words, moved apart where they would meet."""
    low, target, high = limits
    y = scale.y(target) + 4
    return [
        svg.word(x, y, f"target {target:g}\u2009N·m", size=svg.SMALL, pen="soft"),
        svg.word(x, min(scale.y(high) + 4, y - 14), f"{high:g}", size=svg.SMALL, pen="soft"),
        svg.word(x, max(scale.y(low) + 4, y + 14), f"{low:g}", size=svg.SMALL, pen="soft"),
    ]


def _axes(scale: _Scale, right: float, decimals: int) -> str:
    bottom = _TOP + _HIGH
    drawn = [
        svg.line(_LEFT, _TOP, _LEFT, bottom, svg.OUTLINE),
        svg.line(_LEFT, bottom, right, bottom, svg.OUTLINE),
    ]
    for index in range(round((scale.high - scale.low) / scale.step) + 1):
        value = scale.low + index * scale.step
        y = scale.y(value)
        drawn.append(svg.line(_LEFT - 5, y, _LEFT, y))
        drawn.append(
            svg.word(_LEFT - 9, y + 4, f"{value:.{decimals}f}", size=svg.SMALL, anchor="end")
        )
    return "".join(drawn)


def _mark(
    reading: SpreadReading, x: float, scale: _Scale, limits: tuple[float, float], is_last: bool
) -> str:
    y, is_out = scale.y(reading.torque_nm), not limits[0] <= reading.torque_nm <= limits[1]
    words = f"Rod {reading.rod}, pass {reading.pass_number}: {reading.torque_nm:g}\u2009N·m"
    if not is_last:
        shape = (
            f'<circle class="d-ink d-paper" stroke="{svg.INK}" cx="{n(x)}" cy="{n(y)}" r="3.4"/>'
        )
    elif is_out:
        shape = f'<path {svg.ATTENTION} d="M{n(x - 5)} {n(y - 5)}l10 10m0 -10l-10 10"/>' + svg.word(
            x + 8, y + 4, f"{reading.torque_nm:g}", size=svg.SMALL, pen="d-act-solid strong"
        )
    else:
        shape = f'<circle class="d-solid" fill="{svg.INK}" cx="{n(x)}" cy="{n(y)}" r="4.2"/>'
    return f"<g><title>{words}</title>{shape}</g>"


def _key(x: float, y: float, has_passes: bool) -> str:
    drawn = (
        f'<circle class="d-solid" fill="{svg.INK}" cx="{n(x + 4)}" cy="{n(y)}" r="4.2"/>'
        + svg.word(x + 14, y + 4, "last pass", size=svg.SMALL, pen="soft")
        + f'<path {svg.ATTENTION} d="M{n(x + 83)} {n(y - 5)}l10 10m0 -10l-10 10"/>'
        + svg.word(x + 99, y + 4, "out of tolerance", size=svg.SMALL, pen="soft")
    )
    if has_passes:
        drawn += (
            f'<circle class="d-ink d-paper" stroke="{svg.INK}" cx="{n(x + 210)}" cy="{n(y)}"'
            ' r="3.4"/>' + svg.word(x + 220, y + 4, "earlier pass", size=svg.SMALL, pen="soft")
        )
    return drawn


def _defs(prefix: str) -> str:
    return (
        f'<defs><pattern id="{prefix}-band" width="6" height="6" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><line class="d-hatch" stroke="{svg.HATCHING}" '
        f'stroke-width="0.6" x1="1" y1="0" x2="1" y2="6"/></pattern></defs>'
    )
