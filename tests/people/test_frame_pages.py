"""What every page inherits: the sheet, its marks, its forms, its errors."""

import hashlib
import re
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from fastapi import Request
from jinja2 import Environment
from sqlalchemy.exc import IntegrityError

from service.people.pages import errors as error_pages
from service.people.tables import Role
from service.platform import errors
from service.platform.arithmetic.vocabulary import Usability, Whereabouts
from service.platform.pages.forms import Form, blank
from service.platform.pages.render import (
    content_hash,
    grouped,
    in_words,
    local,
    make_environment,
    number,
    quantity,
)
from service.settings import Settings, shipped_folder

TEMPLATES, STATIC = shipped_folder("templates"), shipped_folder("static")
TEXT_CONTRAST, LINE_CONTRAST = 4.5, 3.0  # WCAG 2.2, success criteria 1.4.3 and 1.4.11
LAB = Settings(zone="Europe/Berlin")


@pytest.fixture(scope="module")
def environment(tmp_path_factory: Any) -> Environment:
    """Jinja as the server sets it up."""
    settings = Settings(data_folder=tmp_path_factory.mktemp("data"), lab_name="Test lab")
    return make_environment(settings, TEMPLATES, STATIC)


def rendered(environment: Environment, text: str, **context: object) -> str:
    """Render a template given as text."""
    return environment.from_string(text).render(**context)


# Colours, fonts and files


def colours(scheme: str) -> dict[str, str]:
    """Read the tokens of the light or dark scheme."""
    text = (STATIC / "css/tokens.css").read_text()
    light, dark = text.split("@media (prefers-color-scheme: dark)")
    found = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", light))
    if scheme == "dark":
        found |= dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", dark))
    return found


def luminance(colour: str) -> float:
    """Relative luminance after WCAG 2.2."""
    channels = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio after WCAG 2.2."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_and_lines_stand_out_from_every_ground(scheme: str) -> None:
    """AA in both schemes."""
    tokens = colours(scheme)
    grounds = [tokens[name] for name in ("paper", "desk", "field", "marked", "act-ground")]

    for ground in grounds:
        for name in ("ink", "ink-soft", "act"):
            assert contrast(tokens[name], ground) >= TEXT_CONTRAST, (name, ground)
        assert contrast(tokens["line"], ground) >= LINE_CONTRAST
    assert contrast(tokens["hatching"], tokens["paper"]) >= LINE_CONTRAST


def test_fonts_are_named_with_the_hash_of_their_content() -> None:
    """So that browsers may keep them for ever."""
    named = re.findall(r'fonts/([\w-]+\.woff2)\?v=(\w+)"', (STATIC / "css/tokens.css").read_text())

    assert len(named) == 8
    for name, hashed in named:
        assert content_hash(STATIC / "fonts" / name) == hashed


def test_the_vendored_script_is_the_one_its_hash_names() -> None:
    """Nobody changed it by hand."""
    wanted, name = (STATIC / "vendor/htmx.min.js.sha256").read_text().split()

    assert hashlib.sha256((STATIC / "vendor" / name).read_bytes()).hexdigest() == wanted


# Marks


@pytest.mark.parametrize(
    "word",
    [
        *Whereabouts,
        *Usability,
        *("open", "handed in", "approved", "sent back", "void", "released", "not released"),
        *("in calibration", "out of calibration"),
    ],
)
def test_every_state_has_a_mark_of_its_own(environment: Environment, word: str) -> None:
    """Shape and word, not only colour."""
    source = '{% from "macros/state.html" import state %}{{ state(word) }}'

    mark = rendered(environment, source, word=word)
    others = [
        rendered(environment, source, word=other) for other in (*Whereabouts, *Usability, "open")
    ]

    assert f"</svg> {word}</span>" in mark
    assert "M3 8h10" not in mark
    shape = mark.split("<svg")[1].split("</svg>")[0]
    same = {other for other in others if other.split("<svg")[1].split("</svg>")[0] == shape}
    assert same <= {mark}


def test_a_word_from_elsewhere_is_escaped(environment: Environment) -> None:
    """State words may come from imports."""
    source = '{% from "macros/state.html" import state %}{{ state("<b>") }}'

    assert "<b>" not in rendered(environment, source)


