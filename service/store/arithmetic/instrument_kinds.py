"""Kinds of instruments, and how a calibration finds one."""

from enum import StrEnum


class InstrumentKind(StrEnum):
    """What an instrument measures or sets."""

    TORQUE_DRIVER = "torque driver"
    PRESSURE_GAUGE = "pressure gauge"
    INSULATION_TESTER = "insulation tester"
    MULTIMETER = "multimeter"
    THERMOMETER = "thermometer"
    GAS_DETECTOR = "gas detector"
    HEIGHT_GAUGE = "height gauge"
    FLOW_METER = "flow meter"


class CalibrationResult(StrEnum):
    """How the instrument was found."""

    IN_TOLERANCE = "in tolerance as found"
    OUT_OF_TOLERANCE = "out of tolerance as found"
