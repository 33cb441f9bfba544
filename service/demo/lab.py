"""What the invented history is played on: the database, its days, and what was made so far."""

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from itertools import count
from pathlib import Path
from random import Random
from typing import NamedTuple

from argon2 import PasswordHasher
from sqlalchemy import Engine

from service.bench.changes.proposals import approve_proposal
from service.demo.days import Days, When
from service.designs.arithmetic.pile import Layer
from service.designs.queries import DesignEntry
from service.people.changes.people import add_person
from service.people.tables import Role
from service.platform.database import Work, changing
from service.platform.permissions import Person
from service.runs.arithmetic.log_columns import Mapping
from service.store.tables import ProposedChange

# The people of the invented laboratory. Nobody of these names is meant.


LAB_NAME = "Tarnfield Electrochemistry Lab (invented)"


ZONE = "Europe/Dublin"


PASSPHRASE = "invented lab, dry air"  # noqa: S105 - see below
"""The same for everybody and known to all the world: the demo listens on this machine only."""


PIN = "508213"
"""Everybody's at the shared tablet of the demo, known to all the world like the passphrase."""


TABLET = "bench 2"


QUICK = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
"""Hashing slowly what everybody may read here would protect nothing."""


OWNER = Person(0, "", "command line", frozenset(Role))


@dataclass(frozen=True, slots=True)
class Somebody:
    """One person of the invented laboratory."""

    login: str
    name: str
    role: Role


PEOPLE = (
    Somebody("dev", "Dev Marlow", Role.ADMIN),
    Somebody("mira", "Mira Solberg", Role.BUILDER),
    Somebody("anton", "Anton Reyes", Role.BUILDER),
    Somebody("keiko", "Keiko Brandt", Role.QUALITY),
    Somebody("olu", "Olu Hart", Role.SUPERVISOR),
    Somebody("petra", "Petra Niemi", Role.SUPERVISOR),
)


def add(work: Work, somebody: Somebody) -> Person:
    """Add one of them; give them as permissions know them."""
    roles = frozenset({somebody.role})
    number = add_person(work, somebody.login, somebody.name, roles, PASSPHRASE, hasher=QUICK)
    return Person(number, somebody.login, somebody.name, roles)


@dataclass(slots=True)
class Lab:
    """The laboratory while its history is played; names lead to the numbers of rows."""

    engine: Engine
    days: Days
    folder: Path
    people: dict[str, Person] = field(default_factory=lambda: {"": OWNER})
    designs: dict[str, int] = field(default_factory=dict)
    types: dict[str, int] = field(default_factory=dict)
    lots: dict[str, int] = field(default_factory=dict)
    parts: dict[str, int] = field(default_factory=dict)
    instruments: dict[str, int] = field(default_factory=dict)
    stacks: dict[str, int] = field(default_factory=dict)
    design_of: dict[str, DesignEntry] = field(default_factory=dict)
    records: dict[str, int] = field(default_factory=dict)
    hashes: dict[str, str] = field(default_factory=dict)
    limits: dict[str, int] = field(default_factory=dict)
    """by the name of the design: the version written last"""
    holds: dict[str, int] = field(default_factory=dict)
    lists: dict[str, int] = field(default_factory=dict)
    """make-safe lists of the site by their place"""
    mappings: dict[str, Mapping] = field(default_factory=dict)
    """by the serial of a stack: through which its bench's logs are read"""
    lifted: dict[str, list[Layer]] = field(default_factory=dict)
    """by the name of the event: layers which were lifted off in it"""
    chance: Random = field(default_factory=lambda: Random(25))  # noqa: S311 - scatter of readings
    shelves: dict[str, Iterator[int]] = field(default_factory=lambda: defaultdict(lambda: count(1)))

    @contextmanager
    def work(self, when: When | datetime, by: str) -> Iterator[Work]:
        """Open one change of state by somebody, written down at a moment of the history."""
        at = when if isinstance(when, datetime) else self.days.at(when)
        via = "page" if by else "command"
        with changing(self.engine, self.people[by], via=via, now=at) as work:
            yield work

    def next_of(self, key: str) -> str:
        """Return the next serial of a part type from the shelf, in the order of delivery."""
        return serial(key, next(self.shelves[key]))


def put_in_force(lab: Lab, when: When, proposed: Sequence[int]) -> None:
    """Let Olu approve what somebody else proposed."""
    with lab.work(when, "olu") as work:
        for proposal_id in proposed:
            content = work.session.get_one(ProposedChange, proposal_id).content_sha256
            approve_proposal(work, proposal_id, content_sha256=content, password=PASSPHRASE)


def serial(key: str, number: int) -> str:
    """Return a serial number: the key of the part's type and a running number."""
    return f"{key}-{number:04}"


class Entry(NamedTuple):
    """Something that happened: when, what it is called while it is played, and the playing."""

    when: When
    title: str
    play: Callable[[Lab, When], None]
