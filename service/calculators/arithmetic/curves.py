"""Curves of soft materials as they are typed at the desk: a standard form, or points.

Sources: as in material_curves.
"""

import re

from service.calculators.arithmetic.answers import Answers
from service.calculators.arithmetic.closing_fields import CLOSING_PORES, POWER
from service.calculators.arithmetic.closing_gasket import CORD
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.estimates import standard_uncertainty
from service.platform.arithmetic.material_curves import Curve, Densifying, Points, RubberCord, Soft
from service.platform.arithmetic.material_curves import Power as PowerLaw
from service.platform.arithmetic.numbers import read_number
from service.platform.arithmetic.units import Measure, read_quantity

GDL_UNLOADING, GASKET_UNLOADING = 2.0, 1.5
"""Exponents of the way back where something stays; common practice, no source."""


def gdl_of(answers: Answers) -> Soft:
    """The GDL: stress in Pa against strain."""
    form = answers.text("gdl_form")
    curve: Curve
    if form == CLOSING_PORES:
        answers.need("gdl_modulus", "gdl_limit")
        curve = Densifying(answers.si("gdl_modulus"), answers.share_or("gdl_limit"))
    elif form == POWER:
        answers.need("gdl_modulus")
        curve = PowerLaw(answers.si("gdl_modulus"), answers.number_or("gdl_exponent", 1.0))
    else:
        curve = _points(answers, "gdl_points", Measure.PRESSURE, "MPa")
    return _soft(answers, "gdl", curve, GDL_UNLOADING)


def gasket_of(answers: Answers) -> Soft:
    """The gasket: line load in N/m against squeeze."""
    curve: Curve
    if answers.text("gasket_form") == CORD:
        answers.need("cord", "rubber_modulus")
        curve = RubberCord(answers.si("cord"), answers.si("rubber_modulus"))
    else:
        curve = _points(answers, "gasket_points", Measure.LINE_LOAD, "N/mm")
    return _soft(answers, "gasket", curve, GASKET_UNLOADING)


def _soft(answers: Answers, what: str, curve: Curve, unloading: float) -> Soft:
    u = standard_uncertainty(answers.share_or(f"{what}_percent"))
    stays = answers.share_or(f"{what}_set")
    return Soft(curve, stays, unloading if stays else None, u)


def _points(answers: Answers, name: str, measure: Measure, unit: str) -> Points:
    """Pairs of a share in percent and a load, one a line."""
    answers.need(name)
    unit = answers.typed.get(f"{name}_unit", "").strip() or unit
    found = []
    for row in filter(str.strip, re.split(r"[\n;]", answers.text(name))):
        share, _, load = row.strip().partition(" ")
        try:
            x = read_number(share.removesuffix("%")) / 100
            found.append((x, read_quantity(load.strip(" %"), measure, unit).si))
        except TradeError as trouble:
            right = f"Right would be a share in % and a load in {unit}, such as “20 0.9”."
            raise answers.refuse(name, f"“{row.strip()}”: {trouble}", right) from trouble
    try:
        return Points(tuple(found))
    except TradeError as trouble:
        raise answers.refuse(name, str(trouble)) from trouble
