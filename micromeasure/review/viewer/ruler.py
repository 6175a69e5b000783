"""The ruler over whichever view is open: points, the reading, and adding it to the study."""

from pathlib import Path

import numpy as np

from micromeasure.errors import MicromeasureError
from micromeasure.outcome import FloatArray
from micromeasure.review.measured import value_text
from micromeasure.review.record import MEASURE, Entry, append
from micromeasure.review.remeasure import estimate_values
from micromeasure.review.ruler import Reading, Tool
from micromeasure.review.shelf import Plate
from micromeasure.review.viewer.handles import Handles
from micromeasure.review.viewer.sheet import Line
from micromeasure.review.viewer.stage import Stage, Stroke


class Ruler:
    """One use of the ruler.

    Parameters
    ----------
    stage : Stage
    plate : Plate
        The image that is shown.
    tool : Tool
    """

    def __init__(self, stage: Stage, plate: Plate, tool: Tool) -> None:
        self.notice = f"{tool.title}: set {tool.points} points."
        self.asks_name = False
        self._stage = stage
        self._plate = plate
        self._tool = tool
        self._reading: Reading | None = None
        self._handles = Handles(stage, np.zeros((0, 2)), self._read, most=tool.points)

    def lines(self) -> list[Line]:
        """Return the reading."""
        if self._reading is None:
            return []
        estimate = self._reading.estimate
        text = value_text(estimate.value, estimate.standard_uncertainty, estimate.unit)
        return [Line(self._tool.title.lower(), text, is_chosen=True)]

    def press(self, action: str) -> None:
        """Do what a key for points asks for."""
        if action == "keep":
            self.asks_name = self._reading is not None
            if self._reading is None:
                self.notice = f"Set {self._tool.points} points first."
        else:
            self._handles.press(action)

    def store(self, name: str, *, record: Path, reviewer: str, measured_sha256: str) -> str:
        """Add the reading to the study.

        Parameters
        ----------
        name : str
            What was measured, becomes its feature.
        record : pathlib.Path
        reviewer : str
        measured_sha256 : str
            Digest of the file that the results were made from.

        Returns
        -------
        str
            Sentence for the person.
        """
        self.asks_name = False
        micrograph = self._plate.micrograph
        if self._reading is None or micrograph is None or not name.strip():
            return "Nothing was added."
        image = micrograph.record.image
        if micrograph.sha256 != measured_sha256:
            return f"{image} is not the file that was measured; nothing can be added to it."
        entry = Entry(
            action=MEASURE, by=reviewer, image=image, image_sha256=micrograph.sha256,
            quantity=self._reading.quantity, feature=name.strip(), statistic="value",
            after={
                "estimate": estimate_values(self._reading.estimate),
                "points_px": np.round(self._reading.points_px, 3).tolist(),
                "calibration": micrograph.calibration.id,
            },
        )  # fmt: skip
        append(record, entry)
        return f"Added to the study as {self._reading.quantity}, {name.strip()}."

    def close(self) -> None:
        """Take the points away."""
        self._handles.close()
        self._stage.draw_over([])

    def _read(self, points: FloatArray) -> None:
        self._reading = None
        micrograph = self._plate.micrograph
        strokes = [Stroke(role="ruler", points_px=points)] if len(points) else []
        if micrograph is not None and len(points) == self._tool.points:
            try:
                self._reading = self._tool.read(micrograph, points)
            except MicromeasureError as error:
                self.notice = str(error)
            else:
                self.notice = "J adds it to the study."
                strokes.append(Stroke(role="ruler", points_px=self._reading.course_px))
                strokes.append(Stroke(role="point", points_px=self._reading.points_px))
        self._stage.draw_over(strokes)
