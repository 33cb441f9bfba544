"""``python -m tests.house.counts``: how large the house is, and how far a change reaches.

Code lines are lines of a statement that is neither an import nor a docstring; the invented lab and
the generator are counted apart. How far a change reaches is read from the code: the files that name
a fact which came in as such a change.
"""

import ast
import io
import re
import sys
import tokenize
from collections.abc import Iterator
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Self

ROOT = Path(__file__).parents[2]
APART = ("demo", "generate")
FIELD_OF_A_PART = re.compile(r"measured_thickness")
KIND_OF_ENTRY = re.compile(r"closing_check|check_closing|CLOSING_CHECK")
MOST_IN_A_FOLDER = 25
SUFFIXES = (".py", ".html")


@dataclass(frozen=True, slots=True)
class Lines:
    """Lines of one or more files, by what stands on them."""

    code: int = 0
    imports: int = 0
    docstrings: int = 0
    comments: int = 0
    whole: int = 0

    def __add__(self, other: Self) -> "Lines":
        """Add file to file."""
        return Lines(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(Lines)))


def lines_of(text: str) -> Lines:
    """Count the lines of one module."""
    tree = ast.parse(text)
    imports, docstrings = set(), set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import | ast.ImportFrom):
            imports |= set(range(node.lineno, (node.end_lineno or node.lineno) + 1))
        elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            docstrings |= set(range(node.lineno, (node.end_lineno or node.lineno) + 1))
    comments, code = set(), set()
    skipped = (tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT, tokenize.ENDMARKER)
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type == tokenize.COMMENT:
            comments.add(token.start[0])
        elif token.type not in skipped:
            code |= set(range(token.start[0], token.end[0] + 1))
    code -= imports | docstrings
    return Lines(
        len(code), len(imports), len(docstrings), len(comments - code), len(text.splitlines())
    )


def modules() -> Iterator[Path]:
    """List the modules of the service, without caches."""
    yield from sorted((ROOT / "service").rglob("*.py"))


def files_naming(what: re.Pattern[str]) -> list[str]:
    """List product files that name something."""
    found = []
    for base in ("service", "templates"):
        for path in sorted((ROOT / base).rglob("*")):
            apart = path.relative_to(ROOT).parts[1] in APART
            if path.suffix in SUFFIXES and not apart and what.search(path.read_text()):
                found.append(str(path.relative_to(ROOT)))
    return found


def crowded() -> list[str]:
    """List folders that show more files than somebody takes in."""
    out = []
    for base in ("service", "templates", "tests"):
        for folder in sorted({p.parent for p in (ROOT / base).rglob("*") if p.suffix in SUFFIXES}):
            shown = [
                p for p in folder.iterdir() if p.suffix in SUFFIXES and p.name != "__init__.py"
            ]
            if len(shown) > MOST_IN_A_FOLDER:
                out.append(f"{folder.relative_to(ROOT)} ({len(shown)})")
    return out


def main() -> None:
    """Print all counts."""
    product, apart, files, packages = Lines(), Lines(), 0, 0
    for path in modules():
        counted = lines_of(path.read_text())
        if path.relative_to(ROOT).parts[1] in APART:
            apart += counted
            continue
        product += counted
        packages += path.name == "__init__.py"
        files += path.name != "__init__.py"
    say = sys.stdout.write
    say(f"files                 {files}, and {packages} packages with a docstring\n")
    say(f"code lines            {product.code}\n")
    say(f"import lines          {product.imports} = {product.imports / product.whole:.1%} of all\n")
    say(f"docstring lines       {product.docstrings}\n")
    say(f"comment lines         {product.comments}\n")
    say(f"lab and generator     {apart.code} code lines\n")
    for name, what in (("a field of a part", FIELD_OF_A_PART), ("a kind of entry", KIND_OF_ENTRY)):
        naming = files_naming(what)
        say(f"{name:<22}{len(naming)} files\n")
        if "-v" in sys.argv:
            say("".join(f"    {path}\n" for path in naming))
    say(f"crowded folders       {', '.join(crowded()) or 'none'}\n")


if __name__ == "__main__":
    main()
