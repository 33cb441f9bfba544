"""Builds released to hydrogen by a supervisor, once nothing keeps the gate shut."""

from sqlalchemy import select

from service.demo.days import When
from service.demo.lab import Lab
from service.demo.people import PASSPHRASE
from service.proof.changes.releases import release_build
from service.proof.queries.releases import gate
from service.stacks.tables.stacks import Build


def release(lab: Lab, when: When, name: str, by: str) -> None:
    """Release the build that a record made."""
    with lab.work(when, by) as work:
        build_id = work.session.scalars(
            select(Build.id).where(Build.record_id == lab.records[name])
        ).one()
        release_build(
            work,
            build_id,
            set_points_sha256=gate(work.session, build_id).set_points_sha256,
            password=PASSPHRASE,
        )
