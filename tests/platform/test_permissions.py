"""Who may do what: the whole table, and that nobody decides on their own work."""

import pytest

from service.people.tables import Entered, Role
from service.platform.errors import NotAllowed
from service.platform.permissions import ALLOWED, Act, Person, RecordFacts, may, need, roles_who_may

WHO = {
    Act.READ: "bqsa-",
    Act.RECORD_WRITE: "bqs",
    Act.RECORD_APPROVE: "s",
    Act.WITNESS_CONFIRM: "bqsa-",
    Act.RECORD_VOID_PROPOSE: "bqs",
    Act.RECORD_VOID: "s",
    Act.WITNESS_WAIVE: "q",
    Act.CORRECTION_WRITE: "bqs",
    Act.CORRECTION_DECIDE: "qs",
    Act.PART_WRITE: "bqs",
    Act.PART_JUDGE: "qs",
    Act.HOLD_WRITE: "bqs",
    Act.HOLD_LIFT: "q",
    Act.CONCESSION_GIVE: "qs",
    Act.DESIGN_WRITE: "qs",
    Act.LIMITS_WRITE: "qs",
    Act.LIMITS_APPROVE: "qs",
    Act.CHANGE_APPROVE: "qs",
    Act.BUILD_RELEASE: "s",
    Act.STACK_WRITE: "bqs",
    Act.INSTRUMENT_WRITE: "qs",
    Act.HOURS_WRITE: "bqs",
    Act.RUN_WRITE: "bqs",
    Act.FAILING_RULE: "qs",
    Act.FAILING_CONFIRM: "qs",
    Act.IMPORT: "bqs",
    Act.PEOPLE_WRITE: "a",
    Act.ROLE_DECIDE: "a",
    Act.PERSON_CONFIRM: "bqsa-",
    Act.TOKEN_WRITE: "bqsa-",
    Act.BADGE_WRITE: "bqsa-",
    Act.MAIL_WRITE: "bqsa-",
    Act.TABLET_WRITE: "sa",
    Act.WORDS_WRITE: "qs",
    Act.USE_JUDGE: "qs",
    Act.LOOK_AGAIN: "qs",
}
"""By first letters: builder, quality, supervisor, admin; - is somebody known with no role."""
BY_PIN = {
    Act.READ,
    Act.RECORD_WRITE,
    Act.WITNESS_CONFIRM,
    Act.PART_WRITE,
    Act.HOLD_WRITE,
    Act.HOURS_WRITE,
}
"""What is entered and witnessed at the bench; all else needs the password. A badge only reads."""
ROLES = {role.value[0]: frozenset({role}) for role in Role} | {"-": frozenset[Role]()}
DECIDING = (
    Act.RECORD_APPROVE,
    Act.CORRECTION_DECIDE,
    Act.LIMITS_APPROVE,
    Act.BUILD_RELEASE,
    Act.RECORD_VOID,
    Act.CHANGE_APPROVE,
    Act.USE_JUDGE,
)


def somebody(roles: frozenset[Role], key: int = 7) -> Person:
    """Somebody with these roles."""
    return Person(key, "kim", "Kim", roles)


def test_every_act_is_in_the_table() -> None:
    """An act nobody thought about would be nobody's."""
    assert set(WHO) == set(Act) == set(ALLOWED)


@pytest.mark.parametrize("letter", ROLES)
@pytest.mark.parametrize("act", Act)
def test_each_role_may_what_the_table_says(act: Act, letter: str) -> None:
    """No more and no less."""
    assert bool(may(somebody(ROLES[letter]), act)) is (letter in WHO[act])


@pytest.mark.parametrize("letter", ROLES)
@pytest.mark.parametrize("act", Act)
def test_a_pin_enters_and_witnesses_and_a_badge_only_reads(act: Act, letter: str) -> None:
    """Whatever roles they hold: nothing is signed, conceded, lifted or managed by either."""
    by_pin = Person(7, "kim", "Kim", ROLES[letter], entered=Entered.PIN)
    by_badge = Person(7, "kim", "Kim", ROLES[letter], entered=Entered.BADGE)

    assert bool(may(by_pin, act)) is (letter in WHO[act] and act in BY_PIN)
    assert bool(may(by_badge, act)) is (act is Act.READ)


@pytest.mark.parametrize("act", sorted(set(Act) - BY_PIN))
def test_what_a_pin_may_not_says_that_the_password_is_needed(act: Act) -> None:
    """Before anything else: the role may be there."""
    every = Person(7, "kim", "Kim", frozenset(Role), entered=Entered.PIN)

    assert "Sign in with your password" in may(every, act).why


@pytest.mark.parametrize("act", Act)
def test_somebody_unknown_may_nothing(act: Act) -> None:
    """Person 0 without roles is nobody at all."""
    assert not may(Person(0, "", "", frozenset()), act)


@pytest.mark.parametrize("act", DECIDING)
@pytest.mark.parametrize(
    "facts",
    [
        RecordFacts(written_by=7),
        RecordFacts(written_by=3, involved=frozenset({5, 7})),
        RecordFacts(written_by=7, involved=frozenset({7})),
    ],
)
def test_nobody_decides_on_what_they_wrote_or_worked_on(act: Act, facts: RecordFacts) -> None:
    """Whatever roles they hold, admin among them; somebody else with the same roles may."""
    every = frozenset(Role)

    assert not may(somebody(every), act, facts)
    assert may(somebody(every, key=8), act, facts)


@pytest.mark.parametrize("act", Act)
def test_a_refusal_says_why(act: Act) -> None:
    """And carries the act, for the trail of errors."""
    nobody = Person(0, "", "", frozenset())

    with pytest.raises(NotAllowed) as refused:
        need(nobody, act)

    assert refused.value.act == act.value
    assert refused.value.why


@pytest.mark.parametrize("act", Act)
def test_the_roles_named_for_an_act_are_those_that_may(act: Act) -> None:
    """Each by itself; what anybody known may do names every role."""
    named = roles_who_may(act)

    assert set(named) == {role for role in Role if may(Person(7, "x", "X", frozenset({role})), act)}
    assert named == tuple(role for role in Role if role in named), "in the order of the roles"
