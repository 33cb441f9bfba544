"""The API's description as lines a person can compare: what is asked for, what is answered.

    python -m tests.house.api_lines > tests/house/api_before.txt     at each release

A line is an operation and one parameter, field of its body or field of an answer; the names of
schemas and their wording do not count, as no caller sees them.
"""

import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

Schema = dict[str, Any]


def api_lines(description: Schema) -> list[str]:
    """Give the lines of an OpenAPI description, sorted."""
    lines: set[str] = set()
    for path, operations in description["paths"].items():
        for method, operation in operations.items():
            name = f"{method.upper()} {path}"
            lines.add(name)
            for one in operation.get("parameters", ()):
                must = " required" if one.get("required") else ""
                kinds = "|".join(sorted(_kinds(one["schema"], description)))
                lines.add(f"{name} {one['in']} {one['name']}: {kinds}{must}")
            body = operation.get("requestBody", {}).get("content", {})
            for content in body.values():
                lines |= {f"{name} sends {x}" for x in _fields(content["schema"], description)}
            for code, answer in operation["responses"].items():
                for content in answer.get("content", {}).values():
                    fields = _fields(content.get("schema", {}), description)
                    lines |= {f"{name} {code} {x}" for x in fields}
    return sorted(lines)


def _resolved(schema: Schema, whole: Schema) -> Schema:
    if "$ref" in schema:
        found: Schema = whole["components"]["schemas"][schema["$ref"].rsplit("/", 1)[1]]
        return found
    return schema


def _choices(schema: Schema, whole: Schema) -> Iterator[Schema]:
    schema = _resolved(schema, whole)
    inner = schema.get("anyOf") or schema.get("oneOf") or schema.get("allOf")
    if inner is None:
        yield schema
    for one in inner or ():
        yield from _choices(one, whole)


def _kinds(schema: Schema, whole: Schema) -> set[str]:
    return {str(one.get("const", one.get("type", "anything"))) for one in _choices(schema, whole)}


def _fields(schema: Schema, whole: Schema, at: str = "", deep: tuple[int, ...] = ()) -> set[str]:
    lines: set[str] = set()
    for one in _choices(schema, whole):
        if id(one) in deep:
            continue
        inside = (*deep, id(one))
        if one.get("type") == "array":
            lines |= _fields(one.get("items", {}), whole, f"{at}[]", inside)
        for name, field in one.get("properties", {}).items():
            must = " required" if name in one.get("required", ()) else ""
            place = f"{at}.{name}" if at else name
            lines.add(f"{place}: {'|'.join(sorted(_kinds(field, whole)))}{must}")
            lines |= _fields(field, whole, place, inside)
    return lines


def described_now() -> list[str]:
    """Give the lines of the API as it is."""
    from service.app import make_app
    from service.settings import Settings

    with tempfile.TemporaryDirectory() as folder:
        app = make_app(Settings(data_folder=Path(folder)))
        lines = api_lines(app.openapi())
        app.state.engine.dispose()
    return lines


if __name__ == "__main__":
    sys.stdout.write("\n".join(described_now()) + "\n")
