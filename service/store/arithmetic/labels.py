"""How a part is called where its serial number or its lot is all there is."""


def part_label(serial: str | None, lot: str | None, item_number: int | None) -> str:
    """What does a person read for a part? Its serial, or its lot with the item's number.

    >>> part_label("TEL-M-0012", "M-4", None), part_label(None, "S-31", 7)
    ('TEL-M-0012', 'S-31 item 7')
    """
    if serial is not None:
        return serial
    return f"{lot or 'lot not known'} item {item_number}"
