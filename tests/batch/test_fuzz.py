"""Whatever stands in a file, the answer is a result or one clear error, never a crash.

A bounded budget here; for a long search by hand: ``FUZZ_EXAMPLES=20000 pytest
tests/batch/test_fuzz.py``.
"""

import io
import os
import tempfile
import tomllib
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from micromeasure.calibration.file import Calibration, read_calibration
from micromeasure.errors import CalibrationError, ImageReadError, StudyError
from micromeasure.micrograph.image import ImageRecord
from micromeasure.micrograph.reading import read_header, read_micrograph
from micromeasure.run.plain import outcome_from_text
from micromeasure.run.task import Task
from micromeasure.run.worker import measure_image
from micromeasure.study.load import examine_study
from micromeasure.study.model import Job, Measure

EXAMPLES = int(os.environ.get("FUZZ_EXAMPLES", "60"))
MAX_PIXELS = 200_000
bounded = settings(
    max_examples=EXAMPLES,
    deadline=None,
    derandomize="FUZZ_EXAMPLES" not in os.environ,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
pytestmark = pytest.mark.usefixtures("stand")

STUDY = b"""schema = 1
title = "Pressure switch"
calibrations = "."
manifest = "images.csv"
calibration = "bench"
reference = "K"

[[measure]]
quantity = "stand_level"
view = "plate"
gain = 1.5
region = [1, 2, 8, 9]
dark = "dark.tif"

[[compare]]
quantity = "stand_level"
tolerance_um = 15
"""
MANIFEST = b"""image,specimen,revision,view,position,state,taken,section_tilt_deg,region,operator
a.tif,K-1,K,plate,a,free,2026-03-01,1.5,1 2 8 9,ab
b.tif,M-1,M,plate,b,pressed,2026-03-02,,,\xc3\xa9
"""
CALIBRATION = b"""schema = 1
id = "bench"
objective = "20x/0.45"
image_size_px = [17, 12]
um_per_px = { x = 0.5, y = 0.52 }
u_um_per_px = { x = 0.0004, y = 0.0004 }
made = 2026-02-11
valid_until = 2027-02-11
[reference]
pitch_um = 10.0
[fit]
lines = { x = 61, y = 52 }
[light]
transfer = "linear"
numerical_aperture = 0.45
"""


def _sample(kind: str) -> bytes:
    pixels = np.random.default_rng(2).integers(0, 4000, (12, 17), dtype=np.uint16)
    if kind in {"png", "bmp", "jpg"}:
        return cv2.imencode(f".{kind}", (pixels >> 4).astype(np.uint8))[1].tobytes()
    sink = io.BytesIO()
    more = {
        "tif": {},
        "deflate": {"compression": "deflate", "predictor": True},
        "lzw": {"compression": "lzw"},
        "tiles": {"tile": (16, 16), "compression": "deflate"},
        "big": {"bigtiff": True, "resolution": (20000, 20000), "resolutionunit": "CENTIMETER"},
        "ome": {"ome": True, "metadata": {"axes": "YX", "PhysicalSizeX": 0.5}},
    }[kind]
    tifffile.imwrite(sink, pixels, **more)
    return sink.getvalue()


IMAGES = {
    kind: _sample(kind)
    for kind in ("tif", "deflate", "lzw", "tiles", "big", "ome", "png", "bmp", "jpg")
}

edits = st.lists(
    st.tuples(
        st.sampled_from(["set", "cut", "insert", "repeat"]),
        st.floats(0, 1, exclude_max=True),
        st.binary(min_size=1, max_size=8),
    ),
    min_size=1,
    max_size=6,
)
numbers = st.sampled_from(
    [b"0", b"-1", b"1e999", b"nan", b"inf", b"99999999999999999999", b"true", b"[]", b"{}", b'""',
     b"'=1+1'", b"../../etc/passwd", b"/etc/passwd", b"\xff\xfe", b"\0", b",", b'"', b"\n"]
)  # fmt: skip


def mutated(data: bytes, changes: list[tuple[str, float, bytes]]) -> bytes:
    for kind, place, piece in changes:
        at = int(place * (len(data) + 1))
        if kind == "set":
            data = data[:at] + piece + data[at + len(piece) :]
        elif kind == "cut":
            data = data[:at] + data[at + 8 * len(piece) :]
        elif kind == "insert":
            data = data[:at] + piece + data[at:]
        else:
            data = data[:at] + data[max(0, at - 40) :]
    return data


texts_changed = st.lists(
    st.tuples(
        st.just("set"),
        st.floats(0, 1, exclude_max=True),
        st.one_of(numbers, st.binary(max_size=6, min_size=1)),
    ),
    min_size=1,
    max_size=5,
)


def examined(study: bytes = STUDY, manifest: bytes = MANIFEST) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "images").mkdir()
        for image in ("a.tif", "b.tif", "dark.tif"):
            (folder / "images" / image).write_bytes(IMAGES["tif"])
        (folder / "study.toml").write_bytes(study)
        (folder / "images.csv").write_bytes(manifest)
        (folder / "bench.toml").write_bytes(CALIBRATION)
        try:
            found, problems = examine_study(folder)
        except StudyError as error:
            problems, found = error.problems, None
        assert all(isinstance(p, str) and p.strip() for p in problems)
        if found is None:
            assert problems
            return
        if problems:
            return
        inside = found.images.resolve()
        for job in found.jobs:
            paths = [job.path, *(p for many in job.frames.values() for p in many)]
            assert all(p.resolve().is_relative_to(inside) for p in paths)


