"""Where an entry names the instruments it was made with, said once for all who follow them."""

from collections.abc import Mapping
from typing import Any

from service.proof.tables import PartLeakTest, StackTest
from service.records.tables import (
    BumpTest,
    CornerHeightRead,
    HeldClosing,
    MakeSafeLine,
    ToolSetting,
    TorqueReading,
)

USED_BY: Mapping[Any, tuple[Any, ...]] = {
    TorqueReading: (TorqueReading.instrument_id,),
    ToolSetting: (ToolSetting.instrument_id, ToolSetting.tester_id),
    CornerHeightRead: (CornerHeightRead.instrument_id,),
    HeldClosing: (HeldClosing.gauge_id, HeldClosing.load_cell_id),
    MakeSafeLine: (MakeSafeLine.instrument_id,),
    BumpTest: (BumpTest.instrument_id,),
    StackTest: (StackTest.instrument_id, StackTest.thermometer_id, StackTest.meter_id),
}
"""Columns that name an instrument, by the table; each table's rows belong to an entry."""

OF_PART_TEST = (PartLeakTest.instrument_id, PartLeakTest.thermometer_id, PartLeakTest.meter_id)
"""Columns of a leak test of parts, which is no entry of a record."""
