"""The people of the invented laboratory. Nobody of these names is meant."""

from dataclasses import dataclass

from argon2 import PasswordHasher

from service.people.changes.people import add_person
from service.people.tables import Role
from service.platform.database import Work
from service.platform.permissions import Person

LAB_NAME = "Tarnfield Electrochemistry Lab (invented)"
ZONE = "Europe/Dublin"
PASSPHRASE = "invented lab, dry air"  # noqa: S105 - see below
"""The same for everybody and known to all the world: the demo listens on this machine only."""
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
