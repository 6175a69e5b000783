import numpy as np

from micromeasure.cracks.matching import match

CRACK = np.array([[10.0, 20.0], [210.0, 20.0]])


def piece(start, stop, y=21.0):
    return np.array([[start, y], [stop, y]])


def test_a_candidate_on_a_crack_is_true_and_one_beside_it_is_not():
    found = match([piece(20, 150), piece(20, 150, 30.0)], [(CRACK, [])])
    assert found.crack_of == (0, -1)
    assert found.best_of == (0,)
    assert found.shares[0] == 1.0


def test_parts_that_together_cover_a_crack_hit_it():
    parts = [piece(10, 50), piece(100, 145)]
    assert match(parts[:1], [(CRACK, [])]).best_of == (-1,)
    assert match(parts, [(CRACK, [])]).best_of == (1,)


def test_a_candidate_on_a_branch_is_true_but_finds_no_main_path():
    branch = np.array([[110.0, 20.0], [150.0, 90.0]])
    found = match([np.array([[115.0, 30.0], [148.0, 86.0]])], [(CRACK, [branch])])
    assert found.crack_of == (0,)
    assert found.best_of == (-1,)


def test_without_cracks_all_candidates_are_false():
    assert match([piece(20, 50)], []).crack_of == (-1,)
