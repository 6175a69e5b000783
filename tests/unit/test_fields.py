from dataclasses import dataclass

import pytest

from micromeasure.fields import KINDS, Spec, declared, nearest, parse, specs


@dataclass(frozen=True, slots=True, kw_only=True)
class Inner:
    depth: float = declared("number", unit="um", above=0, help="depth of it")


@dataclass(frozen=True, slots=True, kw_only=True)
class Outer:
    name: str = declared("text", help="its name")
    count: int = declared("integer", 3, low=1, help="how many")
    kind: str = declared("text", "plain", choices=("plain", "fancy"), help="which")
    inner: Inner | None = declared("table", None, table=Inner, help="more")


def problems_of(given):
    problems = []
    table = parse(Outer, given, where="a.toml", problems=problems)
    assert (table is None) == bool(problems)
    return table, problems


def test_defaults_and_nested_tables():
    table, _ = problems_of({"name": "x", "inner": {"depth": 2}})
    assert table == Outer(name="x", count=3, kind="plain", inner=Inner(depth=2.0))


def test_all_problems_are_reported_at_once_each_with_its_place():
    _, problems = problems_of({"cuont": 2, "count": 0, "kind": "fance", "inner": {"depth": -1}})
    text = "\n".join(problems)
    assert "a.toml: unknown key 'cuont'; did you mean 'count'?" in text
    assert "a.toml: 'name' is missing; it is its name." in text
    assert "a.toml, count: found 0; must be at least 1." in text
    assert "did you mean 'fancy'?" in text
    assert "a.toml, inner, depth: found -1; must be above 0 um." in text
    assert len(problems) == 5


@pytest.mark.parametrize("value", [True, "3", None, float("nan"), float("inf"), [1]])
def test_a_number_is_a_finite_number(value):
    _, problems = problems_of({"name": "x", "inner": {"depth": value}})
    assert "finite number" in problems[0]


@pytest.mark.parametrize(
    ("kind", "good", "bad"),
    [
        ("rectangle", [0, 1, 5, 6], [[5, 1, 0, 6], [0, 1, 5], [-1, 0, 5, 6], "0 1 5 6"]),
        ("segment", [5, 6, 0, 1], [[1, 2, 1, 2], [1, 2, 3]]),
        ("rectangles", {"K": [0, 0, 1, 1]}, [{}, [0, 0, 1, 1], {"K": [0, 0, 0, 1]}]),
        ("size", [640, 480], [[640], [640.0, 480], [0, 480], [True, 480]]),
        ("xy", {"x": 1, "y": 2}, [{"x": 1}, [1, 2], {"x": 1, "y": "2"}]),
        ("texts", ["a", "b"], [[], "a", [""], [1]]),
        ("frames", "a.tif", [[], 3, ""]),
        ("date", "2026-02-11", ["11.2.2026", 20260211]),
        ("yes-no", True, [1, "true"]),
        ("numbers", [1, 2.5], [[], 1, ["a"]]),
    ],
)
def test_kinds_take_what_they_should_and_nothing_else(kind, good, bad):
    spec = Spec(kind=kind, help="")
    KINDS[kind](good, spec)
    for value in bad:
        with pytest.raises(ValueError, match=r"\w"):
            KINDS[kind](value, spec)


def test_a_number_or_a_word():
    spec = Spec(kind="number-or-word", help="", above=0, choices=("linear", "srgb"))
    assert KINDS["number-or-word"](2.2, spec) == 2.2
    assert KINDS["number-or-word"]("srgb", spec) == "srgb"
    for value in ("gamma", -1):
        with pytest.raises(ValueError, match="linear"):
            KINDS["number-or-word"](value, spec)


def test_nearest_lists_all_words_where_none_is_near():
    assert nearest("zzz", ["beta", "alpha"]) == "known here: alpha, beta."


def test_every_field_has_help():
    assert all(spec.help for spec in specs(Outer).values())
