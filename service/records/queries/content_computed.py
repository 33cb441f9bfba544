"""What was computed of a record's content: results of closings and tests, as JSON arrays."""

from typing import Any

from sqlalchemy import ColumnElement, ScalarSelect, Select, Text, cast, func, select
from sqlalchemy.orm import aliased

from service.closing.tables import ClosingResult
from service.limits.tables import LimitSet
from service.proof.tables import StackTest
from service.records.queries.content_then import THEN
from service.records.tables import RebuildRecord, Step
from service.store.tables import Calibration

R = RebuildRecord


class Computed:
    """How arrays are written in the words of one engine, and the lists of what was computed."""

    def __init__(self, lite: bool) -> None:
        self._lite = lite

    def _closing_results(self) -> ScalarSelect[Any]:
        """What was computed at this very hand-in; hashed anew from the kept texts."""
        return self._all(
            select(
                self._array(
                    ClosingResult.formulas,
                    LimitSet.version,
                    ClosingResult.inputs_sha256,
                    self._sha256(ClosingResult.inputs),
                    ClosingResult.results_sha256,
                    self._sha256(ClosingResult.results),
                )
            )
            .join(LimitSet, LimitSet.id == ClosingResult.limit_set_id)
            .where(ClosingResult.record_id == R.id, ClosingResult.computed_at == R.handed_in_at)
        )

    def _stack_tests(self) -> ScalarSelect[Any]:
        of, warm, meter = aliased(Calibration), aliased(Calibration), aliased(Calibration)
        return self._all(
            select(
                self._array(
                    Step.sequence,
                    StackTest.content,
                    StackTest.result,
                    StackTest.formula,
                    StackTest.verdict,
                    LimitSet.version,
                    StackTest.instrument_id,
                    of.certificate,
                    StackTest.thermometer_id,
                    warm.certificate,
                    StackTest.meter_id,
                    meter.certificate,
                )
            )
            .join(Step, Step.id == StackTest.step_id)
            .outerjoin(LimitSet, LimitSet.id == StackTest.limit_set_id)
            .outerjoin(of, of.id == StackTest.calibration_id)
            .outerjoin(warm, warm.id == StackTest.thermometer_calibration_id)
            .outerjoin(meter, meter.id == StackTest.meter_calibration_id)
            .where(StackTest.record_id == R.id, Step.written_at <= THEN)
        )

    def _array(self, *columns: Any) -> ColumnElement[Any]:
        return (func.json_array if self._lite else func.json_build_array)(*columns)

    def _number(self, column: Any) -> ColumnElement[Any]:
        return func.quote(column) if self._lite else column

    def _sha256(self, text: Any) -> ColumnElement[Any]:
        if self._lite:
            return func.sha256_hex(text)
        return func.encode(func.sha256(func.convert_to(text, "UTF8")), "hex")

    def _all(self, rows: Select[Any]) -> ScalarSelect[Any]:
        gather = func.json_group_array if self._lite else func.json_agg
        array = rows.selected_columns[0]
        gathered = cast(gather(array), Text)
        return (
            rows.with_only_columns(gathered, maintain_column_froms=True)
            .correlate(R)
            .scalar_subquery()
        )
