"""The logic of the viewer on napari's model classes: no window, no screen."""

import json
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import tifffile
from napari.components import ViewerModel
from napari.utils.key_bindings import KeymapHandler

from micromeasure.review.opening import Opened, open_review
from micromeasure.review.queue import Rules
from micromeasure.review.record import read_record
from micromeasure.review.viewer.bench import Bench
from micromeasure.review.viewer.keys import ALL_KEYS

LONGEST = "candidate length max fold"


class Desk:
    """A bench on a bare model, with the keyboard that napari would give it."""

    def __init__(self, opened: Opened, **rules: object) -> None:
        self.viewer = ViewerModel()
        self.bench = Bench(self.viewer, opened, Rules(**{"reviewer": "XY", **rules}))
        self._record = opened.record

    def press(self, *keys: str) -> None:
        for key in keys:
            handler = KeymapHandler()
            active = self.viewer.layers.selection.active
            # The active layer gets a key before the viewer does.
            handler.keymap_providers = [p for p in (active, self.viewer) if p is not None]
            handler.press_key(key)

    @property
    def sheet(self):
        return self.bench.sheet

    @property
    def entries(self):
        return read_record(self._record).entries

    def lines(self) -> dict[str, str]:
        return {line.name: line.value for line in self.bench.lines()}


@pytest.fixture
def desk(opened: Opened) -> Iterator[Desk]:
    desk = Desk(opened)
    yield desk
    desk.bench.close()


def image_layer(desk: Desk):
    return next(layer for layer in desk.viewer.layers if type(layer).__name__ == "Image")


def points_layer(desk: Desk):
    return next(x for x in desk.viewer.layers if x.name == "image: points" and x.visible)


def test_first_candidate_is_the_clearest_and_is_centred(desk: Desk) -> None:
    item = desk.sheet.queue.current
    assert item.score == max(c.score for c in desk.bench.opened.candidates)
    assert desk.sheet.progress() == "1 of 12, 0 of 12 indications decided"
    line = np.array([p.split() for p in item.centreline_px[12:-1].split(", ")], float)
    middle = (line.min(axis=0) + line.max(axis=0)) / 2 * (0.5, 0.52)
    assert desk.viewer.camera.center[-2:] == pytest.approx(middle[::-1])
    assert desk.lines()["length"].endswith("µm")


def test_world_is_in_micrometres(desk: Desk) -> None:
    layer = image_layer(desk)
    assert tuple(layer.scale) == pytest.approx((0.52, 0.5))
    assert {str(unit) for unit in layer.units} == {"micrometer"}
    assert desk.viewer.scale_bar.visible


@pytest.mark.parametrize(("key", "decision"), [("J", "confirmed"), ("K", "rejected")])
def test_decision_is_on_disk_before_the_next_is_shown(desk: Desk, key: str, decision: str) -> None:
    first = desk.sheet.queue.current
    desk.press(key)
    (entry,) = desk.entries
    assert entry.indication == first.indication
    assert entry.after == {"decision": decision}
    assert entry.before == {"decision": "candidate"}
    assert entry.by == "XY"
    assert entry.image_sha256 == first.image_sha256
    assert entry.shown["length_um"] == first.numbers["length_um"]
    assert entry.centreline_px == first.centreline_px
    assert desk.sheet.queue.current.indication != first.indication
    assert desk.sheet.progress() == "2 of 12, 1 of 12 indications decided"


def test_next_previous_and_the_ends(desk: Desk) -> None:
    desk.press("PageUp")
    assert desk.bench.notice == "This is the first one."
    desk.press(*["PageDown"] * 11)
    assert desk.sheet.progress().startswith("12 of 12")
    desk.press("PageDown")
    assert desk.bench.notice == "This is the last one."


def test_undo_takes_back_and_goes_back(desk: Desk) -> None:
    first = desk.sheet.queue.current
    desk.press("J", "U")
    assert [entry.action for entry in desk.entries] == ["confirm", "undo"]
    assert desk.sheet.queue.current.indication == first.indication
    assert desk.sheet.state()[0] == "To be decided"
    desk.press("U")
    assert desk.bench.notice == "Nothing of this session is left to take back."


def test_remark_is_stored_and_shown(desk: Desk) -> None:
    desk.press("N")
    assert desk.bench.asks() == "Remark on this indication"
    desk.bench.answer("runs into the bend")
    assert desk.bench.asks() == ""
    assert desk.entries[-1].remark == "runs into the bend"
    assert desk.lines()["remark"] == "runs into the bend"