def test_quantities_and_times_in_the_manner_of_the_house() -> None:
    """Thin space before the unit, a real minus, the lab's zone."""
    at = datetime(2026, 3, 7, 13, 20, tzinfo=UTC)

    assert quantity(7.5, "N·m", 2) == "7.50\u2009N·m"
    assert quantity(None, "h") == "unknown"
    assert number(-0.25) == "−0.25"
    assert number(3) == "3"
    assert local(at, LAB.time_zone) == "2026-03-07 14:20"
    assert grouped("abcdefgh12", 4) == "abcd efgh 12"
    assert in_words("torque_nm") == "torque"


def test_a_time_written_down_days_later_shows_both(environment: Environment) -> None:
    """Two clocks: happened, and written down."""
    at = datetime(2026, 3, 7, 13, 20, tzinfo=UTC)
    source = '{% from "macros/when.html" import when %}{{ when(at, written=later) }}'

    late = rendered(environment, source, at=at, later=at + timedelta(days=2))
    same_day = rendered(environment, source, at=at, later=at + timedelta(hours=2))

    assert "2026-03-07 13:20" in late
    assert "written down 2026-03-09 13:20" in late
    assert "written down" not in same_day


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ("", "not approved"),
        (', approved_by="Bo"', "Bo"),
        (", approval=false", "not subject to approval"),
    ],
)
def test_a_title_block_says_whether_it_is_approved(
    environment: Environment, more: str, words: str
) -> None:
    """In words, and by a hatched corner."""
    source = '{% from "macros/titleblock.html" import titleblock %}{{ titleblock('
    source += f'owner=lab_name, ident="S-1", title="Stack", document="layer map"{more})}}}}'

    block = rendered(environment, source)

    assert words in block
    assert ("<path" in block) == (words == "not approved")
    assert block.count("<dt>") == block.count("</dd>") == 10


def test_every_caution_defers_to_the_site(environment: Environment) -> None:
    """The tool authorises nothing."""
    topics = ("hydrogen", "electrical", "clamp", "pressure", "coolant", "graphite")
    source = '{% from "macros/caution.html" import caution %}'

    for topic in topics:
        text = rendered(environment, source + "{{ caution(topic) }}", topic=topic)
        assert "does not authorise work" in text
        assert "local codes" in text
        assert " safe" not in text.lower()


# Forms


def test_a_field_keeps_what_was_typed_beside_what_is_wrong(environment: Environment) -> None:
    """And tells assistive technology about it."""
    form = Form({"torque_nm": ['7,5"<x']})
    form.number("torque_nm", unit="N·m")
    source = '{% from "macros/field.html" import field %}'
    source += '{{ field(form, "torque_nm", "Torque", kind="decimal", unit="N·m", hint="as read") }}'

    text = rendered(environment, source, form=form)

    assert 'value="7,5&#34;&lt;x"' in text
    assert 'aria-invalid="true"' in text
    assert 'aria-describedby="hint-torque_nm wrong-torque_nm"' in text
    assert 'id="wrong-torque_nm">“7,5&#34;&lt;x” is not a number. Right would be' in text


@pytest.mark.parametrize(
    ("typed", "value"),
    [
        ("12.5", 12.5),
        ("12,5", 12.5),
        (" −0,25 ", -0.25),
        ("1\u2009234.5", 1234.5),
        (".5", 0.5),
        ("1e3", 1000.0),
        ("1.0000", 1.0),
        ("1.000,5", 1000.5),
        ("1'234", 1234.0),
    ],
)
def test_numbers_are_read_with_point_or_comma(typed: str, value: float) -> None:
    """As labs write them."""
    assert Form({"n": [typed]}).number("n") == value


@pytest.mark.parametrize(
    "typed", ["1,000", "1.000", "12 50", "12x", "nan", "inf", "--1", "1e999", "", "٣"]
)
def test_what_is_no_plain_number_is_refused_with_a_reason(typed: str) -> None:
    """1,000 could be a thousand or one: nobody guesses."""
    form = Form({"n": [typed]})

    if typed == "٣":  # a digit to Python, and rightly read as one
        assert form.number("n") == 3
        return
    assert form.number("n") is None
    assert form.error("n")
    assert typed in form.error("n")


