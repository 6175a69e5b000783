"""Write the reference pages that are made from the code: run it after changing any of these.

    python docs/generate.py

A test fails while a page and the code differ.
"""

import argparse
import dataclasses
import sys
from collections.abc import Iterator
from pathlib import Path

from micromeasure.calibration.file import Calibration
from micromeasure.cli.main import build_parser
from micromeasure.fields import REQUIRED, Spec, specs
from micromeasure.flags import REGISTRY
from micromeasure.quantities import derivations, quantities
from micromeasure.review.export import AGREEMENT_TABLE, DECISIONS_TABLE, DISAGREEMENTS_TABLE
from micromeasure.review.viewer.keys import ALL_KEYS
from micromeasure.study.load import StudyTable
from micromeasure.study.manifest import OPTIONAL_COLUMNS, REQUIRED_COLUMNS
from micromeasure.tables import columns
from micromeasure.tables.compared import COMPARISONS_TABLE
from micromeasure.tables.repeated import REPEATABILITY_TABLE

REFERENCE = Path(__file__).parent / "reference"
MADE = "<!-- made by docs/generate.py; change the code, not this page -->\n\n"


def cell(text: object) -> str:
    """Return a text that does not break a Markdown table."""
    return str(text).replace("|", "\\|").replace("\n", " ")


def table(head: tuple[str, ...], rows: Iterator[tuple[object, ...]]) -> str:
    """Return a Markdown table."""
    lines = ["| " + " | ".join(head) + " |", "|" + " --- |" * len(head)]
    lines.extend("| " + " | ".join(cell(c) for c in row) + " |" for row in rows)
    return "\n".join(lines) + "\n"


def allowed(spec: Spec) -> str:
    """Say in a few words what a field takes."""
    parts = [spec.kind.replace("-", " or ") if spec.kind != "yes-no" else "true or false"]
    if spec.choices:
        parts.append("of " + ", ".join(spec.choices))
    if spec.above is not None:
        parts.append(f"above {spec.above:g}")
    if spec.low is not None:
        parts.append(f"from {spec.low:g}")
    if spec.high is not None:
        parts.append(f"to {spec.high:g}")
    if spec.unit:
        parts.append(spec.unit)
    return " ".join(parts)


def fields_table(described: type) -> str:
    """Return the table of a dataclass's declared fields."""
    known = specs(described)

    def rows() -> Iterator[tuple[object, ...]]:
        for field in dataclasses.fields(described):
            if field.name not in known:
                continue
            spec = known[field.name]
            default = "required" if field.default is REQUIRED else field.default
            if field.default is REQUIRED and field.default_factory is not REQUIRED:
                default = ""
            empty = default in (None, "", ()) or spec.kind in ("table", "anything")
            yield f"`{field.name}`", spec.help, allowed(spec), "" if empty else default

    return table(("key", "is", "allowed", "default"), rows())


def flags_page() -> str:
    """Return the page of flag words."""
    rows = ((f"`{f.name}`", f.short, f.advice) for f in REGISTRY.values())
    return (
        "# Flags\n\n"
        + MADE
        + "The `flags` column holds these words, separated by spaces. A flagged "
        "value was measured all the same; the flag says why to doubt it.\n\n"
        + table(("flag", "means", "what to do"), rows)
    )


def settings_page() -> str:
    """Return the page of study keys and quantity settings."""
    parts = ["# Study file\n\n", MADE, "## Top level\n\n", fields_table(StudyTable)]
    parts.append(
        "\n## `[[measure]]`\n\nEach takes `quantity`, `view` (only images of this view; all "
    )
    parts.append("where not given) and the settings of its quantity:\n")
    for quantity in quantities().values():
        parts.append(f"\n### {quantity.name}\n\n{quantity.title}, method `{quantity.method}`\n\n")
        parts.append(fields_table(quantity.settings))
    parts.append(
        "\n## Derived quantities\n\nMade by `run` wherever what they need was measured:\n\n"
    )
    rows = ((f"`{d.name}`", d.title, " and ".join(d.needs), d.unit) for d in derivations().values())
    parts.append(table(("quantity", "is", "needs", "unit"), rows))
    parts.append(
        "\n## `[[compare]]`\n\n"
        "`quantity`, and where wanted `feature`, `statistic` and a tolerance with its unit in the "
        "key: `tolerance_um`, `tolerance_deg`, `tolerance_1`.\n"
        "\n## Manifest\n\nOne row an image. Columns that must be there: "
        + ", ".join(f"`{c}`" for c in REQUIRED_COLUMNS)
        + ". Columns that may be there: "
        + ", ".join(f"`{c}`" for c in OPTIONAL_COLUMNS)
        + ". Any other column is carried through to the results untouched.\n"
        "\n## Calibration file\n\n" + fields_table(Calibration)
    )
    return "".join(parts)