def test_all_decided_is_said(desk: Desk) -> None:
    desk.press(*["K"] * 12)
    assert desk.bench.notice == "Every indication of this queue is decided."
    assert len(desk.entries) == 12


def test_opening_again_begins_with_what_is_undecided(desk: Desk, study: Path) -> None:
    desk.press("J", "K")
    again = Desk(open_review(study))
    assert again.sheet.progress() == "1 of 12, 2 of 12 indications decided"
    assert again.sheet.state()[0] == "To be decided"
    again.bench.close()


def test_image_after_image(opened: Opened) -> None:
    desk = Desk(opened, by="image")
    seen = []
    for _ in range(12):
        seen.append(desk.sheet.queue.current.image)
        desk.press("PageDown")
    assert list(dict.fromkeys(seen)) == list(opened.images)
    assert sum(a != b for a, b in pairwise(seen)) == len(opened.images) - 1
    desk.bench.close()


def test_blind_person_sees_nothing_of_the_other(desk: Desk, study: Path) -> None:
    desk.press("J", "N")
    desk.bench.answer("AB thinks so")
    other = Desk(open_review(study), reviewer="CD", blind=True)
    assert other.sheet.progress() == "1 of 12, 0 of 12 indications decided"
    texts = json.dumps([other.lines(), other.sheet.state()])
    assert "XY" not in texts
    assert "thinks" not in texts
    other.press("K")
    assert other.entries[-1].independent
    other.bench.close()


def test_second_person_in_sight_of_the_first_is_not_independent(desk: Desk, study: Path) -> None:
    desk.press("J")
    other = Desk(open_review(study), reviewer="CD")
    other.press(*["PageDown"] * 11)
    assert other.sheet.state()[0] == "Confirmed by XY"
    other.press("K")
    assert not other.entries[-1].independent
    assert other.entries[-1].before == {"decision": "confirmed"}
    other.bench.close()


def test_only_what_is_disputed_is_settled(desk: Desk, study: Path) -> None:
    desk.press("J", "K")
    other = Desk(open_review(study), reviewer="CD", blind=True)
    other.press("K", "K")
    other.bench.close()
    settling = Desk(open_review(study), reviewer="EF", settle=True)
    assert settling.sheet.progress() == "1 of 1, 0 of 1 indications decided"
    assert settling.sheet.state()[0] == "To be settled"
    assert settling.lines()["remark"] == "to be settled: XY confirmed, CD rejected"
    settling.press("J")
    assert settling.sheet.progress() == "1 of 1, 1 of 1 indications decided"
    settling.bench.close()


def test_corrected_line_is_measured_at_once_and_kept(desk: Desk) -> None:
    before = desk.sheet.queue.current
    desk.press("G")
    assert desk.sheet.state() == ("The line is being corrected", "drawing")
    points = points_layer(desk)
    count = len(points.data)
    assert count < 10
    length = desk.lines()["length"]
    # The first point is pulled inwards by 12 pixels of 0.5 µm: the line is shorter than drawn.
    start = points.data[0].copy()
    desk.press("Shift-Right", "Right", "Right")
    assert points.data[0] - start == pytest.approx([0, 12 * 0.5])
    assert desk.lines()["drawn"] == "by a person"
    assert desk.lines()["length"].endswith("µm")
    assert length.endswith("µm")
    desk.press("J")
    (entry,) = desk.entries
    assert entry.action == "correct"
    assert entry.before["centreline_px"] == before.centreline_px
    assert entry.after["decision"] == "confirmed"
    assert entry.after["length"]["components"]
    assert not any(x.visible for x in desk.viewer.layers if x.name == "image: points")
    assert desk.sheet.queue.current.by_person
    assert desk.sheet.state()[0] == "Confirmed by XY"


def test_leaving_a_correction_keeps_nothing(desk: Desk) -> None:
    desk.press("G", "Up", "Escape")
    assert desk.entries == ()
    assert not desk.sheet.queue.current.by_person
    assert desk.sheet.state()[0] == "To be decided"


def test_points_are_added_and_removed_by_keys(desk: Desk) -> None:
    desk.press("G")
    points = points_layer(desk)
    count = len(points.data)
    desk.press("W")
    assert len(points.data) == count + 1
    middle = (points.data[0] + points.data[2]) / 2
    assert points.data[1] == pytest.approx(middle)
    desk.press("K", "K")
    assert len(points.data) == count - 1


