"""``layerbook migrate``: bring the database to the tables this version needs."""

from sqlalchemy.engine import make_url

from service.commands import terminal


def migrate() -> None:
    """Bring the database to the tables this version needs; an empty one gets them."""
    from service.operation.migrating import revision_of
    from service.platform.database import now_utc, tending
    from service.stacks.changes.build_features import fill_makeups

    given = terminal.settings()
    with terminal.database(given, migrate_older=True) as engine:
        revision = revision_of(engine)
        with tending(engine) as session:
            gathered = sum(fill_makeups(session, now_utc()))
    print(f"{make_url(given.database_url).render_as_string()} is up to date (step {revision}).")
    if gathered:
        print(f"What comparisons need was gathered of {gathered} builds.")
