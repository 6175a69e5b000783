import csv
import datetime as dt

import numpy as np
import pytest
import tifffile

from micromeasure.calibration.file import read_calibration
from micromeasure.calibration.geometry import CameraMode
from micromeasure.calibration.writing import write_calibration
from micromeasure.cli.main import main
from micromeasure.micrograph.reading import read_micrograph
from micromeasure.reference.micrometer import Grid, Rulings, View, render, sample_images

SCALE = (0.412, 0.409)


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench")
    rulings = Rulings(pitch_um=8.0, width_um=2.0, first=-40, last=40, lengths_um=(900.0,) * 3)
    rng = np.random.default_rng(5)
    common = {"size_px": (420, 300), "um_per_px": SCALE, "centre_um": (1.0, 450.0)}
    for name, turn in (("x", 2.0), ("x2", -1.0), ("y", 91.0)):
        image = render(rulings, View(rotation_deg=turn, **common), rng)
        tifffile.imwrite(folder / f"{name}.tif", image, compression="zlib")
    grid = Grid(kind="dots", pitch_um=12.0, size_um=6.0)
    view = View(size_px=(640, 460), um_per_px=SCALE, rotation_deg=2.0, k1_per_px2=1e-7)
    tifffile.imwrite(folder / "grid.tif", render(grid, view, rng))
    tifffile.imwrite(folder / "noise.tif", rng.integers(90, 110, (300, 420)).astype(np.uint8))
    colour = np.repeat(tifffile.imread(folder / "y.tif")[..., None], 3, axis=2)
    tifffile.imwrite(folder / "colour.tif", colour - np.arange(3, dtype=np.uint8))
    return folder


def calibrate(bench, out, *names, pitch="8", more=()):
    return main(
        ["calibrate", *(str(bench / f"{n}.tif") for n in names), "--pitch-um", pitch,
         "--objective", "20x/0.45", "--id", "bench-a-20x", "--out", str(out), *more]
    )  # fmt: skip


def test_two_ruled_images(bench, tmp_path, capsys):
    out = tmp_path / "a.toml"
    more = ["--u-pitch-um", "0.004", "--made", "2026-02-11", "--certificate", "C-17"]
    assert calibrate(bench, out, "x", "y", more=more) == 0
    made = read_calibration(out)
    for found, u, true in zip(made.um_per_px, made.u_um_per_px, SCALE, strict=True):
        assert abs(found - true) < 0.5 * u
        assert u / true == pytest.approx(5e-4, rel=0.02)
    assert made.image_size_px == (420, 300)
    assert made.valid_until == dt.date(2027, 2, 11)
    assert made.light.numerical_aperture == 0.45
    assert made.reference.certificate == "C-17"
    assert set(made.fit["lines"]) == {"x", "y"}
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "a-found.png", "a-residuals.svg", "a.toml",
    ]  # fmt: skip
    text = capsys.readouterr().out
    assert "95 % interval" in text
    assert "the largest part is the reference pitch" in text


def test_the_file_is_used_at_once(bench, tmp_path):
    out = tmp_path / "a.toml"
    assert calibrate(bench, out, "x", "y", more=["--u-pitch-um", "0.004"]) == 0
    made = read_calibration(out)
    assert read_micrograph(bench / "x.tif", calibration=made).flags == ()
    modes = tmp_path / "modes.toml"
    out.write_text(out.read_text() + "\n[[camera_modes]]\ncrop = [10, 20, 109, 89]\nbinning = 2\n")
    write_calibration(read_calibration(out), modes)
    assert read_calibration(modes).camera_modes == (CameraMode(crop=(10, 20, 109, 89), binning=2),)
    small = tmp_path / "small.tif"
    tifffile.imwrite(small, np.ones((35, 50), dtype=np.uint8))
    micrograph = read_micrograph(small, calibration=read_calibration(modes))
    assert micrograph.calibration.um_per_px == pytest.approx([2 * v for v in made.um_per_px])


