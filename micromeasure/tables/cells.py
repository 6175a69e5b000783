"""How numbers and texts become cells of a CSV file, and back.

An empty cell is an unknown. A text that a spreadsheet would run as a formula gets an
apostrophe in front; `restored_text` takes it away again, exactly.
"""

import math
import re
import string

SIGNIFICANT_DIGITS = 10

_FORMULA = re.compile(r"'*[=+\-@\t\r]")
_QUOTED_FORMULA = re.compile(r"'+[=+\-@\t\r]")
# Nearly every text begins so, and then needs no closer look.
_SAFE_START = frozenset({"", *string.ascii_letters, *string.digits})
# "-1" and "+0.5e3" are numbers to every spreadsheet and stay as they are.
_PLAIN_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?\Z")


def number_cell(value: float | None) -> str:
    """Write a number with ten significant digits; empty where it is unknown.

    Parameters
    ----------
    value : float or None
        NaN and infinity count as unknown.
    """
    if value is None or not math.isfinite(value):
        return ""
    return f"{value:.{SIGNIFICANT_DIGITS}g}"


def dof_cell(value: float) -> str:
    """Write degrees of freedom; ``INF`` where the uncertainty is taken as known."""
    return "INF" if math.isinf(value) else number_cell(value)


def count_cell(value: int | None) -> str:
    """Write a count; empty where there is none."""
    return "" if value is None else str(int(value))


def text_cell(text: str) -> str:
    """Write a text so that no spreadsheet runs it as a formula."""
    if text[:1] in _SAFE_START:
        return text
    if _FORMULA.match(text) and not _PLAIN_NUMBER.match(text):
        return "'" + text
    return text


def restored_text(cell: str) -> str:
    """Return the text that `text_cell` was given."""
    if not cell.startswith("'"):
        return cell
    return cell[1:] if _QUOTED_FORMULA.match(cell) else cell
