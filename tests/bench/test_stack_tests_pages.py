"""The tests of a closed stack at the bench, on the record and on the approval."""

import html
import re
from collections.abc import Callable, Mapping
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.limits.arithmetic.figures import DesignFigures
from service.proof.tables import StackTest
from service.records.tables import RebuildRecord
from service.stacks.tables import Stack
from tests import builders
from tests.closing.closings import put_limits_in_force
from tests.proof.arithmetic.test_leak_traces import a_trace
from tests.proof.stack_testing import ARRIVES, DECAY, DRY, FIGURES, Tools, the_tools
from tests.proof.test_leak_recipes import BY_TRACE, FIGURES_BY_RECIPE

HTMX = {"hx-request": "true"}
PLACE_STATEMENTS = 49


class Tester:
    """A builder's browser with one record open of a stack that is closed."""

    __test__ = False

    def __init__(self, app: Any, client: Any, number: int, tools: Tools) -> None:
        self.app, self.client, self.number, self.tools = app, client, number, tools

    def page(self, test: str = "", **asked: str) -> str:
        """The place of the tests, tags taken out."""
        return words(self.html(test, **asked))

    def html(self, test: str = "", **asked: str) -> str:
        """The same as it was sent."""
        answer = self.client.get(
            f"/records/{self.number}/bench", params={"at": "tests", "test": test, **asked}
        )
        assert answer.status_code == 200
        return str(answer.text)

    def post(
        self,
        entry: str,
        typed: Mapping[str, Any],
        *,
        files: Mapping[str, str] | None = None,
        **headers: str,
    ) -> Any:
        """Send one form as a freshly loaded page would."""
        with Session(self.app.state.engine) as session:
            version = session.get_one(RebuildRecord, self.number).version
        given = {"version": version, **typed}
        sent = {name: (f"{name}.csv", text, "text/csv") for name, text in (files or {}).items()}
        address = f"/records/{self.number}/{entry}"
        return self.client.post(address, data=given, files=sent or None, headers=headers)

    def leak(self, set_up: int, *, files: Mapping[str, str] | None = None, **more: str) -> Any:
        """One pressure decay."""
        flows = {f"arrived_{name}": "0" for name in ARRIVES.get(set_up, ())}
        volume = {"volume": "0.2"} if set_up == 1 else {}
        return self.post(
            "leak-test",
            DECAY
            | flows
            | volume
            | {
                "test": f"leak-{set_up}",
                "set_up": str(set_up),
                "instrument_id": self.tools.gauge,
                "thermometer_id": self.tools.thermometer,
                "meter_id": self.tools.meter,
            }
            | more,
            files=files,
        )

    def insulation(self, **more: str) -> Any:
        """One test of insulation, dry."""
        return self.post(
            "insulation-test",
            DRY | {"test": "insulation-dry", "instrument_id": self.tools.tester} | more,
        )

    def shorts(self, **more: Any) -> Any:
        """One check of the cells."""
        given = {
            "test": "shorts",
            "way": "resistance of each cell",
            "cell": ["40", "39"],
            "instrument_id": self.tools.multimeter,
        }
        return self.post("short-check", given | more)


def words(text: str) -> str:
    """The text of a page, without its tags."""
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", text)))


@pytest.fixture
def begin(app: Any, signed_in_client: Callable[..., Any]) -> Callable[..., Tester]:
    """Begin an inspection of a stack with so many cells, limits in force."""

    def begin(
        cells: int = 2,
        *,
        limits: bool = True,
        serial: str = "TARN-001",
        figures: DesignFigures = FIGURES,
    ) -> Tester:
        with Session(app.state.engine) as session:
            stack = builders.a_stack(session, cells=cells, serial=serial, meter_hours=100.0)
            tools = the_tools(session)
            if limits:
                design_id = session.get_one(Stack, stack.id).design_id
                put_limits_in_force(session, design_id, figures)
            session.commit()
        client = signed_in_client("builder", name=f"Mara Ilves {serial}")
        answer = client.post(
            "/records/new",
            data={
                "stack": serial,
                "kind": "inspection",
                "reason": "a leak is suspected",
                "performed_from": "2026-03-01T08:00",
                "worked": client.person_id,
            },
        )
        assert answer.status_code == 303, answer.text
        return Tester(app, client, int(answer.headers["location"].split("/")[2]), tools)

    return begin


def test_the_five_set_ups_stand_in_their_order_with_what_to_do(
    begin: Callable[..., Tester],
) -> None:
    at = begin()

    shown = at.page("leak-3")

    order = ["rig alone", "all circuits joined", "coolant", "anode", "cathode"]
    places = [shown.index(f"leak {number}: {name}") for number, name in enumerate(order, 1)]
    assert places == sorted(places)
    assert "Set-up 3 of 5, coolant" in shown
    assert "coolant 50\u2009kPa gauge".replace("\u2009", " ") in shown.replace("\u2009", " ")
    assert "Flow from the anode" in shown


