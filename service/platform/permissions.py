"""Who may do what: one table. Predicates take loaded facts and never query."""

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum

from service.people.tables import Entered, Role
from service.platform.errors import NotAllowed


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody known: id 0 stands for the command line of the machine's owner.

    ``is_confirmed``: no password made by an admin waits for somebody else to confirm the person.
    ``entered``: what they proved it by.
    """

    id: int
    login: str
    name: str
    roles: frozenset[Role] = field(default_factory=frozenset)
    is_confirmed: bool = True
    entered: Entered = Entered.PASSWORD


@dataclass(frozen=True, slots=True)
class RecordFacts:
    """What permissions need to know of a record or correction."""

    state: str = ""
    written_by: int = 0
    involved: frozenset[int] = field(default_factory=frozenset)


@dataclass(frozen=True, slots=True)
class Answer:
    """Yes, or no and why."""

    yes: bool
    why: str = ""

    def __bool__(self) -> bool:
        """Be true for yes."""
        return self.yes


class Act(StrEnum):
    """Everything that asks for leave."""

    READ = "read"
    """See stacks, parts, records and the trail."""
    RECORD_WRITE = "record.write"
    """Begin a rebuild record and make entries in it."""
    RECORD_APPROVE = "record.approve"
    """Approve a record or send it back."""
    WITNESS_CONFIRM = "witness.confirm"
    """Confirm what one is named for as a witness."""
    WITNESS_WAIVE = "witness.waive"
    """Give leave to do without a witness in a record one had no part in."""
    RECORD_VOID_PROPOSE = "record.void.propose"
    """Propose that a record with entries be made void; one without, its author makes void."""
    RECORD_VOID = "record.void"
    """Confirm that a record with entries is made void, keeping its content."""
    CORRECTION_WRITE = "correction.write"
    """Propose a correction of something handed in."""
    CORRECTION_DECIDE = "correction.decide"
    """Approve or refuse a correction."""
    LOOK_AGAIN = "look.again"
    """Say that one looked again at what rests on a fact corrected since."""
    PART_WRITE = "part.write"
    """Add parts, lots and part types, move parts between places."""
    PART_JUDGE = "part.judge"
    """Say whether a part may be used."""
    HOLD_WRITE = "hold.write"
    """Place a hold."""
    HOLD_LIFT = "hold.lift"
    """Lift a hold."""
    CONCESSION_GIVE = "concession.give"
    """Allow one use in spite of a hold or a missing calibration."""
    DESIGN_WRITE = "design.write"
    """Make and change designs that no stack uses yet."""
    LIMITS_WRITE = "limits.write"
    """Write a new version of a design's limits and figures, and a part type's stiffness."""
    WORDS_WRITE = "words.write"
    """Write a new version of the laboratory's words, and change their pictures."""
    LIMITS_APPROVE = "limits.approve"
    """Put a version of limits and figures in force."""
    CHANGE_APPROVE = "change.approve"
    """Put a proposed stiffness, rule of failing, pattern, tap map or change of words in force."""
    BUILD_RELEASE = "build.release"
    """Release a build to hydrogen."""
    STACK_WRITE = "stack.write"
    """Add stacks and say where they stand."""
    INSTRUMENT_WRITE = "instrument.write"
    """Add instruments and calibrations."""
    USE_JUDGE = "use.judge"
    """Judge what was read with an instrument that cannot be trusted."""
    HOURS_WRITE = "hours.write"
    """Enter hour-meter readings and replace meters."""
    RUN_WRITE = "run.write"
    """Bring in logs of test benches, curves, tap maps and bridged cells."""
    FAILING_RULE = "failing.rule"
    """Write the rule by which an MEA of a design counts as failing."""
    FAILING_CONFIRM = "failing.confirm"
    """Confirm that an MEA is failing, or withdraw it."""
    IMPORT = "import"
    """Bring in lists of parts and existing stacks."""
    PEOPLE_WRITE = "people.write"
    """Add people, change their roles, let them in or shut them out."""
    ROLE_DECIDE = "role.decide"
    """Grant or refuse a role an admin asked for themself."""
    PERSON_CONFIRM = "person.confirm"
    """Confirm that an account whose password an admin made is the person it names."""
    TOKEN_WRITE = "token.write"
    """Make and revoke one's own API tokens."""
    BADGE_WRITE = "badge.write"
    """Make and withdraw one's own badge, choose and withdraw one's own PIN."""
    MAIL_WRITE = "mail.write"
    """Change one's own mail address."""
    TABLET_WRITE = "tablet.write"
    """Enrol shared tablets, on which PINs and badges hold, and withdraw them."""


