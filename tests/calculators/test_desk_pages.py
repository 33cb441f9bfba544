"""The desk's pages: addresses that keep what was typed, results beneath, refusals beside."""

import re
from collections.abc import Callable
from html import unescape
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

import pytest

from service.calculators.arithmetic.calculators import CALCULATORS, calculator_named
from tests.stacks.test_stacks_pages import words

Clients = Callable[..., Any]
NAMES = [calculator.name for calculator in CALCULATORS]


def example(name: str, **changed: str) -> str:
    """The address of an example with some answers changed."""
    calculator = calculator_named(name)
    assert calculator
    return f"/desk/{name}?{urlencode({**calculator.example, **changed})}"


def link(page: str, text: str) -> str:
    """Where a link of the page leads."""
    found = re.search(rf'<a href="([^"]+)"[^>]*>{text}', page)
    assert found, text
    return unescape(found[1])


def test_the_desk_lists_every_calculator_and_stands_in_the_head(signed_in_client: Clients) -> None:
    page = signed_in_client("quality").get("/desk").text

    for calculator in CALCULATORS:
        assert f'href="/desk/{calculator.name}"' in page
        assert calculator.line in unescape(page)
    assert '<a href="/desk" aria-current="page">desk</a>' in page


@pytest.mark.parametrize("name", NAMES)
def test_a_calculator_begins_empty_with_an_example_to_fill_in(
    signed_in_client: Clients, name: str
) -> None:
    client = signed_in_client("builder")

    empty = client.get(f"/desk/{name}")

    assert empty.status_code == 200
    assert "Fill in the form, or begin with the example" in words(empty.text)
    assert not re.search(r'<input id="(?!scan)[^"]+" [^>]*value="[^"]+"', empty.text)
    filled = client.get(link(empty.text, "Fill in an example, invented"))
    assert filled.status_code == 200
    assert "value ± U (k = 2)" in filled.text
    assert "Worked out by:" in filled.text
    assert "Caution: " in filled.text


@pytest.mark.parametrize("name", NAMES)
def test_the_link_keeps_the_inputs(signed_in_client: Clients, name: str) -> None:
    """Opened by somebody else it shows the very same results."""
    client = signed_in_client("builder")
    first = client.get(example(name)).text

    again = client.get(link(first, "Link that keeps these inputs")).text

    assert _results(again) == _results(first)


def _results(page: str) -> str:
    return page[page.index('id="results"') : page.index('id="kept"')]


def test_the_link_keeps_units_and_choices_and_nothing_empty(signed_in_client: Clients) -> None:
    page = (
        signed_in_client("builder")
        .get(example("torque", torque="75", torque_unit="in·lbf", force_in="lbf", preload=""))
        .text
    )

    kept = parse_qs(
        urlsplit(link(page, "Link that keeps these inputs")).query, keep_blank_values=True
    )
    assert kept["torque_unit"] == ["in·lbf"]
    assert kept["force_in"] == ["lbf"]
    assert "preload" not in kept
    assert "thread_unit" not in kept
    assert '<option value="in·lbf" selected>' in page


def test_every_quantity_has_its_unit_to_choose_with_a_name_of_its_own(
    signed_in_client: Clients,
) -> None:
    client = signed_in_client("builder")
    for calculator in CALCULATORS:
        page = client.get(f"/desk/{calculator.name}").text
        for field in calculator.fields:
            assert f'name="{field.name}"' in page
            assert f'<label for="{field.name}">' in page
            if field.units:
                assert (
                    f'name="{field.unit_name}" id="{field.unit_name}" aria-label="Unit of' in page
                )


def test_refusals_stand_beside_their_fields_and_everything_typed_stays(
    signed_in_client: Clients,
) -> None:
    answer = signed_in_client("builder").get(
        example(
            "pressure-decay",
            start="-20",
            start_temperature="22.4",
            start_temperature_unit="K",
            volume="0",
            duration="ten",
        )
    )

    assert answer.status_code == 422
    text = answer.text
    for field in ("start_temperature", "volume", "duration"):
        assert f'id="wrong-{field}"' in text
        assert f'href="#{field}"' in text
    assert "22.4 °C would be 295.55 K" in words(text)
    for typed in ("-20", "22.4", "ten", "0"):
        assert f'value="{typed}"' in text
    assert "Everything typed is still there" in words(text)


def test_what_is_wrong_with_all_together_is_said_without_a_field(signed_in_client: Clients) -> None:
    answer = signed_in_client("builder").get(
        example("hold-time", pressure_off="0", temperature_off="0")
    )

    assert answer.status_code == 422
    assert "decide at once: give one reading ±" in words(answer.text)


def test_a_verdict_is_a_word_with_its_reason(signed_in_client: Clients) -> None:
    client = signed_in_client("supervisor")

    passed, failed = client.get(example("pressure-decay")), client.get(example("flow-meter"))

    assert "pass With its uncertainty (95 %) the rate keeps to 0.01" in words(passed.text)
    assert "fail With its uncertainty (95 %) the rate is more than 0.01" in words(failed.text)
    assert '<span class="state act">' in failed.text
    for topic in ("Test pressure", "Hydrogen"):
        assert f"Caution: {topic}" in passed.text


def test_the_map_is_drawn_with_its_rods(signed_in_client: Clients) -> None:
    page = signed_in_client("builder").get(example("pressure-map")).text

    assert 'class="drawn map small"' in page
    assert "Pressure, MPa" in page
    assert "style=" not in page


def test_htmx_gets_the_results_alone_and_no_error_while_somebody_types(
    signed_in_client: Clients,
) -> None:
    client = signed_in_client("builder")
    headers = {"HX-Request": "true"}

    whole = client.get(example("torque"), headers=headers)
    begun = client.get("/desk/torque?torque=8.5", headers=headers)

    assert whole.text.lstrip().startswith('<section id="results"')
    assert whole.headers["vary"] == "HX-Request"
    assert begun.status_code == 200
    assert "Not worked out yet: something is still to be filled in." in words(begun.text)


def test_an_unknown_calculator_is_not_found(signed_in_client: Clients) -> None:
    answer = signed_in_client("builder").get("/desk/horoscope")

    assert answer.status_code == 404
    assert "horoscope" in answer.text


def test_the_desk_asks_the_database_nothing_of_its_own(
    signed_in_client: Clients, statements: Any
) -> None:
    """As many statements as any page needs to know who asks."""
    client = signed_in_client("builder")
    client.get("/desk")
    with statements() as listed:
        client.get("/desk")
    with statements() as computed:
        client.get(example("closing"))

    assert len(computed) == len(listed)


def test_lines_typed_with_a_carriage_return_are_read(signed_in_client: Clients) -> None:
    """Browsers send CR LF from a text area."""
    answer = signed_in_client("builder").get(example("shorts", resistances="41\r\n38\r\n0.2"))

    assert answer.status_code == 200
    assert "Cell 3 is shorted" in words(answer.text)


def test_what_was_typed_is_shown_as_text(signed_in_client: Clients) -> None:
    answer = signed_in_client("builder").get(example("torque", torque="<b>8</b>"))

    assert answer.status_code == 422
    assert "<b>8" not in answer.text
