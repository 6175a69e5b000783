"""The columns of every result file: one declaration feeds header, data package and reference."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a result file.

    Attributes
    ----------
    name : str
    type : str
        Type of Table Schema: ``string``, ``number``, ``integer``, ``date``.
    help : str
        One line for the data package and the reference page.
    unit : str
        Unit of every cell; empty where there is none or where a ``unit`` column gives it.
    choices : tuple of str
        Allowed words; empty where any text will do.
    required : bool
        Whether no cell is empty.
    """

    name: str
    type: str
    help: str
    unit: str = ""
    choices: tuple[str, ...] = ()
    required: bool = False


def _text(name: str, help: str, *, choices: tuple[str, ...] = (), required: bool = False) -> Column:
    return Column(name=name, type="string", help=help, choices=choices, required=required)


def _number(name: str, help: str, unit: str = "") -> Column:
    return Column(name=name, type="number", help=help, unit=unit)


_IMAGE = _text("image", "path inside the images folder; empty for what rests on several images")
_SPECIMEN = _text("specimen", "as in the manifest")
_REVISION = _text("revision", "as in the manifest")
_POSITION = _text("position", "as in the manifest")
_STATE = _text("state", "as in the manifest, such as free or pressed")
_VIEW = _text("view", "as in the manifest")
_QUANTITY = _text("quantity", "what was measured", required=True)
_FEATURE = _text("feature", "layer, film, tab, foot or fold it belongs to")
_STATISTIC = _text(
    "statistic", "which number over the feature: mean, sd, min, max or value", required=True
)
_UNIT = _text("unit", "unit of the numbers in this row", required=True)
_CALIBRATION = _text("calibration", "id of the calibration used; empty for none")
_SHA256 = _text("image_sha256", "digest of the image file's bytes")

MEASUREMENTS = (
    _IMAGE, _SPECIMEN, _REVISION, _POSITION, _STATE, _VIEW, _QUANTITY, _FEATURE, _STATISTIC,
    _number("value", "the number; empty for a lower limit"),
    _UNIT,
    _number("standard_uncertainty", "combined standard uncertainty, unit as the value; "
            "empty where unknown"),
    _number("low_95", "lower end of the 95 % coverage interval, or the lower limit"),
    _number("high_95", "upper end of the 95 % coverage interval; empty for a lower limit"),
    Column(name="n", type="integer", help="profiles, pixels, points or images it rests on"),
    _text("flags", "doubts, words separated by spaces"),
    _CALIBRATION, _SHA256,
    _text("method", "name and version of the method", required=True),
    _text("software", "program and version that measured it", required=True),
)  # fmt: skip

UNCERTAINTY = (
    _IMAGE, _SPECIMEN, _REVISION, _POSITION, _STATE, _VIEW, _QUANTITY, _FEATURE, _STATISTIC,
    _text("component", "what the contribution comes from", required=True),
    _number("standard_uncertainty", "contribution to the standard uncertainty, sensitivity "
            "included; the sign matters only between rows of one shared cause"),
    _UNIT,
    _number("dof", "degrees of freedom; INF where taken as known"),
    _text("kind", "A evaluated by statistics of these data, B otherwise", choices=("A", "B"),
          required=True),
    _text("shared", "key of the common cause; contributions with one key are fully correlated"),
    _text("source", "how the figure was found"),
)  # fmt: skip

FAILURES = (
    _IMAGE,
    _VIEW,
    _QUANTITY,
    _text("reason", "why it could not be measured", required=True),
)

INDICATIONS = (
    _text("indication", "identifier; stable as long as image and centreline are the same",
          required=True),
    _IMAGE, _SPECIMEN, _REVISION, _POSITION, _VIEW,
    _text("fold", "fold line it lies at"),
    _number("length_um", "length along the centreline, end to end", "um"),
    _number("u_length_um", "its standard uncertainty; empty where unknown", "um"),
    _number("width_um", "mean width", "um"),
    _number("angle_to_fold_deg", "angle between its direction and the fold line", "deg"),
    _number("distance_to_fold_um", "distance of its middle from the fold line", "um"),
    _number("contrast", "depth against its surroundings, share of the local brightness", "1"),
    _number("score", "how clearly it stands out, 0 to 1", "1"),
    _text("decision", "a person's decision; candidate where there is none",
          choices=("candidate", "confirmed", "rejected"), required=True),
    _text("decided_by", "who decided"),
    _text("decided_at", "when, ISO 8601"),
    _text("remark", "the person's remark"),
    _text("centreline_px", "WKT LINESTRING, x y in pixels of the whole image", required=True),
    _CALIBRATION, _SHA256,
    _text("flags", "by-person where a person drew the line"),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """One CSV file of the results folder.

    Attributes
    ----------
    file : str
    title : str
    columns : tuple of Column
    carries_extra : bool
        Whether the manifest's own columns follow.
    """

    file: str
    title: str
    columns: tuple[Column, ...]
    carries_extra: bool = False

    @property
    def header(self) -> tuple[str, ...]:
        """Names of the columns, without those carried through."""
        return tuple(column.name for column in self.columns)


MEASUREMENTS_TABLE = Table(
    file="measurements.csv",
    title="one row per image, quantity, feature and statistic",
    columns=MEASUREMENTS,
    carries_extra=True,
)
UNCERTAINTY_TABLE = Table(
    file="uncertainty.csv",
    title="the budget behind every value, one row per component",
    columns=UNCERTAINTY,
)
FAILURES_TABLE = Table(
    file="failures.csv", title="what could not be measured, and why", columns=FAILURES
)
INDICATIONS_TABLE = Table(
    file="indications.csv", title="one row per candidate crack indication", columns=INDICATIONS
)

TABLES = (MEASUREMENTS_TABLE, UNCERTAINTY_TABLE, FAILURES_TABLE, INDICATIONS_TABLE)
