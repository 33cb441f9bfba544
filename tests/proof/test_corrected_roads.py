"""Every road to a verdict says the same of a build whose nut was corrected."""

import re
from collections.abc import Callable
from typing import Any

import pytest

from service.bench.tables import CorrectionOf
from tests.proof.test_releases_corrected import FAR_ABOVE, Released

WORDS = {"pass", "fail", "undecided", "test again"}
A_STATE = re.compile(r'class="state[^"]*"><svg.*?</svg> ([a-z ]+)</span>', re.DOTALL)
TALLY = r"<dt>Verdicts</dt><dd>.*?</dd>"
TABLE = r"id=\"verdicts\".*?</table>"
TOGETHER = r"<p class=\"verdict\">.*?</p>"


def states(page: str, within: str) -> set[str]:
    """The words of the marks in the parts of a page."""
    parts = re.findall(within, page, re.DOTALL)
    assert parts, within
    return set(A_STATE.findall(" ".join(parts))) & WORDS


@pytest.mark.parametrize(("torque", "verdict"), [("90 N·m", "fail"), ("9.2 N·m", "pass")])
def test_all_roads_agree_on_a_corrected_nut(
    app: Any,
    signed_in_client: Callable[..., Any],
    calling: Callable[..., Any],
    torque: str,
    verdict: str,
) -> None:
    stack = Released(app.state.engine)
    number = stack.propose(stack.fact(CorrectionOf.TORQUE), torque, **FAR_ABOVE)
    stack.decide(number)
    record, serial = stack.bench.number, "TARN-001"
    page, call = signed_in_client("supervisor"), calling("supervisor")

    def read(address: str) -> str:
        answer = page.get(address)
        assert answer.status_code == 200, answer.text
        return str(answer.text)

    said = {
        "stack": states(read(f"/stacks/{serial}"), TALLY),
        "release": states(read(f"/builds/{stack.build_id}/release"), TABLE),
        "approval": states(read(f"/records/{record}/approval"), TOGETHER),
        "record": states(read(f"/records/{record}"), TOGETHER),
        "closing": states(read(f"/records/{record}/closing"), TOGETHER),
    }
    gate = call.get(f"/api/v1/stacks/{serial}/verdicts").json()
    said["API, verdicts"] = {line["now"] for line in gate["verdicts"]}
    said["API, closing"] = {call.get(f"/api/v1/records/{record}/closing").json()["kept"]["verdict"]}
    said["API, record"] = {call.get(f"/api/v1/records/{record}").json()["closing"]["verdict"]}

    assert all(verdict in words for words in said.values()), said
    assert verdict == "fail" or set.union(*said.values()) == {"pass"}, said
    assert gate["released"] is False
    assert stack.states == {"not released"}
    outside = "Outside the tolerance of the torque: rod 1" in read(f"/records/{record}")
    assert outside is (verdict == "fail")
    floor = call.get("/api/v1/floor").json()["rows"][0]
    assert floor["last_approved"]["stands"] is False
    (again,) = [each for each in floor["needs"] if each["kind"] == "release ended by a correction"]
    assert again["sentence"] == f"Build 2: release again. Correction {number} ended its release."
    assert again["address"] == f"/builds/{stack.build_id}/release"
    assert again["roles"] == ["supervisor"]
