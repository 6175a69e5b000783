"""The rules that keep the house habitable, walked over the source itself."""

import ast
from pathlib import Path

import pytest

import micromeasure
from micromeasure.flags import REGISTRY
from micromeasure.quantities import quantities

PACKAGE = Path(micromeasure.__file__).parent
MODULES = sorted(p.relative_to(PACKAGE).as_posix() for p in PACKAGE.rglob("*.py"))

# What a room may know of, besides itself and the few modules that everyone may use.
EVERYONE = {"errors", "fields", "flags", "estimate", "outcome", "", "provenance"}
MAY_KNOW = {
    "calibration": {"edges", "micrograph"},
    "micrograph": {"calibration"},
    "edges": set(),
    "film": {"edges", "micrograph", "calibration"},
    "sideview": {"edges", "micrograph", "calibration"},
    "heightmap": {"edges", "micrograph", "calibration"},
    "opacity": {"edges", "micrograph", "calibration"},
    "cracks": {"edges", "micrograph", "calibration"},
    "quantities": {
        "micrograph", "edges", "calibration", "film", "sideview", "heightmap", "opacity", "cracks",
    },
    "study": {"calibration", "micrograph", "quantities"},
    "compare": {"tables", "study", "calibration", "micrograph", "quantities"},
    "tables": {"micrograph", "quantities", "study", "review", "cracks"},
    "run": {"study", "quantities", "micrograph", "calibration", "tables", "review"},
    "report": {
        "tables", "compare", "study", "micrograph", "calibration", "quantities", "run", "review",
    },
}  # fmt: skip


def imports_of(module):
    tree = ast.parse((PACKAGE / module).read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)


def room(dotted):
    parts = dotted.split(".")
    return parts[1] if len(parts) > 1 else ""


@pytest.mark.parametrize("module", [m for m in MODULES if m.split("/")[0] in MAY_KNOW])
def test_imports_point_one_way(module):
    home = module.split("/")[0]
    known = {room(name) for name in imports_of(module) if name.split(".")[0] == "micromeasure"}
    assert known - EVERYONE - {home} <= MAY_KNOW[home]


@pytest.mark.parametrize("module", MODULES)
def test_only_the_viewer_knows_the_viewer(module):
    if module.startswith("review/viewer/"):
        return
    roots = {name.split(".")[0] for name in imports_of(module)}
    assert not roots & {"napari", "qtpy", "magicgui", "PyQt6", "PySide6"}


@pytest.mark.parametrize("module", MODULES)
def test_a_module_stays_small(module):
    lines = (PACKAGE / module).read_text(encoding="utf-8").count("\n")
    assert lines <= 500, "split it by subject"


def test_every_declared_field_of_every_quantity_has_help_and_known_kind():
    from micromeasure.fields import KINDS, specs

    for quantity in quantities().values():
        for name, spec in specs(quantity.settings).items():
            assert spec.help, f"{quantity.name}.{name}"
            assert spec.kind in KINDS or spec.kind == "table"


def test_flags_are_described():
    for flag in REGISTRY.values():
        assert flag.name == flag.name.lower()
        assert " " not in flag.name
        assert flag.short
        assert flag.advice.endswith(".")