def test_a_recipe_is_shown_and_its_trace_comes_as_a_file(begin: Callable[..., Tester]) -> None:
    at = begin(figures=FIGURES_BY_RECIPE)
    shown = at.page("leak-4").replace("\u2009", " ")
    assert "Stack dry; join anode; vent cathode and coolant; relief valve at most 60 kPa." in shown
    assert "Ramp: at most 6 kPa/min; stop above 55 kPa across the membrane." in shown
    by_trace = dict.fromkeys(DECAY, "") | {k: v for k, v in BY_TRACE.items() if k != "set_up"}

    fast = at.leak(4, files={"trace_file": a_trace(ramp_min=2.0)}, **by_trace)
    assert fast.status_code == 422
    assert "Ramp 25 kPa/min; the recipe asks for at most 6 kPa/min." in words(fast.text)
    assert "t (s); p (kPa); T (°C)" in html.unescape(fast.text), "the file's lines are kept"

    assert (
        at.leak(4, files={"trace_file": a_trace(lost_kpa_min=0.0)}, **by_trace).status_code == 303
    )
    made = at.page("leak-4", made="made").replace("\u2009", " ")
    assert "at pressure" in made
    assert "50 kPa gauge, ramp at most 5 kPa/min" in made
    kept = re.search(r'href="(/traces/[0-9a-f]{64})"', at.html("leak-4"))
    assert kept
    assert at.client.get(kept[1]).text == a_trace(lost_kpa_min=0.0)


def test_hydrogen_is_offered_for_the_anode_alone(begin: Callable[..., Tester]) -> None:
    at = begin()

    assert '<option value="hydrogen"' in at.html("leak-4")
    assert '<option value="hydrogen"' not in at.html("leak-5")
    refused = at.leak(2, gas="hydrogen")
    assert refused.status_code == 422
    assert "allowed" in words(refused.text) or "Right would be nitrogen" in words(refused.text)


def test_how_long_to_hold_is_told_before_the_test(begin: Callable[..., Tester]) -> None:
    at = begin()

    assert re.search(
        r"Hold at least [\d.]+\s*(min|s) with TD-\d+: then a leak of half", at.page("leak-4")
    )
    assert "How long to hold is not known" in at.page("leak-1")


def test_a_test_is_entered_and_answered_at_once_with_value_limit_and_verdict(
    begin: Callable[..., Tester],
) -> None:
    at = begin()

    answer = at.leak(4)

    assert answer.status_code == 303
    assert answer.headers["location"].endswith("bench?made=made&at=tests&test=leak-4")
    shown = at.page("leak-4", made="made")
    assert "✓ Entered. The leak test says: pass" in shown
    assert re.search(r"leak anode to outside as hydrogen [^|]+ below detection, which is", shown)
    assert "at most 0.05" in shown
    assert "invented design note 5" in shown


def test_htmx_gets_the_bench_alone(begin: Callable[..., Tester]) -> None:
    at = begin()
    answer = at.post(
        "short-check",
        {
            "test": "shorts",
            "way": "resistance of each cell",
            "cell": ["40", "0.5"],
            "instrument_id": at.tools.multimeter,
        },
        **HTMX,
    )

    assert answer.status_code == 200
    assert "<html" not in answer.text
    assert "shorted: cell 2" in words(answer.text)


def test_a_refused_test_keeps_what_was_typed_and_says_what_would_be_right(
    begin: Callable[..., Tester], app: Any
) -> None:
    at = begin()

    answer = at.leak(4, zero="absolute", note="typed in a hurry")

    assert answer.status_code == 422
    assert 'value="50.4 kPa"' in answer.text
    assert "typed in a hurry" in answer.text
    assert "50.4 kPa gauge would be 151.7 kPa absolute" in words(answer.text)
    with Session(app.state.engine) as session:
        assert session.scalars(select(StackTest)).all() == []


def test_both_ticks_of_an_insulation_test_are_asked_for(begin: Callable[..., Tester]) -> None:
    at = begin()

    answer = at.insulation(cells_bonded="")

    assert answer.status_code == 422
    assert "were not bonded together" in words(answer.text)
    assert at.insulation().status_code == 303


def test_a_pasted_list_of_cells_is_read_and_kept_when_refused(
    begin: Callable[..., Tester],
) -> None:
    at = begin()

    wrong = at.shorts(cell=[], values="40\nmuch")
    assert wrong.status_code == 422
    assert "cell 2 cannot be this" in words(wrong.text)
    assert "40\nmuch" in wrong.text

    assert at.shorts(cell=[], values="40\n41").status_code == 303
    assert "no short seen in 2 cells" in at.page("shorts")


