from micromeasure.study.check import check_images
from micromeasure.study.load import load_study


def findings(folder):
    return check_images(load_study(folder.path))


def test_a_sound_study_has_no_findings(folder):
    found = findings(folder)
    assert found.image_problems == ()
    assert found.notes == ()


def test_images_missing_damaged_or_of_another_size(folder):
    folder.replace(folder.manifest, "M1.tif", "M11.tif")
    (folder.images / "K1.tif").write_bytes(b"II*\0 not really")
    problems = findings(folder).image_problems
    assert problems[0].startswith("K1.tif: is damaged or not an image")
    assert problems[1] == "M11.tif: is not in the images folder; did you mean 'M1.tif'?"
    folder.image("K1.tif", (64, 48))
    assert "is 48 x 64 px, but calibration" in findings(folder).image_problems[0]


def test_regions_outside_the_image(folder):
    folder.replace(folder.manifest, "view,operator", "view,region")
    folder.replace(folder.manifest, "ann", "0 0 64 20")
    folder.replace(folder.manifest, "ben", "0 0 63 20")
    (problem,) = findings(folder).image_problems
    assert problem.startswith("K1.tif, region: 0 0 64 20 reaches outside the image of 64 x 48 px")


def test_notes_for_what_is_measured_with_a_doubt(folder):
    folder.replace(folder.manifest, "view,operator", "view,section_tilt_degr")
    folder.image("K1.tif", (48, 64), resolution=(100, 100), resolutionunit="CENTIMETER")
    text = "\n".join(findings(folder).notes)
    assert "K1.tif: will be flagged 'pixel-size-disagrees'." in text
    assert "did you mean 'section_tilt_deg'?" in text


def test_companion_frames_are_looked_at_once(folder):
    folder.replace(folder.study, "film_thickness", "optical_density")
    folder.replace(folder.study, "tolerance_um", "tolerance_1")
    folder.replace(folder.study, 'layers = ["diaphragm"]', 'open_light = "open.tif"')
    (problem,) = findings(folder).image_problems
    assert "[[measure]] 1, open_light: open.tif: is not in the images folder" in problem
    folder.image("open.tif", (48, 60))
    assert "but open.tif is 60 x 48 px" in findings(folder).image_problems[0]


def test_a_row_for_a_companion_frame_is_not_called_unused(folder):
    folder.replace(folder.study, "film_thickness", "optical_density")
    folder.replace(folder.study, "tolerance_um", "tolerance_1")
    folder.replace(folder.study, 'layers = ["diaphragm"]', 'open_light = "open.tif"')
    folder.image("open.tif", (48, 64))
    folder.image("spare.tif", (48, 64))
    text = folder.manifest.read_text(encoding="utf-8")
    folder.manifest.write_text(text + "open.tif,,,open-light,ann\n", encoding="utf-8")
    assert findings(folder).notes == ()
    folder.manifest.write_text(text + "spare.tif,,,spare,ann\n", encoding="utf-8")
    (note,) = findings(folder).notes
    assert note == "1 of 3 images have a view that nothing measures."
