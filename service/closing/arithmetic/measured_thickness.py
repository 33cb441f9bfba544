"""What was measured of one part's thickness, against what its type gives. Lengths in mm.

An MEA is measured free, not pressed, so the type's free thickness counts where it is known; so
does a gasket's free height. Common practice, no source.
"""

from service.physics.arithmetic.part_stiffness import Bed, PartStiffness, Seal
from service.platform.arithmetic.errors import OutOfRange

MOST_TIMES = 10.0
"""A part so many times as thick as its type was measured in another unit."""
USUAL_SHARE = 0.2
"""Beyond this share of the type's thickness a remark is made."""


def expected_mm(fitted_mm: float | None, stiffness: PartStiffness | None) -> float | None:
    """Return the thickness of a free part of this type; None where the type does not say.

    >>> expected_mm(0.4, None)
    0.4
    """
    if isinstance(stiffness, Bed):
        return stiffness.free_thickness_mm
    return stiffness.height_mm if isinstance(stiffness, Seal) else fitted_mm


def check_measured(measured_mm: float, should_be_mm: float | None) -> None:
    """Refuse what no part of the type can measure.

    >>> check_measured(480.0, 0.5)
    Traceback (most recent call last):
    service.platform.arithmetic.errors.OutOfRange: the measured thickness is 480 mm; allowed: \
above 0 and at most 5 mm, ten times the 0.5 mm of its type (480 µm would be 0.48 mm).
    """
    if should_be_mm is None:
        right, is_right = "above 0 mm", 0 < measured_mm < float("inf")
    else:
        most = MOST_TIMES * should_be_mm
        right = f"above 0 and at most {most:g} mm, ten times the {should_be_mm:g} mm of its type"
        is_right = 0 < measured_mm <= most
        if 0 < measured_mm / 1e3 <= most < measured_mm:
            right += f" ({measured_mm:g} µm would be {measured_mm / 1e3:g} mm)"
    if not is_right:
        raise OutOfRange("the measured thickness", f"{measured_mm:g}", "mm", right)


def remark_on(measured_mm: float | None, should_be_mm: float | None) -> str:
    """Say what is striking about a measured thickness. Empty where nothing is.

    >>> remark_on(0.65, 0.5)
    '30\u2009% more than the 0.5\u2009mm of its type.'
    >>> remark_on(0.55, 0.5)
    ''
    """
    if measured_mm is None or should_be_mm is None:
        return ""
    share = measured_mm / should_be_mm - 1
    if abs(share) <= USUAL_SHARE:
        return ""
    word = "more" if share > 0 else "less"
    shown = f"{100 * abs(share):.0f}\u2009%"
    return f"{shown} {word} than the {should_be_mm:g}\u2009mm of its type."
