"""Declared fields: one frozen dataclass describes a table of a TOML file or a row of settings.

Each field carries its kind, unit, limits and help text. Parsing, messages for the user and
the reference pages are all derived from these declarations, so they cannot drift apart.
"""

import dataclasses
import datetime as dt
import difflib
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

T = TypeVar("T")

REQUIRED: Any = dataclasses.MISSING


@dataclass(frozen=True, slots=True, kw_only=True)
class Spec:
    """What is allowed in one field.

    Attributes
    ----------
    kind : str
        Name of a kind in `KINDS`.
    help : str
        One line for the reference page.
    unit : str
        Unit of a bare number, empty where there is none.
    low, high : float or None
        Allowed range, ends included.
    above : float or None
        Lower limit that is itself not allowed.
    choices : tuple of str
        Allowed words; empty where any text will do.
    table : type or None
        Dataclass of a nested table.
    """

    kind: str
    help: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    above: float | None = None
    choices: tuple[str, ...] = ()
    table: type | None = None


def declared(kind: str, default: Any = REQUIRED, *, help: str, **limits: Any) -> Any:  # noqa: ANN401
    """Declare one field of a table: its kind, default, unit, limits and help."""
    spec = Spec(kind=kind, help=help, **limits)
    if default is REQUIRED:
        return dataclasses.field(metadata={"spec": spec})
    if isinstance(default, (dict, list)):
        return dataclasses.field(default_factory=default.copy, metadata={"spec": spec})
    return dataclasses.field(default=default, metadata={"spec": spec})


def specs(table: type) -> dict[str, Spec]:
    """Return the declared fields of a table by name."""
    return {f.name: f.metadata["spec"] for f in dataclasses.fields(table) if "spec" in f.metadata}


def nearest(word: str, known: Iterable[str]) -> str:
    """Return a clause that names the nearest known word, or all of them."""
    known = sorted(known)
    close = difflib.get_close_matches(word, known, n=1, cutoff=0.6)
    if close:
        return f"did you mean '{close[0]}'?"
    return "known here: " + ", ".join(known) + "."


def parse(table: type[T], given: Mapping[str, Any], *, where: str, problems: list[str]) -> T | None:
    """Build a table from untrusted values, collecting every problem as a sentence.

    Parameters
    ----------
    table : type
        Dataclass whose fields were made with `declared`.
    given : mapping
        Keys and values as read from a file.
    where : str
        Start of each sentence, such as ``study.toml, [[measure]] 2``.
    problems : list of str
        Sentences are appended here.

    Returns
    -------
    object or None
        The table, or None if there was any problem.
    """
    before = len(problems)
    known = specs(table)
    problems.extend(
        f"{where}: unknown key '{key}'; {nearest(str(key), known)}"
        for key in given
        if key not in known
    )
    values: dict[str, Any] = {}
    for field in dataclasses.fields(table):  # type: ignore[arg-type]  # T is a dataclass type
        spec = known.get(field.name)
        if spec is None:
            continue
        if field.name in given:
            spot = f"{where}, {field.name}"
            values[field.name] = _convert(spec, given[field.name], spot, problems)
        elif field.default is REQUIRED and field.default_factory is REQUIRED:
            problems.append(f"{where}: '{field.name}' is missing; it is {spec.help}.")
    if len(problems) > before:
        return None
    try:
        return table(**values)
    except ValueError as error:
        # A table's own __post_init__ checks what concerns several fields together.
        problems.append(f"{where}: {error}")
        return None


def _convert(spec: Spec, value: Any, where: str, problems: list[str]) -> Any:  # noqa: ANN401
    if spec.kind == "table":
        if not isinstance(value, Mapping):
            problems.append(f"{where}: found {value!r}; must be a table.")
            return None
        nested: Any = spec.table
        return parse(nested, value, where=where, problems=problems)
    if spec.kind == "tables":
        if not isinstance(value, list) or not all(isinstance(item, Mapping) for item in value):
            problems.append(f"{where}: found {value!r}; must be a list of tables.")
            return None
        each: Any = spec.table
        return tuple(
            parse(each, item, where=f"{where} {number}", problems=problems)
            for number, item in enumerate(value, 1)
        )
    try:
        return KINDS[spec.kind](value, spec)
    except ValueError as error:
        problems.append(f"{where}: found {value!r}; must be {error}.")
        return None


def _number(value: Any, spec: Spec) -> float:  # noqa: ANN401
    unit = f" {spec.unit}" if spec.unit else ""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        message = f"a finite number{' in' + unit if unit else ''}"
        raise ValueError(message)
    if spec.above is not None and value <= spec.above:
        message = f"above {spec.above:g}{unit}"
        raise ValueError(message)
    if spec.low is not None and value < spec.low:
        message = f"at least {spec.low:g}{unit}"
        raise ValueError(message)
    if spec.high is not None and value > spec.high:
        message = f"at most {spec.high:g}{unit}"
        raise ValueError(message)
    return float(value)


def _integer(value: Any, spec: Spec) -> int:  # noqa: ANN401
    if isinstance(value, bool) or not isinstance(value, int):
        message = "a whole number"
        raise ValueError(message)  # one kind of error for every fault
    _number(value, spec)
    return value


