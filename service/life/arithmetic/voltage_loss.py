"""Plain arithmetic of voltage lost: rate between two readings, share lost, rate for a wanted life.

Losses are above zero where the voltage fell. Common practice, no source, but for the target of
10 % within so many hours: durability targets of the US Department of Energy for PEM stacks.
"""

from service.life.arithmetic.voltage_trend import UV
from service.platform.arithmetic.preconditions import finite, more_than_zero, within


def mean_loss_uv_h(from_v: float, to_v: float, hours_h: float) -> float:
    """How many µV were lost in each hour, in the mean, between two voltages in V?

    Raises OutOfRange unless the hours between are more than zero.

    >>> round(mean_loss_uv_h(0.654, 0.643, 763.24 - 505.16), 2)
    42.62
    """
    more_than_zero("the hours between the readings", hours_h, "h")
    return (finite("the voltage", from_v, "V") - finite("the voltage", to_v, "V")) / hours_h * UV


def percent_lost(beginning_v: float, now_v: float) -> float:
    """Which share of the voltage at the beginning is lost, in %?

    >>> round(percent_lost(0.700, 0.665), 6)
    5.0
    """
    more_than_zero("the voltage at the beginning", beginning_v, "V")
    return (1 - finite("the voltage", now_v, "V") / beginning_v) * 100


def loss_for_life_uv_h(beginning_v: float, percent: float, life_h: float) -> float:
    """Which mean loss in µV/h uses up ``percent`` of the voltage within the wanted life in h?

    >>> round(loss_for_life_uv_h(0.650, 10.0, 5000.0), 6)
    13.0
    """
    more_than_zero("the voltage at the beginning", beginning_v, "V")
    within("the share that may be lost", percent, "%", 0.0, 100.0)
    more_than_zero("the wanted life", life_h, "h")
    return beginning_v * percent / 100 / life_h * UV
