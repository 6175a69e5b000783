"""The view of two revisions side by side: one scale, one camera, one grey range or two."""

from typing import Any

from micromeasure.review.pairs import counterparts, revision_pairs
from micromeasure.review.shelf import Plate, Shelf
from micromeasure.review.viewer.keys import SIDE_KEYS, Key
from micromeasure.review.viewer.sheet import Action, Line
from micromeasure.review.viewer.stage import Stage
from micromeasure.study.model import Job, Study

_AHEAD = 3
_GAP_PX = 6


class Sides:
    """The view of two images side by side.

    Parameters
    ----------
    viewer : napari.components.ViewerModel
    study : Study
    shelf : Shelf
    """

    def __init__(self, viewer: Any, study: Study, shelf: Shelf) -> None:  # noqa: ANN401
        self.said = ""
        self._fault = ""
        self.plate = Plate()
        self.position = 0
        self.is_common_range = True
        self._viewer = viewer
        self._study = study
        self._shelf = shelf
        self._pairs = revision_pairs(study)
        self._stages = (Stage(viewer, "left"), Stage(viewer, "right"))
        self._plates: tuple[Plate, Plate] = (Plate(), Plate())

    @property
    def notice(self) -> str:
        """What the person should know now: what was just said, or what is wrong all along."""
        return self.said or self._fault

    def heading(self) -> str:
        """Return what lies on the left and on the right."""
        if not self._pairs:
            return "Nothing to compare"
        return "  |  ".join(_title(job) for job in self._pairs[self.position])

    def progress(self) -> str:
        """Return place and number of pairs."""
        return f"{self.position + 1} of {len(self._pairs)}" if self._pairs else "none"

    def state(self) -> tuple[str, str]:
        """Return how grey values are shown."""
        common = "One grey range for both" if self.is_common_range else "Each its own grey range"
        return (common, "") if self._pairs else ("The study has one revision only", "")

    def lines(self) -> list[Line]:
        """Return the images' names and grey ranges."""
        if not self._pairs:
            return []
        lines = []
        sides = zip(("left", "right"), self._pairs[self.position], self._plates, strict=True)
        for side, job, plate in sides:
            lines.append(Line(side, job.record.image))
            if plate.micrograph is not None:
                low, high = self._range(plate)
                lines.append(Line("grey range", f"{low:.4g} to {high:.4g}"))
        return lines

    def keys(self) -> tuple[Key, ...]:
        """Return the keys that do something now."""
        return SIDE_KEYS

    def asks(self) -> str:
        """Return nothing: no text is asked for."""
        return ""

    def answer(self, text: str) -> None:
        """Take nothing."""

    def show(self) -> None:
        """Show the current pair, the middles of both images at one place."""
        self.said = ""
        if not self._pairs:
            return
        names = [job.record.image for pair in self._pairs[self.position :][:_AHEAD] for job in pair]
        self._shelf.read_ahead(names)
        left, right = (self._shelf.plate(job.record.image) for job in self._pairs[self.position])
        self._plates = (left, right)
        self._fault = " ".join(plate.fault for plate in self._plates if plate.fault)
        is_first = not self._viewer.grid.enabled
        for stage, plate in zip(self._stages, self._plates, strict=True):
            stage.show_centred(plate)
        self._viewer.grid.shape = (1, 2)
        self._viewer.grid.spacing = _GAP_PX
        self._viewer.grid.enabled = True
        self._apply_range()
        if is_first:
            self._stages[0].look_at_middle(share=0.48)

    def close(self) -> None:
        """Take both images off and end the grid."""
        self._viewer.grid.enabled = False
        for stage in self._stages:
            stage.clear()

    def press(self, action: str) -> None:
        """Do what a key asks for."""
        does: dict[str, Action] = {
            "next": lambda: self._move(1),
            "previous": lambda: self._move(-1),
            "other_next": lambda: self._other(1),
            "other_previous": lambda: self._other(-1),
            "grey_range": self._toggle_range,
        }
        if self._pairs and action in does:
            does[action]()

    def _move(self, steps: int) -> None:
        place = self.position
        self.position = max(0, min(len(self._pairs) - 1, self.position + steps))
        self.show()
        if self.position == place:
            self.said = "This is the last pair." if steps > 0 else "This is the first pair."

    def _other(self, steps: int) -> None:
        """Put another image of the other revisions on the right."""
        left, right = self._pairs[self.position]
        choice = counterparts(self._study, left)
        place = (choice.index(right) + steps) % len(choice)
        self._pairs[self.position] = (left, choice[place])
        self.show()

    def _toggle_range(self) -> None:
        self.is_common_range = not self.is_common_range
        self._apply_range()

    def _apply_range(self) -> None:
        for stage, plate in zip(self._stages, self._plates, strict=True):
            if plate.micrograph is not None:
                stage.set_grey_range(self._range(plate))

    def _range(self, plate: Plate) -> tuple[float, float]:
        if not self.is_common_range:
            return plate.grey_range
        ranges = [p.grey_range for p in self._plates if p.micrograph is not None]
        return min(low for low, _ in ranges), max(high for _, high in ranges)


def _title(job: Job) -> str:
    record = job.record
    parts = [record.specimen, record.revision and f"lot {record.revision}", record.state]
    return " · ".join(part for part in parts if part) or record.image
