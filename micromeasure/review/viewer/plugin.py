"""What a napari that a user started gets: a reader that knows the scale, and the review panel."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from qtpy.QtWidgets import QFileDialog, QLabel, QLineEdit, QPushButton, QVBoxLayout, QWidget

from micromeasure.calibration.file import nominal_calibration
from micromeasure.errors import ImageReadError, MicromeasureError
from micromeasure.micrograph.image import Micrograph
from micromeasure.micrograph.reading import read_header, read_micrograph
from micromeasure.review.opening import open_review
from micromeasure.review.queue import Rules
from micromeasure.review.viewer.look import STYLE_SHEET
from micromeasure.review.viewer.window import known_reviewer, panel_for, store_reviewer
from micromeasure.study.load import STUDY_FILE, load_study
from micromeasure.study.model import Job

if TYPE_CHECKING:
    import napari.viewer

LayerData = tuple[Any, dict[str, Any], str]
_LEVELS_UP = 6


def image_reader(path: str | Sequence[str]) -> Callable[[Any], list[LayerData]] | None:
    """Return a reader if every path is an image file that can be read, else None.

    Parameters
    ----------
    path : str or sequence of str
    """
    paths = [Path(path)] if isinstance(path, str) else [Path(one) for one in path]
    try:
        for one in paths:
            read_header(one)
    except (ImageReadError, OSError):
        return None
    return lambda _: [image_layer(one) for one in paths]


def image_layer(path: Path) -> LayerData:
    """Read an image with the calibration of the study it belongs to.

    Without a study the pixel size in the file is taken; without that the layer is in pixels.

    Returns
    -------
    tuple
        Pixels, layer settings and layer type as napari wants them.
    """
    job = _job_of(path)
    micrograph, unit = _read(path, job)
    scale_x, scale_y = micrograph.calibration.um_per_px
    settings = {
        "name": micrograph.record.image,
        "rgb": micrograph.pixels.ndim == 3,
        "scale": (scale_y, scale_x),
        "units": (unit, unit),
        "metadata": {
            "calibration": micrograph.calibration.id,
            "u_um_per_px": micrograph.calibration.u_um_per_px,
            "flags": micrograph.flags,
            "image_sha256": micrograph.sha256,
        },
    }
    return micrograph.pixels, settings, "image"


class StudyPanel(QWidget):
    """Opens a study in the viewer it is docked to and holds the review of it.

    Parameters
    ----------
    viewer : napari.viewer.Viewer
    """

    def __init__(self, viewer: "napari.viewer.Viewer") -> None:
        super().__init__()
        self._viewer = viewer
        self.setObjectName("review")
        self.setStyleSheet(STYLE_SHEET)
        self._column = QVBoxLayout(self)
        self._path = _line(self, "study file or its folder")
        self._reviewer = _line(self, "initials of who decides")
        self._reviewer.setText(known_reviewer())
        self._fault = QLabel(self)
        self._fault.setObjectName("notice")
        self._fault.setWordWrap(True)
        self._fault.hide()
        choose = QPushButton("Choose a study file", self)
        choose.clicked.connect(self._choose)
        begin = QPushButton("Open the study for review", self)
        begin.clicked.connect(self.open_study)
        self._path.returnPressed.connect(self.open_study)
        self._form = (QLabel("Study", self), self._path, choose, QLabel("Who decides", self),
                      self._reviewer, begin, self._fault)  # fmt: skip
        for widget in self._form:
            self._column.addWidget(widget)
        self._column.addStretch(1)

    def open_study(self, path: str = "") -> None:
        """Open the study that is named; what is wrong is shown in a sentence.

        Parameters
        ----------
        path : str
            Put into the field first, where given.
        """
        if path:
            self._path.setText(path)
        try:
            rules = Rules(reviewer=self._reviewer.text())
            opened = open_review(Path(self._path.text() or "."))
        except MicromeasureError as error:
            self._fault.setText(str(error))
            self._fault.show()
            return
        store_reviewer(rules.reviewer)
        for widget in self._form:
            widget.hide()
        _, panel = panel_for(self._viewer, opened, rules)
        self._column.insertWidget(0, panel, stretch=1)
        panel.setFocus()

    def _choose(self) -> None:
        name, _ = QFileDialog.getOpenFileName(self, "Study file", "", "Study files (*.toml)")
        if name:
            self._path.setText(name)


def _line(parent: QWidget, hint: str) -> QLineEdit:
    line = QLineEdit(parent)
    line.setPlaceholderText(hint)
    return line


def _read(path: Path, job: Job | None) -> tuple[Micrograph, str]:
    try:
        if job is not None:
            micrograph = read_micrograph(path, record=job.record, calibration=job.calibration)
        else:
            micrograph = read_micrograph(path)
    except ImageReadError:
        # It has no scale that could be trusted; it can still be looked at.
        return read_micrograph(path, calibration=nominal_calibration((1.0, 1.0))), "pixel"
    return micrograph, "um"


def _job_of(path: Path) -> Job | None:
    """Return what a study above a file says about it, None where there is none."""
    whole = path.resolve()
    for folder in list(whole.parents)[:_LEVELS_UP]:
        if (folder / STUDY_FILE).is_file():
            try:
                study = load_study(folder)
            except MicromeasureError:
                return None
            return next((job for job in study.jobs if job.path.resolve() == whole), None)
    return None
