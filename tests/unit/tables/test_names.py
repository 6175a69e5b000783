"""Names of overlays and traces stay inside the results folder and never meet."""

from pathlib import PurePosixPath

from hypothesis import given
from hypothesis import strategies as st

from micromeasure.tables.names import overlay_name, profile_name, safe_name, slot_names


def test_a_quantity_measured_twice_in_an_image_gets_a_number():
    names = slot_names(["film_thickness", "dome_height", "film_thickness"])
    assert names == ("film_thickness", "dome_height", "film_thickness-2")


def test_usual_names_are_left_alone():
    assert overlay_name("lot K/K-1_a.tif", "film_thickness") == (
        "overlays/lot K/K-1_a.tif.film_thickness.jpg"
    )
    assert profile_name("K-1.tif", "film_thickness", "diaphragm µ") == (
        "profiles/K-1.tif.film_thickness.diaphragm µ.csv"
    )


@given(st.text(min_size=1, max_size=40), st.text(max_size=20))
def test_no_name_leaves_the_folder(image, trace):
    parts = PurePosixPath(profile_name(image, "film_thickness", trace)).parts
    assert parts[0] == "profiles"
    assert ".." not in parts
    assert not any(set(part) & set('\\:*?"<>|\0\n') for part in parts)


@given(st.lists(st.text(max_size=300), unique=True, min_size=2, max_size=6))
def test_different_texts_have_different_names(texts):
    assert len({safe_name(text) for text in texts}) == len(texts)
    assert max(len(safe_name(text)) for text in texts) < 120