def test_a_grid_gives_both_axes_and_the_distortion(bench, tmp_path, capsys):
    out = tmp_path / "g.toml"
    assert calibrate(bench, out, "grid", pitch="12", more=["--u-pitch-um", "0.001"]) == 0
    made = read_calibration(out)
    assert made.um_per_px == pytest.approx(SCALE, rel=2e-4)
    assert made.distortion.k1_per_px2 == pytest.approx(1e-7, rel=0.1)
    assert "stored in the file" in capsys.readouterr().out


def test_colour_and_a_region(bench, tmp_path):
    more = ["--u-pitch-um", "0.004", "--region", "5", "10", "400", "290"]
    assert calibrate(bench, tmp_path / "a.toml", "x", "colour", more=more) == 0
    made = read_calibration(tmp_path / "a.toml")
    assert made.um_per_px == pytest.approx(SCALE, rel=3e-4)
    assert made.image_size_px == (420, 300)


def test_without_the_pitch_uncertainty_the_scales_is_unknown(bench, tmp_path, capsys):
    assert calibrate(bench, tmp_path / "a.toml", "x", "y") == 0
    assert read_calibration(tmp_path / "a.toml").u_um_per_px is None
    assert "unknown" in capsys.readouterr().out


def test_calibrating_again_keeps_what_it_does_not_measure(bench, tmp_path):
    out = tmp_path / "a.toml"
    assert calibrate(bench, out, "x", "y") == 0
    text = out.read_text().replace(
        'id = "bench-a-20x"', 'id = "bench-a-20x"\nedge_offset_um = 0.05\nu_edge_offset_um = 0.01'
    )
    out.write_text(text + 'transfer = "srgb"\n')  # the last table is [light]
    assert calibrate(bench, out, "x2", "y") == 0
    again = read_calibration(out)
    assert again.edge_offset_um == 0.05
    assert again.light.transfer == "srgb"


@pytest.mark.parametrize(
    ("names", "pitch", "more", "says"),
    [
        (("x",), "8", (), "the scale in y is not determined"),
        (("x", "x2"), "8", (), "both ruled along x"),
        (("x", "noise"), "8", (), "noise.tif: no ruling"),
        (("x", "y"), "0", (), "must be above 0"),
        (("x", "y"), "-8", (), "must be above 0"),
        (("x", "x"), "8", (), "given twice"),
        (("x", "grid"), "8", (), "differ in size"),
        (("grid",), "12", ("--pattern", "rulings"), "grid"),
        (("x", "y"), "8", ("--temperature", "23"), "belong together"),
        (("x", "missing"), "8", (), "missing.tif"),
        (("x", "y"), "8", ("--region", "0", "0", "20", "20"), "at least 32 px"),
        (("x", "y"), "8", ("--made", "2026-02-11", "--valid-until", "2026-01-01"), "before made"),
    ],
)
def test_bad_requests_are_one_sentence_and_write_nothing(
    bench, tmp_path, capsys, names, pitch, more, says
):
    out = tmp_path / "new" / "a.toml"
    pitch_and_more = [f"--pitch-um={pitch}", *more]
    assert main(
        ["calibrate", *(str(bench / f"{n}.tif") for n in names), *pitch_and_more,
         "--objective", "20x", "--id", "i", "--out", str(out)]
    ) == 2  # fmt: skip
    error = capsys.readouterr().err.strip()
    assert says in error
    assert len(error.splitlines()) == 1
    assert not out.parent.exists()


def test_another_file_is_not_overwritten(bench, tmp_path, capsys):
    out = tmp_path / "notes.toml"
    out.write_text("my notes")
    assert calibrate(bench, out, "x", "y") == 2
    assert out.read_text() == "my notes"
    assert "choose another name" in capsys.readouterr().err


