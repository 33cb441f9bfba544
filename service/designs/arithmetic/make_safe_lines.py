"""The make-safe checklist a new design begins with, in the order of the work.

A beginning to be made one's own: limits and order belong to the site's procedures. Common
practice, no source; the limit for hydrogen is a tenth of the lower flammable limit of 4 % by
volume (ISO/TR 15916), from which sites derive their own.
"""

from service.designs.arithmetic.make_safe import LineAsked

DEFAULT_LINES = (
    LineAsked(1, "Load taken off and disconnected; cells bridged or discharged as the site asks."),
    LineAsked(2, "Air and hydrogen shut off in the procedure's order; both locked and tagged."),
    LineAsked(3, "Coolant pump, heaters and load locked and tagged."),
    LineAsked(
        4,
        "Fuel side purged with inert gas; hydrogen at the outlet",
        "% vol",
        0.4,
        needs_instrument=True,
        needs_witness=True,
    ),
    LineAsked(5, "Air side purged with inert gas or air as the procedure gives."),
    LineAsked(
        6,
        "Voltage of the whole stack, bleed taken off for 5 min",
        "V",
        1.0,
        needs_instrument=True,
        needs_witness=True,
    ),
    LineAsked(
        7,
        "Largest voltage of a single cell, bleed taken off",
        "V",
        0.1,
        needs_instrument=True,
        needs_witness=False,
    ),
    LineAsked(
        8,
        "Gauge pressure of the fuel circuit, port opened",
        "kPa",
        1.0,
        needs_instrument=True,
        needs_witness=False,
    ),
    LineAsked(
        9,
        "Gauge pressure of the air circuit, port opened",
        "kPa",
        1.0,
        needs_instrument=True,
        needs_witness=False,
    ),
    LineAsked(
        10,
        "Gauge pressure of the coolant circuit, port opened",
        "kPa",
        1.0,
        needs_instrument=True,
        needs_witness=False,
    ),
    LineAsked(
        11,
        "Temperature of the stack's middle",
        "°C",
        40.0,
        needs_instrument=True,
        needs_witness=False,
    ),
    LineAsked(12, "Coolant drained and blown out; tray beneath for what is left in low points."),
    LineAsked(
        13, "Clamp looked at: rods guarded, press or guide at hand, nobody in line with a rod."
    ),
    LineAsked(14, "Room: ventilation on, hydrogen and oxygen monitors tried, no ignition source."),
    LineAsked(15, "Gloves without powder, covers for the ports and plastic wedges at hand."),
)