def test_missed_crack_is_drawn_measured_and_undone(desk: Desk) -> None:
    desk.press("W")
    assert desk.sheet.state()[0] == "A missed crack is being drawn"
    desk.press("J")
    assert desk.bench.notice.startswith("Set ")
    points = points_layer(desk)
    for x, y in ((60, 250), (100, 252), (140, 249)):
        points.add([y * 0.52, x * 0.5])
    assert float(desk.lines()["length"].split()[0]) == pytest.approx(40, abs=3)
    desk.press("J")
    (entry,) = desk.entries
    assert entry.action == "draw"
    assert entry.indication.startswith("by-person-")
    assert entry.after["calibration"] == "bench-a-10x"
    assert entry.after["revision"] in "KM"
    assert desk.sheet.progress() == "2 of 13, 1 of 13 indications decided"
    desk.press("U")
    assert desk.sheet.progress() == "1 of 12, 0 of 12 indications decided"


def test_drawn_crack_is_there_when_opened_again(desk: Desk, study: Path) -> None:
    desk.press("W")
    for x, y in ((60, 250), (140, 249)):
        points_layer(desk).add([y * 0.52, x * 0.5])
    desk.press("J")
    again = Desk(open_review(study))
    assert again.sheet.progress() == "1 of 13, 1 of 13 indications decided"
    again.press(*["PageDown"] * 12)
    assert again.sheet.queue.current.by_person
    assert again.lines()["drawn"] == "by a person"
    again.bench.close()


def test_line_outside_the_image_is_refused_in_a_sentence(desk: Desk) -> None:
    desk.press("W")
    for x, y in ((60, 250), (900, 249)):
        points_layer(desk).add([y * 0.52, x * 0.5])
    assert "leaves the image" in desk.bench.notice
    desk.press("J")
    assert desk.entries == ()


def test_changed_image_is_shown_but_takes_no_decision(study: Path) -> None:
    opened = open_review(study)
    for job in opened.study.jobs:
        pixels = tifffile.imread(job.path)
        pixels[0, 0] ^= 1
        tifffile.imwrite(job.path, pixels)
    desk = Desk(opened)
    assert "is not the file that was measured" in desk.bench.notice
    assert image_layer(desk).data.shape == (300, 420)
    desk.press("J")
    assert "nothing can be decided on it" in desk.bench.notice
    assert desk.entries == ()
    desk.press("G", "J")
    assert desk.entries == ()
    desk.bench.close()


def test_missing_image_is_said(study: Path) -> None:
    opened = open_review(study)
    for job in opened.study.jobs:
        job.path.unlink()
    desk = Desk(opened)
    assert "Nothing can be decided on it." in desk.bench.notice
    desk.press("J", "G", "W")
    assert desk.entries == ()
    desk.bench.close()


def test_record_that_cannot_be_written_is_said_and_nothing_moves(desk: Desk) -> None:
    first = desk.sheet.queue.current
    desk.bench.opened.record.mkdir()
    desk.press("J")
    assert "could not be written" in desk.bench.notice
    assert desk.sheet.queue.current.indication == first.indication


def test_what_is_drawn_can_be_hidden(desk: Desk) -> None:
    lines = [layer for layer in desk.viewer.layers if type(layer).__name__ == "Vectors"]
    assert lines
    assert all(layer.visible for layer in lines)
    desk.press("H", "PageDown")
    assert not any(layer.visible for layer in lines)
    desk.press("H")
    assert all(layer.visible for layer in lines)


def test_measurement_is_set_aside_with_a_reason_and_taken_up(desk: Desk) -> None:
    desk.press("F3")
    assert desk.sheet.progress() == "1 of 4"
    assert desk.lines()[LONGEST] == "31 µm, uncertainty unknown"
    desk.press("Q")
    desk.bench.answer("  ")
    assert desk.entries == ()
    desk.press("Q")
    assert desk.bench.asks() == "Why is this value set aside?"
    desk.bench.answer("dust on the fold")
    (entry,) = desk.entries
    assert entry.action == "set-aside"
    assert (entry.quantity, entry.feature, entry.statistic) == (
        "candidate_length_max",
        "fold",
        "value",
    )
    assert entry.remark == "dust on the fold"
    assert entry.shown["value"] == 31.0
    assert desk.sheet.state()[0] == "Set aside by XY"
    assert "set aside: dust on the fold" in desk.lines()[LONGEST]
    desk.press("Q")
    assert [e.action for e in desk.entries] == ["set-aside", "undo"]
    assert desk.sheet.state()[0] == "In use"


