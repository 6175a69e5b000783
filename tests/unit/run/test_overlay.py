"""Overlays show marks where they belong, whatever the image and its scale."""

import cv2
import numpy as np
import pytest

from micromeasure.calibration.file import Calibration
from micromeasure.micrograph.image import Header, ImageRecord, Micrograph
from micromeasure.outcome import Failure, Mark, Outcome
from micromeasure.run.overlay import Picture, _dashes, _for_looking
from micromeasure.run.palette import STYLES


def micrograph(pixels, *, origin=(0, 0), calibration="bench"):
    rows, cols = pixels.shape[:2]
    return Micrograph(
        pixels=pixels,
        calibration=Calibration(schema=1, id=calibration, um_per_px=(0.5, 0.52)),
        record=ImageRecord(image="K-1_a.tif"),
        header=Header(
            format="TIFF", width_px=cols, height_px=rows, channels=1, dtype="uint16", bits=16
        ),
        origin_px=origin,
    )


def seen(data):
    return cv2.imdecode(np.frombuffer(data, dtype=np.uint8), cv2.IMREAD_COLOR).astype(int)


def line_rows(picture, column):
    """Return the rows at which a column is orange, as edges are."""
    blue, _, red = picture[:, column].T
    return np.flatnonzero((red > 180) & (blue < 120) & (red - blue > 100))


@pytest.mark.parametrize(
    ("shape", "factor"), [((1500, 3200), 0.5), ((900, 1600), 1.0), ((60, 80), 10.0)]
)
def test_a_line_lies_where_it_was_measured(shape, factor):
    rows, cols = shape
    edge = Mark(role="edge", points_px=np.array([[0.0, rows * 0.3], [cols - 1.0, rows * 0.3]]))
    picture = seen(
        Picture(micrograph(np.zeros(shape, np.uint16))).painted(Outcome(marks=(edge,)), "t")
    )
    assert picture.shape[1] == cols * factor
    found = line_rows(picture, int(cols * factor / 2))
    assert found.mean() == pytest.approx((rows * 0.3 + 0.5) * factor - 0.5, abs=1.0)


def test_a_window_shows_marks_of_the_whole_image():
    edge = Mark(role="edge", points_px=np.array([[5000.0, 7050.0], [6700.0, 7050.0]]))
    window = micrograph(np.zeros((300, 1600), np.uint16), origin=(5000, 7000))
    picture = seen(Picture(window).painted(Outcome(marks=(edge,)), "t"))
    assert line_rows(picture, 800).mean() == pytest.approx(50, abs=1.0)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
def test_grey_levels_are_stretched_and_keep_their_order(dtype):
    ramp = np.tile(np.linspace(40, 200, 400), (50, 1)).astype(dtype)
    shown = _for_looking(ramp, 1.0)[25, :, 0].astype(int)
    assert shown[0] == 0
    assert shown[-1] == 255
    assert (np.diff(shown) >= 0).all()


def test_colour_keeps_its_channels():
    pixels = np.zeros((40, 60, 3), np.uint8)
    pixels[..., 0] = np.linspace(0, 255, 60)  # red, as micrographs are in the order R, G, B
    assert _for_looking(pixels, 1.0)[20, -1].tolist() == [0, 0, 255]


def test_gaps_flat_images_and_odd_marks_do_no_harm():
    nowhere = np.full((3, 2), np.nan)
    marks = (
        Mark(role="edge", points_px=nowhere, label="lost"),
        Mark(role="edge", points_px=np.empty((0, 2))),
        Mark(role="mid-line", points_px=np.array([[1.0, 2.0]])),
        Mark(role="mid-line", points_px=np.array([[1.0, 2.0], [1.0, 2.0]])),
        Mark(role="band", points_px=np.array([[0.0, 0.0], [1e9, -1e9], [np.nan, 0], [3, 3]])),
        Mark(role="no such role", points_px=np.array([[0.0, 0.0], [5.0, 5.0]]), label="x" * 500),
    )
    flat = np.full((31, 47), 7, np.uint16)
    flat_float = np.full((31, 47), np.nan, np.float32)
    for pixels in (flat, flat_float):
        whole = Picture(micrograph(pixels)).painted(Outcome(marks=marks, caption="µ " * 400), "t")
        assert seen(whole).size


@pytest.mark.parametrize("shape", [(1, 1), (1, 5000), (7000, 3), (3333, 5001)])
def test_every_shape_has_a_picture(shape):
    picture = seen(Picture(micrograph(np.ones(shape, np.uint16))).painted(Outcome(), "t"))
    assert max(picture.shape) <= 1700


def test_a_failure_is_shown_with_its_reason():
    picture = Picture(micrograph(np.zeros((60, 80), np.uint16), calibration=""))
    with_reason = picture.painted(Outcome(failures=(Failure(reason="no film was found"),)), "t")
    without = picture.painted(Outcome(), "t")
    assert with_reason != without


def test_dashes_have_equal_length_along_a_bent_line():
    line = np.array([[0.0, 0.0], [30.0, 0.0], [30.0, 40.0], [30.0, 40.0], [75.0, 40.0]])
    pieces = _dashes(line, 10.0, 5.0)
    lengths = [np.hypot(*np.diff(piece, axis=0).T).sum() for piece in pieces]
    assert len(pieces) == 8
    assert lengths == pytest.approx([10.0] * 7 + [10.0])
    assert pieces[2][0] == pytest.approx([30.0, 0.0])


def test_roles_differ_in_more_than_colour():
    light = {role: np.dot(s.colour, (0.2126, 0.7152, 0.0722)) for role, s in STYLES.items()}
    looks = {
        (round(light[role] / 24), style.dash_px, style.width_px, role == "point")
        for role, style in STYLES.items()
    }
    assert len(looks) == len(STYLES)