def test_a_mark_that_can_be_read_both_ways_is_asked_about() -> None:
    """As everywhere else: nobody takes a thousand hours for one."""
    form = Form({"hours": ["1.234"], "most": ["1e400"]})

    assert form.number("hours", unit="h") is None
    assert form.number("most", unit="h") is None
    assert "“1.234” can be read in two ways. Right would be 1234 or 1.2340" in form.error("hours")
    assert "“1e400” is not a number. Right would be digits" in form.error("most")


@pytest.mark.parametrize("value", [1.234, -12.125, 999.999, 0.125, 1234.5, 12.0, 1e-7])
def test_a_number_a_form_begins_with_is_read_as_it_was(value: float, app: Any) -> None:
    """A page that is opened and sent changes nothing."""
    form = blank(Request({"type": "http", "app": app}), n=value)

    assert form.number("n") == value


def test_numbers_out_of_range_say_the_range() -> None:
    """With the unit."""
    form = Form({"torque": ["900"], "count": ["-1"]})

    assert form.number("torque", least=0, most=60, unit="N·m") is None
    assert form.whole("count", least=1) is None
    assert form.error("torque") == "“900” is out of range. Right would be 0 to 60 N·m."
    assert "1 to" in form.error("count")


def test_times_are_read_in_the_zone_of_the_lab() -> None:
    """And given back in UTC."""
    form = Form(
        {"a": ["2026-03-07 14:20"], "b": ["2026-07-07T14:20"], "c": ["2026-03-07T14:20+00:00"]},
        zone=LAB.time_zone,
    )

    assert form.moment("a") == datetime(2026, 3, 7, 13, 20, tzinfo=UTC)
    assert form.moment("b") == datetime(2026, 7, 7, 12, 20, tzinfo=UTC)
    assert form.moment("c") == datetime(2026, 3, 7, 14, 20, tzinfo=UTC)
    german = Form({"at": ["07.03.2026 14:20"], "on": ["7.3.2026"]}, zone=LAB.time_zone)
    assert form.moment("a") == german.moment("at")
    assert german.day("on") == date(2026, 3, 7)


@pytest.mark.parametrize(
    "typed",
    ["2026-03-29 02:30", "2026-02-30 10:00", "0001-01-01 00:00", "9999-12-31 23:59", "2026-03-07"],
)
def test_times_that_are_not_are_refused(typed: str) -> None:
    """Not in the calendar, not on the clock, not of this time, or no time at all."""
    form = Form({"at": [typed]}, zone=LAB.time_zone)

    assert form.moment("at") is None
    assert "2026-03-07 14:20" in form.error("at")


def test_the_one_time_key_is_not_given_before_everything_could_be_read() -> None:
    """So that nothing half-read is saved."""
    form = Form({"n": ["x"], "entry_key": ["k1"]})
    form.number("n")

    with pytest.raises(errors.RefusedTogether):
        _ = form.key


def test_after_the_key_was_given_an_unreadable_value_raises_at_once() -> None:
    """Inside the change it rolls back."""
    form = Form({"n": ["x"], "entry_key": ["k1"]})
    assert form.key.key == "k1"

    with pytest.raises(errors.Refused):
        form.number("n")


def test_each_form_of_a_page_has_its_own_key_and_keeps_it_when_shown_again() -> None:
    """Sending one does not use up the others'; sending one again is not a second entry."""
    fresh, again = Form({}), Form({"entry_key": ["k1"]})

    assert fresh.key_field != fresh.key_field
    assert again.key_field == again.key_field
    assert 'value="k1"' in again.key_field


def test_refusals_of_a_change_land_beside_their_fields() -> None:
    """One or many, and staleness apart."""
    one, many, stale = Form({"a": ["1"]}), Form({}), Form({})

    with one.collecting_errors():
        raise errors.Refused("a", "1", "is taken", "Use 2.")
    with many.collecting_errors():
        raise errors.RefusedTogether(
            [errors.Refused("a", "", "missing"), errors.Refused("b", 2, "no")]
        )
    with stale.collecting_errors():
        raise errors.Stale("record R-1", 1, 3, ["Bo put on a gasket"])

    assert (one.error("a"), one.status) == ("“1” is taken. Use 2.", 422)
    assert (many.error("a"), many.error("b")) == ("Missing.", "“2”: no.")
    assert (stale.is_refused, stale.status) == (True, 409)


