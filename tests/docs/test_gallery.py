"""The page on what goes wrong shows what the program says of these very images."""

import importlib.util
import sys
from pathlib import Path

import pytest

DOCS = Path(__file__).parents[2] / "docs"
PAGE = (DOCS / "howto" / "what-goes-wrong.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def gallery():
    spec = importlib.util.spec_from_file_location("docs_gallery", DOCS / "gallery.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize(
    ("name", "flags"),
    [
        ("sound", ()),
        ("out-of-focus", ("out-of-focus",)),
        ("saturated", ("saturated",)),
        ("too-thin", ("resolution-limited",)),
    ],
)
def test_each_fault_raises_the_flag_the_page_names(gallery, name, flags):
    _, outcome, found = gallery.measured(name)
    assert found == flags
    assert outcome.measurements
    assert f"what-goes-wrong/{name}.jpg" in PAGE
    assert all(f"`{flag}`" in PAGE for flag in flags)


def test_a_sound_image_gives_the_true_thickness_and_a_clipped_one_does_not(gallery):
    sound = gallery.measured("sound")[1].measurements[0].estimate
    assert abs(sound.value - 24.0) < 5 * sound.standard_uncertainty
    clipped = gallery.measured("saturated")[1].measurements[0].estimate
    assert clipped.value - 24.0 > 5 * clipped.standard_uncertainty


def test_a_crack_is_a_candidate_and_scratches_are_none(gallery):
    assert len(gallery.measured("crack")[1].indications) == 1
    assert gallery.measured("scratches")[1].indications == ()


def test_every_picture_of_the_page_is_there():
    for name in ("delaminated", "dust-and-scratches", "crack", "scratches"):
        assert (DOCS / "howto" / "what-goes-wrong" / f"{name}.jpg").is_file()
