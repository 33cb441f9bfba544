"""Which tables that grow with a laboratory's age would a statement read from end to end?"""

import re
from collections.abc import Collection

from sqlalchemy import Engine

GROWING = (
    "step|torque_reading|rebuild_record|build|build_period|layer|fixing|part|hour_reading"
    "|make_safe_line|finding|stack_test|closing_result|build_release|audit_entry|snapshot"
    "|polarisation_curve|run_reading|hour_report|rule_verdict"
)


def read_whole(engine: Engine, statements: Collection[str]) -> list[str]:
    """What SQLite says of its way through these statements where it reads such a table whole."""
    assert engine.dialect.name == "sqlite"
    assert statements
    with engine.connect() as connection:
        return sorted(
            said.detail
            for statement in set(statements)
            for said in connection.exec_driver_sql(
                f"EXPLAIN QUERY PLAN {statement}", (1,) * statement.count("?")
            )
            if re.match(rf"SCAN ({GROWING})\b", said.detail)
        )