def test_a_password_is_never_shown_again() -> None:
    """Not even in its own refusal."""
    form = Form({"password": ["hunter two"]})

    form.refuse("password", "is too short")

    assert "hunter" not in form.error("password")


def test_choices_outside_the_list_are_refused() -> None:
    """With the list."""
    form = Form({"role": ["king"], "roles": ["builder", "king"]})

    assert form.choice("role", Role) is None
    assert form.several("roles", Role) == (Role.BUILDER,)
    assert "builder, quality, supervisor, admin" in form.error("role")
    assert form.error("roles").startswith("“king” is not")


# Errors


def test_every_error_of_the_records_has_its_answer() -> None:
    """A new member of the family cannot be forgotten."""
    family = set(errors.LayerbookError.__subclasses__())

    assert family <= {*error_pages.STATUS, errors.Repeated}


@pytest.mark.parametrize(
    ("trouble", "status", "words"),
    [
        (errors.Refused("serial", "A<1", "is taken", "Use A2."), 422, "“A&lt;1”"),
        (errors.RefusedTogether([errors.Refused("b", 2, "no")]), 422, "no"),
        (errors.Stale("R-1", 1, 2, ["Bo put on a gasket"]), 409, "Bo put on a gasket"),
        (errors.NotFound("stack", "X"), 404, "There is no stack “X”."),
        (errors.NotAllowed("record.approve", "You wrote it."), 403, "You wrote it."),
        (errors.Busy(), 503, "try again"),
        (IntegrityError("INSERT secret", {}, Exception("UNIQUE")), 409, "Nothing was changed"),
    ],
)
def test_errors_are_pages_and_parts_in_words(
    app: Any, client: Any, trouble: Exception, status: int, words: str
) -> None:
    """A sheet for a browser, a part in the message line for htmx."""

    @app.get("/troubled")
    def troubled() -> None:
        raise trouble

    page, part = client.get("/troubled"), client.get("/troubled", headers={"hx-request": "true"})

    assert (page.status_code, part.status_code) == (status, status)
    assert words in page.text
    assert words in part.text
    assert "<html" in page.text
    assert "<html" not in part.text
    assert part.headers["hx-retarget"] == "#message"
    assert "secret" not in page.text


def test_a_repeated_entry_goes_where_the_first_went(app: Any, client: Any) -> None:
    """And tells the browser that this key was saved."""

    @app.get("/repeated")
    def repeated(request: Request) -> None:
        request.state.entry_key = "k-1"
        raise errors.Repeated("/records/7")

    page, part = client.get("/repeated"), client.get("/repeated", headers={"hx-request": "true"})

    assert (page.status_code, page.headers["location"]) == (303, "/records/7")
    assert part.headers["hx-redirect"] == "/records/7"
    assert "layerbook_saved=k-1" in page.headers["set-cookie"]


def test_missing_pages_and_wrong_methods_are_pages(client: Any) -> None:
    """Not the framework's JSON."""
    missing, wrong = client.get("/no/such"), client.get("/sign-out")

    assert (missing.status_code, wrong.status_code) == (404, 405)
    assert "<h1>There is no such page</h1>" in missing.text
    assert wrong.headers["allow"] == "POST"
    assert "<html" in wrong.text


def test_the_first_page_leads_to_the_floor(signed_in_client: Any) -> None:
    """Where everybody sees what waits for whom."""
    assert signed_in_client("builder").get("/").headers["location"] == "/floor"


# Settings


def test_a_setting_that_cannot_be_right_says_so(monkeypatch: Any) -> None:
    """By its name."""
    monkeypatch.setenv("LAYERBOOK_ZONE", "Mars/Olympus")

    with pytest.raises(ValueError, match="Mars/Olympus"):
        Settings()


def test_the_database_stands_in_the_data_folder_unless_told_otherwise(monkeypatch: Any) -> None:
    """One setting moves both."""
    monkeypatch.setenv("LAYERBOOK_DATA_FOLDER", "elsewhere")

    assert Settings().database_url == "sqlite:///elsewhere/layerbook.sqlite"
    monkeypatch.setenv("LAYERBOOK_DATABASE_URL", "postgresql://db/layerbook")
    assert Settings().database_url == "postgresql://db/layerbook"


def test_every_setting_says_why() -> None:
    """Name, unit, default, why."""
    for name, field in Settings.model_fields.items():
        assert field.description, name
        assert len(field.description) > 40, name
