"""Which columns of a log or sweep say what, as somebody asks for at a terminal."""

from pathlib import Path

from sqlalchemy import Engine

from service.commands import terminal
from service.platform.arithmetic.errors import TradeError
from service.platform.database import reading
from service.platform.errors import Refused
from service.runs.arithmetic.log_columns import Mapping, mapping_from_json
from service.runs.files.logs import guess_log
from service.runs.files.logs_format import LogFormat
from service.runs.queries.runs import kept_mapping


def columns_wished(engine: Engine, written: LogFormat, wish: str | None) -> tuple[Mapping, bool]:
    """Return the columns somebody named, or a guess and that it is one; every doubt is said."""
    if wish is None:
        guess = guess_log(written)
        for doubt in guess.doubts:
            terminal.say(f"doubtful, {doubt.about}: {doubt.why}")
        return guess.mapping, True
    if Path(wish).is_file():
        try:
            return mapping_from_json(Path(wish).read_text("utf-8")), False
        except (TradeError, UnicodeDecodeError) as trouble:
            raise Refused("--mapping", wish, str(trouble)) from None
    with reading(engine) as session:
        return kept_mapping(session, wish).mapping, False
