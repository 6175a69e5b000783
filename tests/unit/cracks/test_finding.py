"""What the search finds in a few rendered views of each kind: far below the figures in the docs."""

import numpy as np

from micromeasure.calibration.file import Calibration
from micromeasure.cracks.finding import find_candidates
from micromeasure.cracks.matching import match
from micromeasure.cracks.patch import cut_strip
from micromeasure.micrograph.image import Header, ImageRecord, Micrograph
from micromeasure.quantities.crack_length import CrackSettings
from micromeasure.reference.fold_view import draw_conditions, render_fold_view

UM_PER_PX = (0.8, 0.8)
VIEWS = 10


def searched(number):
    rng = np.random.default_rng([4711, number])
    conditions = draw_conditions(rng, size_px=(560, 400), cracks=1 + number % 2, cnr=(4.0, 8.0))
    view = render_fold_view(rng, conditions)
    rows, cols = view.pixels.shape
    header = Header(
        format="TIFF", width_px=cols, height_px=rows, channels=1,
        dtype=view.pixels.dtype.name, bits=conditions.bits,
    )  # fmt: skip
    micrograph = Micrograph(
        pixels=view.pixels,
        calibration=Calibration(
            schema=1, id="t", um_per_px=UM_PER_PX, u_um_per_px=(0.0004, 0.0004)
        ),
        record=ImageRecord(image="view.tif"), header=header,
    )  # fmt: skip
    patch = cut_strip(micrograph, view.fold_px, band_um=conditions.band_px * UM_PER_PX[0])
    found = find_candidates(
        patch, min_length_um=16.0, max_width_um=10.0, threshold=CrackSettings().threshold
    )
    lines = [patch.image_points(item.line.points) for item in found]
    return view.cracks, match(lines, [(c.centreline_px, c.branches_px) for c in view.cracks])


def test_most_cracks_of_some_length_are_found_with_few_false_candidates():
    hits, false = [], 0
    for number in range(VIEWS):
        cracks, matched = searched(number)
        false += sum(owner < 0 for owner in matched.crack_of)
        hits += [
            best >= 0
            for crack, best in zip(cracks, matched.best_of, strict=True)
            if crack.length_um((1.0, 1.0)) >= 40.0
        ]
    assert len(hits) >= 8
    assert np.mean(hits) >= 0.8
    assert false <= 0.4 * VIEWS


def test_a_branch_is_listed_with_the_crack_it_springs_from(drawing, jagged):
    main = jagged((110, 90), (300, 100))
    twig = jagged(main[6], (250, 165), steps=10, swing=4.0, seed=5)
    made = drawing().line(main).line(twig)
    patch = cut_strip(made.micrograph(), (10.0, 150.0, 410.0, 150.0), band_um=100.0)
    found = find_candidates(patch, min_length_um=16.0, max_width_um=10.0, threshold=0.3)
    assert len(found) == 1
    assert found[0].line.length_px > 170
    (branch,) = found[0].branches
    assert 50 < branch.length_px < 110
