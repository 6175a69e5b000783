"""The data package: `datapackage.json` describes every CSV file of a results folder.

Table Schema and Data Package are open standards; the columns' types, units and meanings come
from `columns`, so that description and files cannot drift apart.
"""

import json
from collections.abc import Mapping, Sequence
from typing import Any

from micromeasure.tables.columns import Column, Table

PACKAGE_FILE = "datapackage.json"


def package_text(
    *, title: str, tables: Sequence[tuple[Table, str]], extra_columns: Sequence[str]
) -> str:
    """Write the description of the result files.

    Parameters
    ----------
    title : str
        Title of the study.
    tables : sequence of (Table, str)
        Each table with the SHA-256 of its file.
    extra_columns : sequence of str
        Columns carried through from the manifest.
    """
    package = {
        "profile": "tabular-data-package",
        "name": "micromeasure-results",
        "title": title,
        "resources": [_resource(table, sha256, extra_columns) for table, sha256 in tables],
    }
    return json.dumps(package, indent=2, ensure_ascii=False) + "\n"


def _resource(table: Table, sha256: str, extra_columns: Sequence[str]) -> dict[str, Any]:
    fields = [_field(column) for column in table.columns]
    if table.carries_extra:
        fields += [
            {"name": name, "type": "string", "description": "carried through from the manifest"}
            for name in extra_columns
        ]
    return {
        "profile": "tabular-data-resource",
        "name": table.file.removesuffix(".csv"),
        "path": table.file,
        "title": table.title,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "hash": f"sha256:{sha256}",
        "dialect": {"delimiter": ",", "lineTerminator": "\r\n", "quoteChar": '"', "header": True},
        "schema": {"fields": fields, "missingValues": [""]},
    }


def _field(column: Column) -> Mapping[str, Any]:
    constraints: dict[str, Any] = {}
    if column.required:
        constraints["required"] = True
    if column.choices:
        constraints["enum"] = list(column.choices)
    return {
        "name": column.name,
        "type": column.type,
        "description": column.help,
        **({"unit": column.unit} if column.unit else {}),
        **({"constraints": constraints} if constraints else {}),
    }


def with_table(text: str, table: Table, sha256: str) -> str:
    """Return a description with one more table, in the place of an earlier one of its name.

    Parameters
    ----------
    text : str
        The description so far.
    table : Table
    sha256 : str
        Digest of the table's file.
    """
    package = json.loads(text)
    resource = _resource(table, sha256, ())
    others = [r for r in package["resources"] if r["name"] != resource["name"]]
    package["resources"] = [*others, resource]
    return json.dumps(package, indent=2, ensure_ascii=False) + "\n"
