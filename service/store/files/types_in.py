"""Which part type a row of a list means: by name, by drawing number and revision, or by kind."""

import difflib
from collections.abc import Sequence

from service.platform.errors import Refused
from service.store.queries.part_types import PartTypeFacts


class TypeFinder:
    """Finds part types among those known, once for a whole list."""

    def __init__(self, types: Sequence[PartTypeFacts], default_id: int | None = None) -> None:
        self.default = next((one for one in types if one.id == default_id), None)
        self.by_name: dict[str, list[PartTypeFacts]] = {}
        self.by_drawing: dict[str, list[PartTypeFacts]] = {}
        self.by_kind: dict[str, list[PartTypeFacts]] = {}
        self.whole: dict[str, PartTypeFacts] = {}
        for one in types:
            self.by_name.setdefault(_key(one.name), []).append(one)
            self.by_drawing.setdefault(_key(one.drawing_number), []).append(one)
            self.by_kind.setdefault(_key(one.kind), []).append(one)
            for between in (" ", " rev. ", " rev ", "-", "/", "_", ""):
                self.whole.setdefault(_key(one.drawing_number + between + one.revision), one)

    def find(self, name: str, drawing: str, revision: str) -> PartTypeFacts:
        """The part type a row means. Raises Refused, naming what comes nearest."""
        if not (name or drawing):
            if self.default is None:
                right = "A column with it, or one part type for all rows."
                raise Refused("part_type", "", "no part type is given.", right)
            return self.default
        found = self._by_drawing(drawing) if drawing else []
        if not found and name:
            found = self._by_word(name)
        if not found:
            raise self._unknown(name, drawing)
        if revision:
            of_revision = [one for one in found if _key(one.revision) == _key(revision)]
            if not of_revision:
                known = ", ".join(sorted({one.revision for one in found}))
                raise Refused("revision", revision, "it has no such revision.", f"Known: {known}.")
            found = of_revision
        if len(found) > 1:
            known = "; ".join(f"{one.name}, {one.drawing}" for one in found[:6])
            field, said = ("drawing_number", drawing) if drawing else ("part_type", name)
            right = f"Drawing number and revision would tell: {known}."
            raise Refused(field, said, "several part types go by it.", right)
        return found[0]

    def _by_drawing(self, drawing: str) -> list[PartTypeFacts]:
        whole = self.whole.get(_key(drawing))
        return self.by_drawing.get(_key(drawing)) or ([whole] if whole else [])

    def _by_word(self, word: str) -> list[PartTypeFacts]:
        key = _key(word)
        return self.by_name.get(key) or self._by_drawing(word) or self.by_kind.get(key, [])

    def _unknown(self, name: str, drawing: str) -> Refused:
        field, said = ("part_type", name) if name else ("drawing_number", drawing)
        known = [*self.by_name, *self.by_drawing]
        near = difflib.get_close_matches(_key(said), known, n=3, cutoff=0.5)
        named = [self._shown(key) for key in near]
        right = "Nearest: " + ", ".join(named) + "." if named else "Make the part type first."
        return Refused(field, said, "there is no part type of this name or drawing.", right)

    def _shown(self, key: str) -> str:
        if key in self.by_name:
            return self.by_name[key][0].name
        return self.by_drawing[key][0].drawing_number


def _key(text: str) -> str:
    return " ".join(text.casefold().split())
