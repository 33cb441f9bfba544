"""Leads of a tap map: each channel to its cell, what differs told apart."""

from service.taps.drawings import Lead, draw_leads
from tests.platform.svg import SVG, parsed, title_of, with_class, words


def test_every_channel_has_its_lead_and_what_differs_is_marked() -> None:
    leads = [Lead(1, 1), Lead(2, 3), Lead(3, 2), Lead(4, None)]

    tree = parsed(draw_leads(leads, [1, 2, 3, 4], title="Taps of TARN-001"))

    told = {title_of(group) for group in tree.iter(f"{SVG}g")}
    assert told == {
        "Channel 1 reads cell 1",
        "Channel 2 reads cell 3",
        "Channel 3 reads cell 2",
        "Channel 4 reads no cell",
    }
    assert len(with_class(tree, "d-act")) == 3, "two crossed leads, one cell struck through"
    assert words(tree).count("4") == 2
    assert tree.findtext(f"{SVG}desc") == (
        "4 channels and 4 cells; 2 read a cell of another number, 1 read none; "
        "cells read by no channel: 1."
    )


def test_a_long_pile_has_its_places_closer_and_not_every_number() -> None:
    leads = [Lead(number, number) for number in range(1, 111)] + [Lead(111, 112), Lead(112, 111)]

    tree = parsed(draw_leads(leads, range(1, 113), title="Taps"))

    assert "wide" in tree.get("class", "")
    assert words(tree).count("39") == 2
    assert words(tree).count("110") == 2
    assert words(tree).count("109") == 0
    assert words(tree).count("111") == 2, "what is marked has its number"


def test_a_map_without_channels_or_a_stack_without_cells_is_drawn_empty() -> None:
    assert with_class(parsed(draw_leads([], [], title="Taps")), "d-act") == []
    assert len(with_class(parsed(draw_leads([Lead(1, 9)], [1], title="Taps")), "d-act")) == 1