def test_the_samples_themselves_are_sound():
    examined()
    assert tomllib.loads(STUDY.decode())
    for kind, data in IMAGES.items():
        path = Path(tempfile.mkdtemp()) / kind
        path.write_bytes(data)
        assert read_header(path).width_px == 17, kind


@bounded
@given(st.one_of(texts_changed, edits))
def test_study_files(changes):
    examined(study=mutated(STUDY, changes))


@bounded
@given(st.one_of(texts_changed, edits))
def test_manifests(changes):
    examined(manifest=mutated(MANIFEST, changes))


@bounded
@given(st.binary(max_size=200))
def test_any_bytes_as_a_manifest(data):
    examined(manifest=b"image,view\n" + data)


@bounded
@given(st.one_of(texts_changed, edits))
def test_calibration_files(tmp_path, changes):
    path = tmp_path / "bench.toml"
    path.write_bytes(mutated(CALIBRATION, changes))
    found, problems = None, []
    try:
        found = read_calibration(path)
    except CalibrationError as error:
        problems = error.problems
    assert all(problem.startswith("bench.toml") for problem in problems)
    assert problems or min(found.um_per_px) > 0


@bounded
@given(st.sampled_from(sorted(IMAGES)), edits)
def test_image_files(tmp_path, kind, changes):
    path = tmp_path / "image.tif"
    path.write_bytes(mutated(IMAGES[kind], changes))
    calibration = Calibration(schema=1, id="bench", um_per_px=(0.5, 0.52))
    micrograph, message = None, ""
    try:
        micrograph = read_micrograph(path, calibration=calibration, max_pixels=MAX_PIXELS)
    except ImageReadError as error:
        message = str(error)
    assert message.startswith("image.tif") or micrograph is not None
    if micrograph is not None:
        rows, cols = micrograph.pixels.shape[:2]
        assert rows * cols <= MAX_PIXELS
        assert (cols, rows) == (micrograph.header.width_px, micrograph.header.height_px)


@bounded
@given(st.sampled_from(sorted(IMAGES)), edits)
def test_a_worker_survives_every_image(tmp_path, kind, changes):
    from stand_quantity import LevelSettings

    path = tmp_path / "image.tif"
    path.write_bytes(mutated(IMAGES[kind], changes))
    job = Job(
        number=0,
        record=ImageRecord(image="image.tif", view="plate"),
        path=path,
        calibration=Calibration(schema=1, id="bench", um_per_px=(0.5, 0.52)),
        measures=(
            Measure(number=1, quantity="stand_level", view="plate", settings=LevelSettings()),
        ),
    )
    task = Task(
        job=job,
        slots=("stand_level",),
        requests=("r",),
        out=tmp_path / "out",
        max_pixels=MAX_PIXELS,
    )
    result = measure_image(task)
    assert not result.halt
    (measure,) = result.measures
    outcome = outcome_from_text(measure.outcome)
    assert outcome.measurements or outcome.failures
    # A damaged image is a failure with a reason, never a fault of the program.
    assert not any("fault in the program" in reason for reason in measure.reasons), measure.reasons
