"""Logs of an invented bench as text: semicolons, decimal commas, lines before the headings."""

HEADINGS = ("Zeit (min)", "I (A)", "Betriebsstunden (h)", "T_Stack (°C)")


def a_log(*, hours: int = 4, begins: int = 0, cells: int = 4) -> str:
    """A row a minute: half an hour idle under gas, 70 A, idle; the meter runs from 100 h on."""
    lines = ["Bench 3", "", ";".join([*HEADINGS, *(f"U{at} (V)" for at in range(1, cells + 1))])]
    for minute in range(hours * 60 + 1):
        is_load = 30 <= minute < hours * 60 - 15
        cell = 0.65 if is_load else 0.95
        row = [minute, 70 if is_load else 0, round(100 + begins + minute / 60, 4), 61.5]
        row += [round(cell - at / 1000, 4) for at in range(1, cells + 1)]
        lines.append(";".join(str(value).replace(".", ",") for value in row))
    return "\n".join(lines) + "\n"
