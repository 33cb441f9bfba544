"""The make-safe checklist a new design begins with, in the order of the work.

A beginning to be made one's own: limits and order belong to the site's procedures. Common
practice, no source; the limit for hydrogen is a tenth of the lower flammable limit of 4 % by
volume (ISO/TR 15916), from which sites derive their own.
"""

from service.trade.make_safe import LineAsked

DEFAULT_LINES = tuple(
    LineAsked(number, *line)
    for number, line in enumerate(
        (
            ("Load taken off and disconnected; cells bridged or discharged as the site asks.",),
            ("Air and hydrogen shut off in the procedure's order; both locked and tagged.",),
            ("Coolant pump, heaters and load locked and tagged.",),
            ("Fuel side purged with inert gas; hydrogen at the outlet", "% vol", 0.4, True, True),
            ("Air side purged with inert gas or air as the procedure gives.",),
            ("Voltage of the whole stack, bleed taken off for 5 min", "V", 1.0, True, True),
            ("Largest voltage of a single cell, bleed taken off", "V", 0.1, True, False),
            ("Gauge pressure of the fuel circuit, port opened", "kPa", 1.0, True, False),
            ("Gauge pressure of the air circuit, port opened", "kPa", 1.0, True, False),
            ("Gauge pressure of the coolant circuit, port opened", "kPa", 1.0, True, False),
            ("Temperature of the stack's middle", "°C", 40.0, True, False),
            ("Coolant drained and blown out; tray beneath for what is left in low points.",),
            ("Clamp looked at: rods guarded, press or guide at hand, nobody in line with a rod.",),
            ("Room: ventilation on, hydrogen and oxygen monitors tried, no ignition source.",),
            ("Gloves without powder, covers for the ports and plastic wedges at hand.",),
        ),
        1,
    )
)
