"""Charts of values over hours, current density or time: points, lines, bands, limits, openings.

Scales, ticks and marks come from vl-convert; it reads nothing from outside. The result stands in a
page under a strict content security policy, in print and in a PDF: presentation attributes only.
"""

from service.platform.drawings.charts_bars import bars_chart
from service.platform.drawings.charts_given import Axis, Bar, Marker, Rule, Series, Steps
from service.platform.drawings.charts_lines import lines_chart
from service.platform.drawings.charts_plot import Size
from service.platform.drawings.charts_steps import round_ticks, steps_chart

__all__ = [
    "Axis",
    "Bar",
    "Marker",
    "Rule",
    "Series",
    "Size",
    "Steps",
    "bars_chart",
    "lines_chart",
    "round_ticks",
    "steps_chart",
]