Predicate = Callable[[Person, RecordFacts], Answer]


def _has(*roles: Role) -> Predicate:
    names = " or ".join(roles)

    def predicate(person: Person, _facts: RecordFacts) -> Answer:
        has_role = bool(person.roles.intersection(roles))
        return Answer(has_role, "" if has_role else f"This needs the role {names}.")

    return predicate


def _had_no_part_in_it(person: Person, facts: RecordFacts) -> Answer:
    if person.id == facts.written_by:
        return Answer(False, "You wrote this yourself: somebody else has to decide on it.")
    if person.id in facts.involved:
        return Answer(
            False,
            "You worked on this, witnessed it, were named in it once or gave a concession it uses:"
            " somebody else has to decide.",
        )
    return Answer(True)


def _made_no_password(person: Person, facts: RecordFacts) -> Answer:
    if person.id and person.id == facts.written_by:
        return Answer(False, "You made this password: somebody else has to confirm the person.")
    return Answer(True)


def _is_confirmed(person: Person, _facts: RecordFacts) -> Answer:
    return Answer(
        person.is_confirmed,
        ""
        if person.is_confirmed
        else "An admin made your password: before you sign or decide anything, somebody else has to"
        " confirm you. Your own page shows how.",
    )


def _is_known(person: Person, _facts: RecordFacts) -> Answer:
    return Answer(bool(person.roles) or person.id > 0, "Sign in first.")


WORKERS = _has(Role.BUILDER, Role.QUALITY, Role.SUPERVISOR)

