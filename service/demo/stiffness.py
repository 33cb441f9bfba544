"""What the part types give under load: curves and sizes by kind.

All invented: plausible for carbon paper, elastomer and graphite, measured on nothing. Whoever
clamps a real stack measures their own.
"""

from service.physics.arithmetic.part_stiffness import Bed, Disc, PartStiffness, Seal, Stiff
from service.platform.arithmetic.material_curves import Densifying, Points, Soft

REASON = "Invented for the demo, measured on nothing."
PAPER = Soft(Densifying(3.0e6, 0.55), set_share=0.2, unloading_exponent=2.0, u_relative=0.04)
"""Membrane between two carbon papers, pressed for the first time."""
RUBBER = Soft(
    Points(
        (
            *((0.0, 0.0), (0.05, 3.0e3), (0.1, 7.0e3), (0.15, 13.0e3)),
            *((0.2, 21.0e3), (0.25, 32.0e3), (0.3, 47.0e3), (0.4, 95.0e3)),
        )
    ),
    set_share=0.1,
    unloading_exponent=1.5,
    u_relative=0.05,
)
"""A flat gasket 5 mm wide in its groove: N/m of its line."""
GRAPHITE, BRASS, RESIN, ALUMINIUM = 4.0e-6, 18.0e-6, 60.0e-6, 23.0e-6


def _mea(free_mm: float, recess_mm: float) -> Bed:
    return Bed(PAPER, free_mm, recess_mm, 0.1, expansion_1_k=2.0e-5, u_thickness_mm=0.003)


def _gasket(height_mm: float, groove_mm: float, length_mm: float) -> Seal:
    return Seal(RUBBER, height_mm, groove_mm, length_mm, expansion_1_k=2.0e-4, u_height_mm=0.0025)


def _plate(bearing_cm2: float) -> Stiff:
    return Stiff(11.0, bearing_cm2, GRAPHITE, 0.004)


STIFFNESS: dict[str, PartStiffness] = {
    "WM": _mea(0.47, 0.0),
    "WF": _plate(55.0),
    "WE": _plate(55.0),
    "WA": _plate(55.0),
    "WG": _gasket(0.38, 0.17, 280.0),
    "WK": _gasket(0.38, 0.30, 280.0),
    "WC": Stiff(expansion_1_k=BRASS),
    "WI": Stiff(expansion_1_k=RESIN, u_thickness_mm=0.01),
    "WP": Stiff(expansion_1_k=ALUMINIUM, u_thickness_mm=0.01),
    "HM": _mea(0.52, 0.0),
    "HB": _mea(0.52, 0.0),
    "HF": _plate(170.0),
    "HA": _plate(170.0),
    "HG": _gasket(0.50, 0.25, 506.0),
    "HK": _gasket(0.50, 0.40, 506.0),
    "HC": Stiff(expansion_1_k=BRASS),
    "HD": Stiff(expansion_1_k=BRASS),
    "HI": Stiff(expansion_1_k=RESIN, u_thickness_mm=0.01),
    "HP": Stiff(expansion_1_k=ALUMINIUM, u_thickness_mm=0.01),
    "SM": _mea(0.47, 0.0),
    "SW": _plate(340.0),
    "SA": _plate(340.0),
    "SG": _gasket(0.38, 0.17, 740.0),
    "SK": _gasket(0.38, 0.30, 740.0),
    "SC": Stiff(expansion_1_k=BRASS),
    "SI": Stiff(expansion_1_k=RESIN, u_thickness_mm=0.01),
    "SP": Stiff(expansion_1_k=ALUMINIUM, u_thickness_mm=0.01),
    "SD": Disc(20.0, 10.2, 1.1, 0.45),
}
"""By the key of the part type; rods, sleeves and nuts give nothing of their own."""
