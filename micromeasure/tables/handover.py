"""Results handed over to other programs: one line per image for spreadsheets, and Parquet."""

from collections.abc import Mapping
from pathlib import Path

from micromeasure.errors import MissingPartError, ResultsError
from micromeasure.tables.cells import text_cell
from micromeasure.tables.columns import MEASUREMENTS_TABLE, UNCERTAINTY_TABLE
from micromeasure.tables.compared import COMPARISONS_TABLE
from micromeasure.tables.reading import read_rows
from micromeasure.tables.writing import CsvFile, unwritable

WIDE_FILE = "measurements_wide.csv"

_OF_THE_IMAGE = ("image", "specimen", "revision", "position", "state", "view")
_OF_THE_VALUE = {"value": "", "standard_uncertainty": "u", "flags": "flags"}


def write_wide(folder: Path) -> Path:
    """Write `measurements_wide.csv`: one line per image, one column per quantity and statistic.

    Parameters
    ----------
    folder : pathlib.Path
        The results folder.

    Returns
    -------
    pathlib.Path
        The file. Columns are named ``quantity.feature.statistic [unit]``, those of the standard
        uncertainty with ``u`` and those of the flags with ``flags`` in front. Columns of the
        manifest that were carried through stand before them.

    Raises
    ------
    ResultsError
        If the results are missing or two rows would share one cell.
    """
    rows = read_rows(folder / MEASUREMENTS_TABLE.file)
    carried = [c for c in (rows[0] if rows else {}) if c not in MEASUREMENTS_TABLE.header]
    lines: dict[tuple[str, ...], dict[str, str]] = {}
    columns: dict[str, None] = {}
    for row in rows:
        key = tuple(row[name] for name in (*_OF_THE_IMAGE, *carried))
        line = lines.setdefault(key, {})
        for source, prefix in _OF_THE_VALUE.items():
            name = _wide_name(row, prefix)
            if name in line:
                message = (
                    f"{MEASUREMENTS_TABLE.file}: {row['image'] or row['specimen']} has two rows "
                    f"for {_wide_name(row, '')}; they cannot stand in one line, use the long form."
                )
                raise ResultsError(message)
            # A lower limit has no value; its bound is told by the flag and by this sign.
            is_limit = source == "value" and not row["value"] and row["low_95"]
            line[name] = f"> {row['low_95']}" if is_limit else row[source]
            columns[name] = None
    kept = [name for name in columns if any(line.get(name) for line in lines.values())]
    path = folder / WIDE_FILE
    try:
        with CsvFile(path, (*_OF_THE_IMAGE, *carried, *kept)) as file:
            for key, line in lines.items():
                cells = (*key, *(line.get(name, "") for name in kept))
                file.add([text_cell(cell) for cell in cells])
    except OSError as error:
        raise unwritable(path, error) from error
    return path


def write_parquet(folder: Path) -> list[Path]:
    """Write measurements, budget and comparisons as Parquet files with typed columns.

    Raises
    ------
    MissingPartError
        If the extra ``parquet`` is not installed.
    ResultsError
        If the results are missing.
    """
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as error:
        message = 'Parquet needs pyarrow; install it with: pip install "micromeasure[parquet]"'
        raise MissingPartError(message) from error
    paths = []
    for table in (MEASUREMENTS_TABLE, UNCERTAINTY_TABLE, COMPARISONS_TABLE):
        source = folder / table.file
        if table is not MEASUREMENTS_TABLE and not source.is_file():
            continue
        rows = read_rows(source)
        names = list(rows[0]) if rows else list(table.header)
        types = {column.name: column.type for column in table.columns}
        arrays = {
            name: pa.array(
                [_typed(row[name], types.get(name, "string")) for row in rows],
                type=_arrow_type(pa, types.get(name, "string")),
            )
            for name in names
        }
        path = source.with_suffix(".parquet")
        part = path.with_suffix(".parquet.part")
        try:
            pq.write_table(pa.table(arrays), part)
            part.replace(path)
        except OSError as error:
            part.unlink(missing_ok=True)
            raise unwritable(path, error) from error
        paths.append(path)
    return paths


def _wide_name(row: Mapping[str, str], prefix: str) -> str:
    name = ".".join(p for p in (prefix, row["quantity"], row["feature"], row["statistic"]) if p)
    return name if prefix == "flags" else f"{name} [{row['unit']}]"


def _typed(cell: str, kind: str) -> str | float | int | None:
    if kind == "string":
        return cell
    if not cell:
        return None
    return int(float(cell)) if kind == "integer" else float(cell)


def _arrow_type(pa: "object", kind: str) -> "object":
    makers = {"integer": "int64", "number": "float64"}
    return getattr(pa, makers.get(kind, "string"))()