def test_widths_give_the_edge_offset(tmp_path, capsys):
    calibration = tmp_path / "a.toml"
    calibration.write_text(
        'schema = 1\nid = "a"\num_per_px = { x = 0.25, y = 0.252 }\n'
        'u_um_per_px = { x = 0.0001, y = 0.0001 }\n[light]\ntransfer = "linear"\n'
    )
    rng = np.random.default_rng(3)
    widths = (4.0, 8.0, 12.0)
    for width in widths:
        # Every edge 0.15 µm towards the bright side: dark lines 0.3 µm too wide.
        line = Rulings(pitch_um=1000.0, width_um=width + 0.3, first=0, last=0,
                       lengths_um=(900.0,) * 3)  # fmt: skip
        view = View(size_px=(230, 190), um_per_px=(0.25, 0.252), rotation_deg=3.0, blur_um=0.4,
                    centre_um=(1.0, 450.0), bits=12)  # fmt: skip
        tifffile.imwrite(tmp_path / f"{width:g}.tif", render(line, view, rng) * np.uint16(16))
    request = [
        "calibrate-width", *(str(tmp_path / f"{w:g}.tif") for w in widths), "--width-um",
        *(str(w) for w in widths), "--u-width-um", "0.01", "--calibration", str(calibration),
    ]  # fmt: skip
    assert main(request) == 0
    found = read_calibration(calibration)
    assert found.edge_offset_um == pytest.approx(0.15, abs=3 * found.u_edge_offset_um)
    assert found.u_edge_offset_um < 0.05
    assert "towards the bright side" in capsys.readouterr().out
    assert main([*request[:4], "--width-um", "4", "8", "--u-width-um", "0.01",
                 "--calibration", str(calibration)]) == 2  # fmt: skip
    assert "2 values for 3 images" in capsys.readouterr().err


def test_history_of_a_folder(bench, tmp_path, capsys):
    for day in ("2025-01-11", "2025-07-11", "2026-02-11"):
        more = ["--u-pitch-um", "0.004", "--made", day]
        assert calibrate(bench, tmp_path / f"{day}.toml", "x", "y", more=more) == 0
    capsys.readouterr()
    assert main(["calibration-history", str(tmp_path)]) == 0
    assert "3 calibrations" in capsys.readouterr().out
    with (tmp_path / "calibration-history.csv").open(encoding="utf-8") as stream:
        assert len(list(csv.DictReader(stream))) == 6
    assert (tmp_path / "calibration-history.svg").exists()
    assert main(["calibration-history", str(tmp_path / "none")]) == 2


def test_sample_images_calibrate_to_their_truth(tmp_path):
    truth = sample_images(tmp_path)
    for names, pitch in ((("micrometer-x", "micrometer-y"), "10"), (("grid",), "20")):
        out = tmp_path / f"{names[0]}.toml"
        assert calibrate(tmp_path, out, *names, pitch=pitch) == 0
        made = read_calibration(out)
        assert made.um_per_px == pytest.approx(truth[f"{names[0]}.tif"]["um_per_px"], rel=5e-5)


def test_twelve_bits_that_are_saturated_are_refused(bench, tmp_path, capsys):
    # Stored in 16 bits without saying so, they end at 4095.
    rulings = Rulings(pitch_um=8.0, width_um=2.0, first=-40, last=40, lengths_um=(900.0,) * 3)
    view = View(size_px=(420, 300), um_per_px=SCALE, centre_um=(1.0, 450.0), bits=12,
                light=(1.3, 0, 0, 0))  # fmt: skip
    image = render(rulings, view, np.random.default_rng(1))
    tifffile.imwrite(tmp_path / "bright.tif", image)
    out = tmp_path / "made" / "a.toml"
    arguments = [str(tmp_path / "bright.tif"), str(bench / "y.tif"), "--pitch-um", "8"]
    more = ["--objective", "20x/0.45", "--id", "a", "--out", str(out)]
    assert main(["calibrate", *arguments, *more]) == 2
    assert "bright.tif: " in (told := capsys.readouterr().err)
    assert "saturated" in told
    assert not out.exists()


def test_a_date_that_is_none_is_told_in_plain_words(bench, tmp_path, capsys):
    with pytest.raises(SystemExit):
        calibrate(bench, tmp_path / "a.toml", "x", "y", more=["--made", "2026-13-01"])
    assert "must be a date such as" in capsys.readouterr().err