def _text(value: Any, spec: Spec) -> str:  # noqa: ANN401
    if not isinstance(value, str) or not value.strip():
        message = "a text that is not empty"
        raise ValueError(message)
    if spec.choices and value not in spec.choices:
        message = "one of " + ", ".join(spec.choices) + f" ({nearest(value, spec.choices)})"
        raise ValueError(message)
    return value


def _texts(value: Any, spec: Spec) -> tuple[str, ...]:  # noqa: ANN401
    if not isinstance(value, (list, tuple)) or not value:
        message = "a list of texts"
        raise ValueError(message)
    return tuple(_text(item, spec) for item in value)


def _one_or_more_texts(value: Any, spec: Spec) -> tuple[str, ...]:  # noqa: ANN401
    return _texts([value] if isinstance(value, str) else value, spec)


def _yes_no(value: Any, spec: Spec) -> bool:  # noqa: ANN401
    if not isinstance(value, bool):
        message = "true or false"
        raise ValueError(message)
    return value


def _date(value: Any, spec: Spec) -> dt.date:  # noqa: ANN401
    if isinstance(value, dt.datetime):
        return value.date()
    if isinstance(value, dt.date):
        return value
    if isinstance(value, str):
        try:
            return dt.date.fromisoformat(value)
        except ValueError:
            pass
    message = "a date such as 2026-02-11"
    raise ValueError(message)


def _numbers(value: Any, spec: Spec, count: int, shape: str) -> tuple[float, ...]:  # noqa: ANN401
    if not isinstance(value, (list, tuple)) or len(value) != count:
        message = f"{shape}, {count} numbers"
        raise ValueError(message)
    return tuple(_number(item, spec) for item in value)


def _rectangle(value: Any, spec: Spec) -> tuple[float, float, float, float]:  # noqa: ANN401
    x0, y0, x1, y1 = _numbers(value, spec, 4, "[x0, y0, x1, y1] in pixels")
    if x1 <= x0 or y1 <= y0 or min(x0, y0) < 0:
        message = "[x0, y0, x1, y1] in pixels with 0 <= x0 < x1 and 0 <= y0 < y1"
        raise ValueError(message)
    return x0, y0, x1, y1


def _segment(value: Any, spec: Spec) -> tuple[float, float, float, float]:  # noqa: ANN401
    x0, y0, x1, y1 = _numbers(value, spec, 4, "[x0, y0, x1, y1] in pixels")
    if (x0, y0) == (x1, y1):
        message = "[x0, y0, x1, y1] in pixels, two different points"
        raise ValueError(message)
    return x0, y0, x1, y1


def _rectangles(value: Any, spec: Spec) -> dict[str, tuple[float, float, float, float]]:  # noqa: ANN401
    if not isinstance(value, Mapping) or not value:
        message = "a table of names with [x0, y0, x1, y1] each"
        raise ValueError(message)
    return {str(name): _rectangle(item, spec) for name, item in value.items()}


def _segments(value: Any, spec: Spec) -> dict[str, tuple[float, float, float, float]]:  # noqa: ANN401
    if not isinstance(value, Mapping) or not value:
        message = "a table of names with [x0, y0, x1, y1] each"
        raise ValueError(message)
    return {str(name): _segment(item, spec) for name, item in value.items()}


def _size(value: Any, spec: Spec) -> tuple[int, int]:  # noqa: ANN401
    whole = isinstance(value, (list, tuple)) and all(
        isinstance(v, int) and not isinstance(v, bool) and v > 0 for v in value
    )
    if not whole or len(value) != 2:
        message = "[width, height] in whole pixels above 0"
        raise ValueError(message)
    return int(value[0]), int(value[1])


def _xy(value: Any, spec: Spec) -> tuple[float, float]:  # noqa: ANN401
    if not isinstance(value, Mapping) or set(value) != {"x", "y"}:
        message = "{ x = ..., y = ... }"
        raise ValueError(message)
    return _number(value["x"], spec), _number(value["y"], spec)


def _number_list(value: Any, spec: Spec) -> tuple[float, ...]:  # noqa: ANN401
    if not isinstance(value, (list, tuple)) or not value:
        message = "a list of numbers"
        raise ValueError(message)
    return tuple(_number(item, spec) for item in value)


def _number_or_word(value: Any, spec: Spec) -> float | str:  # noqa: ANN401
    if isinstance(value, str):
        return _text(value, spec)
    try:
        return _number(value, spec)
    except ValueError as error:
        message = f"{error}, or one of " + ", ".join(spec.choices)
        raise ValueError(message) from None


def _anything(value: Any, spec: Spec) -> Any:  # noqa: ANN401
    return value


KINDS: dict[str, Callable[[Any, Spec], Any]] = {
    "number": _number,
    "integer": _integer,
    "text": _text,
    "texts": _texts,
    "yes-no": _yes_no,
    "date": _date,
    "rectangle": _rectangle,
    "rectangles": _rectangles,
    "segment": _segment,
    "segments": _segments,
    "size": _size,
    "xy": _xy,
    "numbers": _number_list,
    "number-or-word": _number_or_word,
    # Images that belong to a measurement (open light, dark, ...), paths inside the images folder.
    "frames": _one_or_more_texts,
    "anything": _anything,
}