ALLOWED: dict[Act, tuple[tuple[Predicate, ...], ...]] = {
    Act.READ: ((_is_known,),),
    Act.RECORD_WRITE: ((WORKERS,),),
    Act.RECORD_APPROVE: ((_has(Role.SUPERVISOR), _is_confirmed, _had_no_part_in_it),),
    Act.WITNESS_CONFIRM: ((_is_known, _is_confirmed),),
    Act.WITNESS_WAIVE: ((_has(Role.QUALITY), _is_confirmed, _had_no_part_in_it),),
    Act.RECORD_VOID_PROPOSE: ((WORKERS,),),
    Act.RECORD_VOID: ((_has(Role.SUPERVISOR), _is_confirmed, _had_no_part_in_it),),
    Act.CORRECTION_WRITE: ((WORKERS,),),
    Act.CORRECTION_DECIDE: (
        (_has(Role.SUPERVISOR, Role.QUALITY), _is_confirmed, _had_no_part_in_it),
    ),
    Act.LOOK_AGAIN: ((_has(Role.QUALITY, Role.SUPERVISOR), _is_confirmed),),
    Act.PART_WRITE: ((WORKERS,),),
    Act.PART_JUDGE: ((_has(Role.QUALITY, Role.SUPERVISOR),),),
    Act.HOLD_WRITE: ((WORKERS,),),
    Act.HOLD_LIFT: ((_has(Role.QUALITY), _is_confirmed),),
    Act.CONCESSION_GIVE: ((_has(Role.QUALITY, Role.SUPERVISOR), _is_confirmed),),
    Act.DESIGN_WRITE: ((_has(Role.QUALITY, Role.SUPERVISOR),),),
    Act.LIMITS_WRITE: ((_has(Role.QUALITY, Role.SUPERVISOR),),),
    Act.WORDS_WRITE: ((_has(Role.QUALITY, Role.SUPERVISOR),),),
    Act.LIMITS_APPROVE: ((_has(Role.QUALITY, Role.SUPERVISOR), _is_confirmed, _had_no_part_in_it),),
    Act.CHANGE_APPROVE: ((_has(Role.QUALITY, Role.SUPERVISOR), _is_confirmed, _had_no_part_in_it),),
    Act.BUILD_RELEASE: ((_has(Role.SUPERVISOR), _is_confirmed, _had_no_part_in_it),),
    Act.STACK_WRITE: ((WORKERS,),),
    Act.INSTRUMENT_WRITE: ((_has(Role.QUALITY, Role.SUPERVISOR),),),
    Act.USE_JUDGE: ((_has(Role.QUALITY, Role.SUPERVISOR), _is_confirmed, _had_no_part_in_it),),
    Act.HOURS_WRITE: ((WORKERS,),),
    Act.RUN_WRITE: ((WORKERS,),),
    Act.FAILING_RULE: ((_has(Role.QUALITY, Role.SUPERVISOR),),),
    Act.FAILING_CONFIRM: ((_has(Role.QUALITY, Role.SUPERVISOR),),),
    Act.IMPORT: ((WORKERS,),),
    Act.PEOPLE_WRITE: ((_has(Role.ADMIN), _is_confirmed),),
    Act.ROLE_DECIDE: ((_has(Role.ADMIN), _is_confirmed),),
    Act.PERSON_CONFIRM: ((_is_known, _is_confirmed, _made_no_password),),
    Act.TOKEN_WRITE: ((_is_known,),),
    Act.BADGE_WRITE: ((_is_known,),),
    Act.MAIL_WRITE: ((_is_known,),),
    Act.TABLET_WRITE: ((_has(Role.SUPERVISOR, Role.ADMIN), _is_confirmed),),
}

ALLOWED_BY: dict[Entered, frozenset[Act]] = {
    Entered.PASSWORD: frozenset(Act),
    Entered.PIN: frozenset(
        {
            Act.READ,
            Act.RECORD_WRITE,
            Act.WITNESS_CONFIRM,
            Act.PART_WRITE,
            Act.HOLD_WRITE,
            Act.HOURS_WRITE,
        }
    ),
    Entered.BADGE: frozenset({Act.READ}),
}
"""A PIN enters and witnesses at the bench; a badge only says who is there."""
IN_BY = {
    Entered.PIN: "You are in with your PIN, which is for the bench. Sign in with your password.",
    Entered.BADGE: "A badge only says who is at the bench. Type your PIN, or sign in with your"
    " password.",
}

NOTHING_KNOWN = RecordFacts()


def may(person: Person, act: Act, facts: RecordFacts = NOTHING_KNOWN) -> Answer:
    """Say whether a person may do something, or why not."""
    if act not in ALLOWED_BY[person.entered]:
        return Answer(False, IN_BY[person.entered])
    refusal = Answer(False, "Nobody may do this.")
    for all_of in ALLOWED[act]:
        answers = [predicate(person, facts) for predicate in all_of]
        refusal = next((answer for answer in answers if not answer), Answer(True))
        if refusal:
            return refusal
    return refusal


def need(person: Person, act: Act, facts: RecordFacts = NOTHING_KNOWN) -> None:
    """Raise `NotAllowed` unless the person may do it."""
    answer = may(person, act, facts)
    if not answer:
        raise NotAllowed(act.value, answer.why)


def roles_who_may(act: Act) -> tuple[Role, ...]:
    """Return roles that may do something, each alone, on what its holder had no part in.

    >>> [role.value for role in roles_who_may(Act.HOLD_LIFT)]
    ['quality']
    """
    stranger = [Person(-1, "", "", frozenset({role})) for role in Role]
    return tuple(role for person in stranger for role in person.roles if may(person, act))
