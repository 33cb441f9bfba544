"""How Alembic runs here: one database, one lock, one transaction a step, triggers laid again.

Started by ``layerbook migrate`` with a connection of its own, or by the ``alembic`` command, which
takes the database from the settings or from ``-x url=…``.
"""

import warnings
from typing import Any

from alembic import context
from sqlalchemy import Connection

from service.operation.migrating import connected, triggers
from service.operation.tables import metadata
from service.settings import Settings


def run(connection: Connection) -> None:
    """Run the steps asked for."""

    def lay_triggers(**_step: Any) -> None:
        triggers().lay(connection)

    def lift_triggers() -> None:
        triggers().lift(connection)

    context.configure(
        connection=connection,
        target_metadata=metadata,
        render_as_batch=connection.dialect.name == "sqlite",
        transaction_per_migration=True,
        compare_server_default=True,
        on_version_apply=lay_triggers,
        lift_triggers=lift_triggers,
        autogenerate_plugins=["alembic.autogenerate.*", "alembic.ext.checkconstraint_byname"],
    )
    with warnings.catch_warnings(), context.begin_transaction():
        # A batch change of SQLite reads the tables a table names, and cannot read person's index
        # on lower(login). Rebuilding person itself would lose that index: a test looks for it.
        warnings.filterwarnings("ignore", message=".*expression-based index")
        context.run_migrations()


if context.is_offline_mode():
    raise SystemExit("Migrations look at the database they change: --sql is not offered.")

given = context.config.attributes.get("connection")
if given is not None:
    run(given)
else:
    url = context.get_x_argument(as_dictionary=True).get("url") or Settings().database_url
    with connected(url) as own:
        run(own)
