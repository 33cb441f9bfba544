"""An MEA's readings as a CSV list, for whoever goes on computing with them.

Semicolons and decimal points, UTF-8; times in ISO 8601 with their zone, units in the headings.
"""

import csv
import io

from service.life.queries.mea_lives import MeaLife

HEADINGS = (
    "at",
    "own hours (h)",
    "hours are at least",
    "voltage (V)",
    "current density (A/cm2)",
    "stack",
    "build",
    "cell",
    "position",
    "readings in the mean",
    "from a curve",
)
FORMULA_SIGNS = ("=", "+", "-", "@")


def readings_as_csv(life: MeaLife) -> str:
    """Return the readings of a life at its density, the oldest first.

    Headings only where none was read.

    What a spreadsheet would take for a formula has an apostrophe before it.
    """
    out = io.StringIO()
    writer = csv.writer(out, delimiter=";", lineterminator="\r\n")
    writer.writerow(HEADINGS)
    read = life.readings
    if read is None:
        return out.getvalue()
    for index, time in enumerate(read.times):
        sat = life.sat_at(read.places[index])
        writer.writerow(
            (
                time.isoformat(timespec="seconds"),
                f"{read.hours_h[index]:.2f}",
                "yes" if read.at_least[index] else "no",
                f"{read.voltages_v[index]:.6f}",
                f"{read.density_a_cm2:g}",
                _plain(sat.stack_serial),
                sat.build_number,
                sat.cell,
                sat.position,
                read.counts[index],
                "yes" if read.from_curve[index] else "no",
            )
        )
    return out.getvalue()


def _plain(text: str) -> str:
    return f"'{text}" if text.startswith(FORMULA_SIGNS) else text
