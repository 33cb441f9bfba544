"""Reading a drawing in the tests."""

import re
from collections import Counter
from xml.etree.ElementTree import Element, fromstring

SVG = "{http://www.w3.org/2000/svg}"


def parsed(drawing: str) -> Element:
    """The drawing as a tree; fails where it is not well-formed or breaks a rule of every page."""
    tree = fromstring(drawing)  # noqa: S314  # our own drawing
    ids = Counter(element.get("id") for element in tree.iter() if element.get("id"))
    assert max(ids.values()) == 1, "every id once"
    used = set(re.findall(r'url\(#([^)]+)\)|href="#([^"]+)"', drawing))
    assert {a or b for a, b in used} <= set(ids), "every reference has its target"
    for element in tree.iter():
        assert element.tag != f"{SVG}style"
        assert "style" not in element.attrib
        assert not any(name.startswith("on") for name in element.attrib)
        for name in ("x", "y", "width", "height", "cx", "cy", "r"):
            value = element.get(name, "0")
            assert re.fullmatch(r"-?\d+(\.\d+)?", value), f"{name} is {value}"
    named_by = tree.get("aria-labelledby", "").split()
    assert named_by
    assert set(named_by) <= set(ids)
    return tree


def with_class(tree: Element, name: str) -> list[Element]:
    return [element for element in tree.iter() if name in element.get("class", "").split()]


def title_of(element: Element) -> str:
    return element.findtext(f"{SVG}title") or ""


def words(tree: Element) -> list[str]:
    """All lines of text in the drawing."""
    return ["".join(element.itertext()) for element in tree.iter(f"{SVG}text")]