def columns_page() -> str:
    """Return the page of result columns."""
    parts = ["# Columns of the result files\n\n", MADE]
    parts.append("An empty cell means unknown or not applicable, never zero.\n")
    for name in ("MEASUREMENTS", "UNCERTAINTY", "INDICATIONS", "FAILURES"):
        parts.append(f"\n## {name.lower()}.csv\n\n")
        rows = ((f"`{c.name}`", c.help, c.type, c.unit) for c in getattr(columns, name))
        parts.append(table(("column", "is", "type", "unit"), rows))
    for made_later in (
        COMPARISONS_TABLE,
        REPEATABILITY_TABLE,
        DECISIONS_TABLE,
        AGREEMENT_TABLE,
        DISAGREEMENTS_TABLE,
    ):
        parts.append(f"\n## {made_later.file}\n\n")
        rows = ((f"`{c.name}`", c.help, c.type, c.unit) for c in made_later.columns)
        parts.append(table(("column", "is", "type", "unit"), rows))
    return "".join(parts)


def commands_page() -> str:
    """Return the page of commands and their options."""
    parts = ["# Commands\n\n", MADE]
    parts.append("Exit status: 0 everything asked was done; 1 done, but some images could not be ")
    parts.append("measured (or `verify` found a promise broken); 2 the request itself is wrong; ")
    parts.append("130 stopped.\n")
    parser = build_parser()
    for action in parser._actions:  # noqa: SLF001  # argparse offers no other way to its commands
        if not isinstance(action, argparse._SubParsersAction):  # noqa: SLF001
            continue
        helps = {choice.dest: choice.help for choice in action._choices_actions}  # noqa: SLF001
        for name, command in action.choices.items():
            parts.append(f"\n## micromeasure {name}\n\n{helps.get(name) or ''}\n\n")
            parts.append(table(("argument", "is", "default"), _arguments(command)))
    return "".join(parts)


def _arguments(command: argparse.ArgumentParser) -> Iterator[tuple[object, ...]]:
    for action in command._actions:  # noqa: SLF001
        if isinstance(action, argparse._HelpAction):  # noqa: SLF001
            continue
        value = action.metavar or action.dest.upper()
        if action.choices is not None:
            value = "{" + ",".join(map(str, action.choices)) + "}"
        if action.nargs in ("+", "*"):
            value = f"{value}..."
        name = ", ".join(action.option_strings)
        takes_value = action.nargs != 0
        shown = f"{name} {value}".strip() if takes_value or not name else name
        plain = action.default in (None, False, argparse.SUPPRESS) or not name
        yield f"`{shown}`", action.help or "", "" if plain else action.default


def keys_page() -> str:
    """Return the page of the viewer's keys."""
    parts = ["# Keys of the viewer\n\n", MADE]
    parts.append(
        "Every key is shown beside the image with what it does, and can be clicked there. "
    )
    parts.append("Letters need no Shift.\n")
    for title, keys in ALL_KEYS:
        parts.append(f"\n## {title}\n\n")
        parts.append(table(("key", "does"), ((key.shown, key.does) for key in keys)))
    return "".join(parts)


PAGES = {
    "viewer-keys.md": keys_page,
    "flags.md": flags_page,
    "study-file.md": settings_page,
    "columns.md": columns_page,
    "commands.md": commands_page,
}


def main() -> int:
    """Write every page."""
    for name, make in PAGES.items():
        (REFERENCE / name).write_text(make(), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