def test_marks_of_the_measurement_are_drawn(desk: Desk) -> None:
    desk.press("F3")
    drawn = sum(len(x.data) for x in desk.viewer.layers if type(x).__name__ == "Vectors")
    assert drawn > 20


def test_region_is_drawn_anew_and_measured_again(desk: Desk) -> None:
    desk.press("F3", "G")
    assert desk.sheet.state()[0] == "The region is being drawn anew"
    desk.press("Shift-Right")
    assert "now" in desk.lines()[LONGEST]
    desk.press("J")
    (entry,) = desk.entries
    assert entry.action == "redraw"
    assert entry.after["field"] == "region"
    assert len(entry.after["value"]) == 4
    assert {v["quantity"] for v in entry.after["values"]} >= {"candidate_length_max"}
    assert desk.sheet.state() == (
        "Drawn anew by a person; the next run measures with it", "by-person"
    )  # fmt: skip
    desk.press("U")
    assert desk.sheet.state()[0] == "In use"


def test_fold_line_is_drawn_anew(desk: Desk) -> None:
    desk.press("F3", "W")
    assert desk.sheet.state()[0] == "The fold line is being drawn anew"
    assert len(points_layer(desk).data) == 2
    desk.press("Down", "Down", "J")
    after = desk.entries[-1].after
    assert after["field"] == "fold"
    assert after["value"] == pytest.approx([0, 140, 419, 138])


def test_two_revisions_lie_at_one_scale_with_one_camera(desk: Desk) -> None:
    desk.press("F4")
    assert desk.viewer.grid.enabled
    assert [layer.name for layer in desk.viewer.layers] == ["left", "right"]
    left, right = desk.viewer.layers
    assert tuple(left.scale) == tuple(right.scale)
    assert left.contrast_limits == right.contrast_limits
    assert desk.sheet.heading() == "K1 · lot K  |  M2 · lot M"
    desk.press("Q")
    assert left.contrast_limits != right.contrast_limits
    desk.press(".")
    assert desk.sheet.heading() == "K1 · lot K  |  M1 · lot M"
    desk.press("F2")
    assert not desk.viewer.grid.enabled
    assert desk.sheet.progress().startswith("1 of 12")


def test_reading_of_the_ruler_is_added_with_the_operators_mark(desk: Desk) -> None:
    desk.press("F5")
    points = points_layer(desk)
    points.add([10.0, 10.0])
    points.add([14.0, 13.0])
    assert desk.lines()["distance"] == "5 µm, uncertainty unknown"
    desk.press("J")
    assert desk.bench.asks().startswith("What was measured")
    desk.bench.answer("burr height")
    (entry,) = desk.entries
    assert (entry.action, entry.by) == ("measure", "XY")
    assert (entry.quantity, entry.feature) == ("distance_by_hand", "burr height")
    assert entry.after["estimate"]["value"] == pytest.approx(5.0)
    assert entry.after["estimate"]["components"] is None
    assert desk.bench.notice == "Added to the study as distance_by_hand, burr height."
    assert not any(x.visible for x in desk.viewer.layers if x.name == "image: points")


def test_further_click_sets_the_last_point_anew(desk: Desk) -> None:
    desk.press("F5")
    points = points_layer(desk)
    for x in (10.0, 13.0, 16.0):
        points.add([10.0, x])
    assert len(points.data) == 2
    assert desk.lines()["distance"].startswith("6 µm")
    desk.press("Escape")
    assert "length" in desk.lines()


def test_no_key_of_ours_is_taken_by_a_layer() -> None:
    from napari.settings import get_settings

    shortcuts = get_settings().shortcuts.shortcuts
    taken = {str(key) for keys in shortcuts.values() for key in keys}
    only_while_points_are_set = {key.key for name, keys in ALL_KEYS for key in keys
                                 if name == "While points are set"}  # fmt: skip
    ours = {key.key for _, keys in ALL_KEYS for key in keys}
    assert ours & taken <= only_while_points_are_set


def test_every_key_of_a_view_is_given_once() -> None:
    for _, keys in ALL_KEYS:
        assert len({key.key for key in keys}) == len(keys)