def test_failed_attempts_stay_listed_and_words_tell_them_apart(
    begin: Callable[..., Tester],
) -> None:
    at = begin()
    at.leak(4, end_pressure="10 kPa", note="a fitting was loose")
    at.leak(4)

    shown = at.page("leak-4")

    assert re.search(r"Entry 2, leak test, set-up 4, anode:\s+pass", shown)
    assert re.search(r"Entry 1, leak test, set-up 4, anode:\s+fail", shown)
    assert "a fitting was loose" in shown


def test_cautions_stand_where_they_apply(begin: Callable[..., Tester]) -> None:
    at = begin()

    assert "Caution: Test pressure" in at.page("leak-2")
    assert "Caution: Voltage of the tester" in at.page("insulation-dry")
    assert "Caution: Hydrogen" in at.page("insulation-coolant")


def test_a_stack_that_stands_open_is_not_tested(begin: Callable[..., Tester]) -> None:
    at = begin()
    at.post("exception", {"reason": "a test"})
    at.post("open", {"hours_unknown_because": "no display"})

    assert "The stack stands open. Tests are made of the closed stack." in at.page("leak-2")
    assert at.leak(2).status_code == 422


def test_without_limits_in_force_the_place_says_so(begin: Callable[..., Tester]) -> None:
    assert "No figures and limits of the design are in force" in begin(limits=False).page()


def test_the_record_shows_its_tests_with_limits_and_attempts(
    begin: Callable[..., Tester],
) -> None:
    at = begin()
    at.leak(4, end_pressure="10 kPa")
    at.leak(4)
    at.insulation()

    for address in (f"/records/{at.number}", f"/records/{at.number}/approval"):
        shown = words(at.client.get(address).text)
        assert "Tests of the closed stack" in shown
        assert re.search(r"Entry 1, leak test, set-up 4, anode:\s+fail", shown)
        assert "leak between cathode and coolant" in shown
        assert "not tested" in shown


def test_the_stacks_sheet_says_what_its_verdicts_are_worth_now(
    begin: Callable[..., Tester],
) -> None:
    at = begin()
    at.leak(4)
    at.shorts(cell=["40", "0.5"])

    shown = words(at.client.get("/stacks/TARN-001").text)

    assert re.search(r"Verdicts\s+pass 3\s+fail 1 shorts of cells\s+not tested 7", shown)
    assert "Verdicts pass" not in words(at.client.get("/stacks/TARN-001?known_at=2026-02-03").text)


def test_a_record_without_tests_and_limits_shows_none(begin: Callable[..., Tester]) -> None:
    at = begin(limits=False)

    assert "Tests of the closed stack" not in at.client.get(f"/records/{at.number}").text


def test_nonsense_is_refused_with_words_and_never_breaks(begin: Callable[..., Tester]) -> None:
    at = begin()
    for entry in ("leak-test", "insulation-test", "short-check"):
        for junk in ("", "-1", "9" * 40, "NaN", "1e999", "\x00", "é" * 500, "50 furlongs"):
            names = (*DECAY, *DRY, "set_up", "cell", "values", "instrument_id", "meter_id", "way")
            answer = at.post(entry, dict.fromkeys(names, junk))
            assert answer.status_code == 422, (entry, junk)


@pytest.mark.parametrize(("cells", "serial"), [(1, "TARN-LOW"), (12, "TARN-HIGH")])
def test_the_place_asks_as_many_questions_of_a_high_stack_as_of_a_low_one(
    begin: Callable[..., Tester], statements: Any, cells: int, serial: str
) -> None:
    at = begin(cells, serial=serial)
    at.leak(2)
    for _ in range(cells):
        at.shorts(cell=["40"] * cells)
    at.page("shorts")

    with statements() as seen:
        at.page("shorts")

    assert len(seen) == PLACE_STATEMENTS


def test_a_test_made_otherwise_is_asked_about_and_kept_with_its_reason(
    begin: Callable[..., Tester],
) -> None:
    """What was typed stays; only the button beside the reason keeps it, and the record says so."""
    builder = begin()
    typed = {"start_pressure": "70 kPa", "end_pressure": "69.98"}

    asked = builder.leak(4, **typed)

    said = words(asked.text)
    assert asked.status_code == 422
    assert "70 kPa gauge at the start; the set-up asks for 50 kPa ± 10 %" in said
    assert 'value="70 kPa"' in asked.text
    assert '<button type="submit" name="stands" value="stands">' in asked.text
    assert "Not entered" not in said
    assert "No maximum pressure difference is in force: it is not checked." in builder.page(
        "leak-4"
    )
    assert "Membrane" not in builder.page("leak-3")
    silent = builder.leak(4, **typed, stands="stands")
    assert silent.status_code == 422
    assert 'name="outside_because"' in silent.text
    made = builder.leak(4, **typed, stands="stands", outside_because="the regulator stuck")
    assert made.status_code == 303
    record = words(builder.client.get(f"/records/{builder.number}").text)
    assert "Kept: the regulator stuck" in record
