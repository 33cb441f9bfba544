"""Scores of predicted remaining hours against the rule of a public challenge."""

import pytest

from service.life.arithmetic.forecast_backtest import error_percent, score
from tests.published.cases import cases

CASES = cases("trends")


@pytest.mark.parametrize(
    ("error", "expected"), [("Er1", "A_minus20"), ("Er2", "A_plus20"), ("Er3", "A_0")]
)
def test_late_predictions_weigh_more(error: str, expected: str) -> None:
    case = CASES["DG-02"]

    found = error_percent(100.0, 100.0 - case[error])

    assert found == pytest.approx(case[error])
    case.check(expected, score(found))
