import datetime as dt

import pytest

from micromeasure.errors import StudyError
from micromeasure.study.load import load_study


def problems_of(folder):
    with pytest.raises(StudyError) as caught:
        load_study(folder.path)
    return "\n".join(caught.value.problems)


def test_a_sound_study_is_read_whole(folder):
    study = load_study(folder.path)
    assert study == load_study(folder.study)
    assert [job.record.specimen for job in study.jobs] == ["K1", "M1"]
    assert study.jobs[0].calibration.um_per_px == (0.34512, 0.34508)
    assert study.jobs[1].record.extra == {"operator": "ben"}
    assert study.extra_columns == ("operator",)
    assert study.measures[0].settings.layers == ("diaphragm",)
    assert (study.comparisons[0].tolerance, study.comparisons[0].unit) == (1.5, "um")


def test_no_study_file(tmp_path):
    with pytest.raises(StudyError, match="no such study file"):
        load_study(tmp_path)


def test_every_problem_is_reported_at_once(folder):
    folder.replace(folder.study, 'layers = ["diaphragm"]', 'layres = ["diaphragm"]')
    folder.replace(folder.study, "[[compare]]\nquantity = ", "[[compare]]\nquantiti = ")
    folder.replace(folder.calibration, "0.34512", "-0.34512")
    folder.replace(folder.manifest, "M1.tif,M1,M", "../M1.tif,M1,M")
    text = problems_of(folder)
    assert "study.toml, [[measure]] 1: unknown key 'layres'; did you mean 'layers'?" in text
    assert "[[compare]] 1: unknown key 'quantiti'; did you mean 'quantity'?" in text
    assert "bench-a-20x.toml, um_per_px" in text
    assert "images.csv, line 3, image: found '../M1.tif'" in text


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("film_thickness", "film_thicknes", "did you mean 'film_thickness'?"),
        ('view = "film-section"', 'view = "film-sektion"', "did you mean 'film-section'?"),
        ("bench-a-20x", "bench-a-20", "did you mean 'bench-a-20x'?"),
        ('images = "images"', 'images = "pictures"', "there is no folder pictures"),
        ("schema = 1", "schema = 2", "schema: found 2; must be at most 1"),
        ('manifest = "images.csv"', "", "found neither of 'manifest' and 'pattern'"),
        ("tolerance_um = 1.5", "tolerance_um = 0", "tolerance: found 0; must be above 0"),
        ("tolerance_um = 1.5", "tolerance_um = 1\ntolerance_mm = 1", "give one tolerance"),
        ("[[measure]]", "[measure]", "must be a list of tables"),
        ("schema = 1", "schema = ", "is not valid TOML"),
        ("schema = 1", 'schema = 1\nreference = "L"', "no image has the revision 'L'"),
        ("schema = 1", 'schema = 1\nevidence = ["none.csv"]', "there is no file none.csv"),
    ],
)
def test_study_file_faults(folder, old, new, sentence):
    folder.replace(folder.study, old, new)
    assert sentence in problems_of(folder)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("image,specimen", "file,specimen", "header: column 'image' is missing"),
        ("view,operator", "view,view", "header: column 'view' stands twice"),
        ("K1.tif,K1,K,film-section,ann", "K1.tif,K1,K", "line 2: found 3 cells; must be 5"),
        ("M1.tif", "K1.tif", "line 3, image: 'K1.tif' stands in line 2 too"),
        ("M1.tif", "/etc/passwd", "must be a path inside the images folder"),
        ("M1.tif", "C:\\M1.tif", "must be a path inside the images folder"),
        ("view,operator", "view,state", "line 2, state: found 'ann'; must be free, pressed"),
        ("view,operator", "view,taken", "line 2, taken: found 'ann'; must be a date"),
        ("view,operator", "view,section_tilt_deg", "a number from -80 to 80"),
        ("view,operator", "view,region", "four numbers 'x0 y0 x1 y1'"),
        ("view,operator", "view,calibration", "there is no calibration 'ann'"),
    ],
)
def test_manifest_faults(folder, old, new, sentence):
    folder.replace(folder.manifest, old, new)
    assert sentence in problems_of(folder)


def test_a_link_out_of_the_images_folder_is_refused(folder):
    (folder.images / "M1.tif").unlink()
    (folder.images / "M1.tif").symlink_to(folder.study)
    assert "not a link out of it" in problems_of(folder)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("x = 0.34512", "x = nan", "um_per_px"),
        ("x = 0.34512", "x = 0", "must be above 0 um/px"),
        ("schema = 1", "schema = 1\nobjektive = 2", "unknown key 'objektive'"),
        ("valid_until = 2027", "valid_until = 2025", "valid_until 2025-02-11 is before made"),
        ("[64, 48]", "[64.5, 48]", "must be [width, height] in whole pixels"),
    ],
)
def test_calibration_faults(folder, old, new, sentence):
    folder.replace(folder.calibration, old, new)
    text = problems_of(folder)
    assert "bench-a-20x.toml" in text
    assert sentence in text


def test_manifest_with_dates_regions_tilt_semicolons_and_quotes(folder):
    folder.manifest.write_text(
        "image;specimen;revision;view;taken;region;section_tilt_deg;note\n"
        'K1.tif;K1;K;film-section;2026-03-01;"1 2 30 40";5;"two\nlines"\n',
        encoding="utf-8-sig",
    )
    record = load_study(folder.path).records[0]
    assert record.taken == dt.date(2026, 3, 1)
    assert record.region == (1, 2, 30, 40)
    assert record.section_tilt_deg == 5
    assert record.extra == {"note": "two\nlines"}


def test_pattern_instead_of_a_manifest(folder):
    (folder.images / "K1.tif").rename(folder.images / "K_1_film-section_2.tif")
    folder.replace(
        folder.study,
        'manifest = "images.csv"',
        'pattern = "{revision}_{specimen}_{view}_{position}.tif"',
    )
    (record,) = load_study(folder.path).records
    assert (record.revision, record.specimen, record.position) == ("K", "1", "2")
    folder.replace(folder.study, "{position}", "{place}")
    assert "unknown field 'place'" in problems_of(folder)


def test_companion_frames_stay_inside_the_images_folder(folder):
    folder.replace(folder.study, "film_thickness", "optical_density")
    folder.replace(folder.study, 'layers = ["diaphragm"]', 'open_light = "../../secret.tif"')
    assert "open_light: found '../../secret.tif'; must be a path inside" in problems_of(folder)


def test_a_manifest_row_for_a_companion_frame_goes_with_every_job_that_uses_it(folder):
    folder.replace(folder.study, 'film_thickness"\nview', 'optical_density"\nview')
    folder.replace(folder.study, 'layers = ["diaphragm"]', 'open_light = "open.tif"')
    folder.replace(folder.study, 'quantity = "film_thickness"\ntolerance_um', 'quantity = '
                   '"optical_density"\ntolerance_1')  # fmt: skip
    text = "image,specimen,revision,view,exposure_s\nK1.tif,K1,K,film-section,0.04\n"
    folder.manifest.write_text(text + "open.tif,,,open-light,0.01\n", encoding="utf-8")
    folder.image("open.tif", (48, 64))
    (job,) = load_study(folder.path).jobs
    (record,) = job.frame_records.values()
    assert record.image == "open.tif"
    assert record.extra == {"exposure_s": "0.01"}
