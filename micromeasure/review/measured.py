"""Measurements put before a person: which one is shown, what was set aside or drawn anew.

No display and no pixels here; the counterpart of `queue` for everything but indications.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from micromeasure.errors import ResultsError
from micromeasure.estimate import rounded
from micromeasure.quantities import quantities
from micromeasure.review.merge import Merged, merge
from micromeasure.review.opening import Opened
from micromeasure.review.queue import Rules
from micromeasure.review.record import MEASURE, REDRAW, SET_ASIDE, UNDO, Entry, append, read_record
from micromeasure.study.model import Job, Measure
from micromeasure.tables.columns import MEASUREMENTS_TABLE
from micromeasure.tables.reading import number_of, read_rows


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """One row of `measurements.csv` as a person sees it.

    Attributes
    ----------
    quantity, feature, statistic : str
    text : str
        Value, unit and standard uncertainty.
    plain : mapping
        ``value``, ``unit``, ``standard_uncertainty``, for the record.
    flags : tuple of str
    set_aside : Entry or None
        The entry that set it aside.
    """

    quantity: str
    feature: str
    statistic: str
    text: str
    plain: Mapping[str, Any]
    flags: tuple[str, ...]
    set_aside: Entry | None


class MeasuredQueue:
    """The measures of a study, image after image.

    Parameters
    ----------
    opened : Opened
    rules : Rules
    """

    def __init__(self, opened: Opened, rules: Rules) -> None:
        self.rules = rules
        self.position = 0
        self._path = opened.record
        self._images = opened.images
        self._items = [
            (job, measure)
            for job in opened.study.jobs
            for measure in job.measures
            if job.record.image in opened.images
        ]
        self._rows: dict[str, list[dict[str, str]]] = defaultdict(list)
        for row in read_rows(opened.folder / MEASUREMENTS_TABLE.file):
            self._rows[row["image"]].append(row)
        self._mine: list[Entry] = []
        self._entries = list(read_record(opened.record).entries)
        self._merged = self._merge()

    def __len__(self) -> int:
        """Return the number of measures."""
        return len(self._items)

    @property
    def current(self) -> tuple[Job, Measure] | None:
        """Image and measure that are shown."""
        return self._items[self.position] if self._items else None

    def digest(self, image: str) -> str:
        """Return the digest of the file that was measured."""
        return self._images[image]

    def move(self, steps: int) -> None:
        """Go forwards or backwards; the ends hold."""
        self.position = max(0, min(len(self._items) - 1, self.position + steps))

    def upcoming(self, count: int) -> list[str]:
        """Return the images that will be shown next, the current one first."""
        near = self._items[self.position : self.position + 3 * count]
        return list(dict.fromkeys(job.record.image for job, _ in near))[:count]

    def progress(self) -> str:
        """Return place and number of measures."""
        return f"{self.position + 1} of {len(self._items)}" if self._items else "none"

    def values(self) -> list[Value]:
        """Return the measured values of the current measure."""
        if self.current is None:
            return []
        job, measure = self.current
        image = job.record.image
        quantity = quantities()[measure.quantity]
        known = {quantity.name, *quantity.accompanied_by}
        rows = [
            row
            for row in self._rows[image]
            if row["quantity"] in known or row["method"] == quantity.method
        ]
        return [self._value(image, row) for row in rows]

    def redrawn(self) -> Mapping[str, Any]:
        """Return the settings a person drew anew for the current measure; empty for none."""
        if self.current is None:
            return {}
        job, measure = self.current
        entry = self._merged.redrawn.get((job.record.image, measure.quantity))
        return {} if entry is None else {str(entry.after["field"]): entry.after["value"]}

    def set_aside(self, value: Value, reason: str, *, shown_sha256: str) -> None:
        """Set a value aside.

        Raises
        ------
        ResultsError
            If no reason is given, another image is shown than was measured, or the record
            cannot be written.
        """
        if not reason.strip():
            message = "A value is set aside with a reason only; type one."
            raise ResultsError(message)
        self._append(
            SET_ASIDE, shown_sha256, quantity=value.quantity, feature=value.feature,
            statistic=value.statistic, shown=dict(value.plain), remark=reason.strip(),
            before={"set_aside": False}, after={"set_aside": True},
        )  # fmt: skip

    def take_up(self, value: Value) -> None:
        """Take up again a value that was set aside, whoever did that."""
        if value.set_aside is not None:
            self._take_back(value.set_aside)

    def redraw(
        self, field: str, drawn: Sequence[float], values: Sequence[Mapping[str, Any]], *,
        shown_sha256: str,
    ) -> None:  # fmt: skip
        """Store a region or line that a person drew anew, with what was measured in it."""
        if self.current is None:
            return
        _, measure = self.current
        self._append(
            REDRAW, shown_sha256, quantity=measure.quantity,
            before={"field": field, "value": self.redrawn().get(field)},
            after={"field": field, "value": [round(v, 2) for v in drawn], "values": list(values)},
        )  # fmt: skip

    def undo(self) -> Entry | None:
        """Take back this person's last entry of this session; None where there is none."""
        if not self._mine:
            return None
        last = self._mine.pop()
        self._take_back(last)
        return last

    def _append(self, action: str, shown_sha256: str, **fields: Any) -> None:  # noqa: ANN401
        if self.current is None:
            return
        job, _ = self.current
        image = job.record.image
        if shown_sha256 != self._images[image]:
            message = (
                f"{image}: the file is not the one that was measured, so nothing can be decided "
                "on it; run the study again, then review."
            )
            raise ResultsError(message)
        entry = Entry(
            action=action, by=self.rules.reviewer, image=image, image_sha256=shown_sha256, **fields
        )
        written = append(self._path, entry)
        self._mine.append(written)
        self._entries.append(written)
        self._merged = self._merge()

    def _take_back(self, entry: Entry) -> None:
        undo = Entry(
            action=UNDO, by=self.rules.reviewer, image=entry.image,
            image_sha256=entry.image_sha256, quantity=entry.quantity, feature=entry.feature,
            statistic=entry.statistic, undoes=entry.entry, before=entry.after, after=entry.before,
        )  # fmt: skip
        self._entries.append(append(self._path, undo))
        self._mine = [mine for mine in self._mine if mine.entry != entry.entry]
        self._merged = self._merge()

    def _merge(self) -> Merged:
        own = [e for e in self._entries if e.action in {SET_ASIDE, REDRAW, MEASURE, UNDO}]
        return merge(own, found=(), images=self._images)

    def _value(self, image: str, row: Mapping[str, str]) -> Value:
        name = (row["quantity"], row["feature"], row["statistic"])
        number = number_of(row["value"], "value")
        u = number_of(row["standard_uncertainty"], "standard_uncertainty")
        plain = {"value": number, "unit": row["unit"], "standard_uncertainty": u}
        return Value(
            quantity=name[0], feature=name[1], statistic=name[2],
            text=value_text(number, u, row["unit"], number_of(row["low_95"], "low_95")),
            plain=plain,
            flags=tuple(flag for flag in row["flags"].split() if flag != "set-aside"),
            set_aside=self._merged.is_set_aside(image, *name),
        )  # fmt: skip


def value_text(
    value: float | None, u: float | None, unit: str, low_limit: float | None = None
) -> str:
    """Write a value with unit and standard uncertainty for people."""
    unit = {"um": "µm", "deg": "degrees", "1": ""}.get(unit, unit)
    if value is None:
        return "not known" if low_limit is None else f"more than {low_limit:.4g} {unit}".strip()
    number, spread = rounded(value, u)
    if spread == "–" and not unit:
        return number  # a count
    known = f"u = {spread} {unit}".strip() if spread != "–" else "uncertainty unknown"
    return f"{number} {unit}".strip() + f", {known}"
