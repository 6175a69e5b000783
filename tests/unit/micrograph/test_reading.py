import datetime as dt
import itertools
import struct

import cv2
import numpy as np
import pytest
import tifffile

from micromeasure.calibration.file import Calibration, nominal_calibration
from micromeasure.errors import ImageReadError
from micromeasure.micrograph.image import ImageRecord
from micromeasure.micrograph.reading import digest_of, read_header, read_micrograph

SCALE = nominal_calibration((0.30, 0.31))
GREY = np.random.default_rng(5).integers(0, 4000, (61, 103)).astype(np.uint16)
COLOUR = np.stack([GREY, GREY // 2, GREY // 3], axis=-1)
WINDOW = (20, 9, 70, 40)


def read(path, **options):
    return read_micrograph(path, calibration=SCALE, **options)


@pytest.mark.parametrize(
    ("compression", "tile", "dtype", "big"),
    list(
        itertools.product(
            [None, "zlib", "lzw", "packbits", "zstd"], [None, (32, 48)], ["u1", "u2", "f4"], [0, 1]
        )
    ),
)
def test_tiff_of_every_kind_whole_and_in_part(tmp_path, compression, tile, dtype, big):
    path = tmp_path / "a.tif"
    x0, y0, x1, y1 = WINDOW
    layouts = [(GREY, {}), (COLOUR, {"photometric": "rgb"})]
    for pixels, options in layouts:
        stored = pixels.astype(dtype)
        tifffile.imwrite(
            path, stored, compression=compression, tile=tile, bigtiff=bool(big), **options
        )
        assert np.array_equal(read(path).pixels, stored)
        part = read(path, window=WINDOW)
        assert part.origin_px == (x0, y0)
        assert np.array_equal(part.pixels, stored[y0 : y1 + 1, x0 : x1 + 1])


@pytest.mark.parametrize("compression", ["zlib", "lzw"])
def test_predictor_and_planes(tmp_path, compression):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, GREY, compression=compression, predictor=True, rowsperstrip=7)
    assert np.array_equal(read(path, window=(0, 5, 50, 30)).pixels, GREY[5:31, :51])
    planes = np.moveaxis(COLOUR, -1, 0)
    tifffile.imwrite(path, planes, photometric="rgb", planarconfig="separate")
    assert np.array_equal(read(path).pixels, COLOUR)


def write_packed_tiff(path, pixels):
    """Write 12-bit values packed two in three bytes, with no library that packs for us."""
    height, width = pixels.shape
    rows = []
    for row in pixels:
        bits = "".join(f"{value:012b}" for value in row)
        bits += "0" * (-len(bits) % 8)
        rows.append(int(bits, 2).to_bytes(len(bits) // 8, "big"))
    data = b"".join(rows)
    tags = [(256, width), (257, height), (258, 12), (259, 1), (262, 1), (273, 8), (277, 1)]
    tags += [(278, height), (279, len(data))]
    entries = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in tags)
    directory = struct.pack("<H", len(tags)) + entries + struct.pack("<I", 0)
    path.write_bytes(b"II*\0" + struct.pack("<I", 8 + len(data)) + data + directory)


def test_packed_twelve_bit_tiff(tmp_path):
    path = tmp_path / "packed.tif"
    write_packed_tiff(path, GREY)
    image = read(path)
    assert np.array_equal(image.pixels, GREY)
    assert image.full_scale == 4095
    assert np.array_equal(read(path, window=WINDOW).pixels, GREY[9:41, 20:71])


def test_jpeg_in_tiff_keeps_the_picture(tmp_path):
    path = tmp_path / "j.tif"
    smooth = np.tile(np.linspace(20, 220, 128), (96, 1)).astype(np.uint8)
    tifffile.imwrite(path, smooth, compression="jpeg", compressionargs={"level": 95})
    assert np.abs(read(path).pixels.astype(int) - smooth).max() <= 3


def test_white_is_zero_is_turned_round(tmp_path):
    path = tmp_path / "w.tif"
    tifffile.imwrite(path, (GREY // 16).astype(np.uint8), photometric="miniswhite")
    assert np.array_equal(read(path).pixels, 255 - (GREY // 16))


def test_colour_map_is_applied(tmp_path):
    path = tmp_path / "p.tif"
    steps = np.arange(256, dtype=np.uint16)
    tifffile.imwrite(
        path,
        (GREY % 256).astype(np.uint8),
        photometric="palette",
        colormap=np.stack([steps * 257, steps * 128, steps * 3]),
    )
    assert np.array_equal(read(path).pixels[..., 1], (GREY % 256) * 128)


@pytest.mark.parametrize("ending", ["png", "bmp"])
def test_lossless_eight_bit_formats(tmp_path, ending):
    path = tmp_path / f"a.{ending}"
    grey = (GREY // 16).astype(np.uint8)
    assert cv2.imwrite(str(path), grey)
    assert np.array_equal(read(path).pixels, grey)
    colour = (COLOUR // 16).astype(np.uint8)
    assert cv2.imwrite(str(path), colour[..., ::-1])
    assert np.array_equal(read(path).pixels, colour)


def test_sixteen_bit_png_in_grey_and_colour(tmp_path):
    path = tmp_path / "a.png"
    for pixels, stored in ((GREY, GREY), (COLOUR, COLOUR[..., ::-1])):
        assert cv2.imwrite(str(path), stored)
        image = read(path)
        assert image.pixels.dtype == np.uint16
        assert image.header.dtype == "uint16"
        assert np.array_equal(image.pixels, pixels)
    assert np.array_equal(read(path, window=WINDOW).pixels, COLOUR[9:41, 20:71])


def test_alpha_is_dropped_and_grey_stored_thrice_becomes_grey(tmp_path):
    path = tmp_path / "a.png"
    grey = (GREY // 16).astype(np.uint8)
    assert cv2.imwrite(str(path), np.stack([grey, grey, grey, np.full_like(grey, 9)], axis=-1))
    assert np.array_equal(read(path).pixels, grey)


def test_header_is_read_without_pixels_and_agrees_with_them(tmp_path):
    path = tmp_path / "a.ome.tif"
    tifffile.imwrite(
        path,
        GREY,
        ome=True,
        metadata={
            "axes": "YX",
            "SignificantBits": 12,
            "PhysicalSizeX": 250,
            "PhysicalSizeXUnit": "nm",
            "PhysicalSizeY": 0.26,
            "PhysicalSizeYUnit": "µm",
        },
    )
    header = read_header(path)
    assert (header.width_px, header.height_px, header.bits) == (103, 61, 12)
    assert header.um_per_px == pytest.approx((0.25, 0.26))


def test_resolution_tags_give_the_pixel_size_but_print_defaults_do_not(tmp_path):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, GREY, resolution=(40000, 20000), resolutionunit="CENTIMETER")
    assert read_header(path).um_per_px == pytest.approx((0.25, 0.5))
    tifffile.imwrite(path, GREY, resolution=(300, 300), resolutionunit="INCH")
    assert read_header(path).um_per_px is None


def test_pixel_size_alone_is_used_and_flagged(tmp_path):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, GREY, resolution=(40000, 20000), resolutionunit="CENTIMETER")
    image = read_micrograph(path)
    assert image.flags == ("uncalibrated",)
    assert image.calibration.um_per_px == pytest.approx((0.25, 0.5))
    assert image.calibration.scale_component(10.0, (1.0, 0.0)) is None


@pytest.mark.parametrize(("factor", "flagged"), [(1.009, False), (1.011, True), (0.5, True)])
def test_pixel_size_is_compared_with_the_calibration(tmp_path, factor, flagged):
    path = tmp_path / "a.tif"
    per_cm = 10000 / (0.30 * factor), 10000 / 0.31
    tifffile.imwrite(path, GREY, resolution=per_cm, resolutionunit="CENTIMETER")
    assert ("pixel-size-disagrees" in read(path).flags) == flagged


def test_no_scale_at_all_is_refused(tmp_path):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, GREY)
    with pytest.raises(ImageReadError, match="name a calibration"):
        read_micrograph(path)


def test_calibration_of_another_size_is_refused_and_an_expired_one_flagged(tmp_path):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, GREY)
    other = Calibration(schema=1, id="b", um_per_px=(0.3, 0.3), image_size_px=(61, 103))
    with pytest.raises(ImageReadError, match=r"103 x 61 px, but calibration b holds for 61 x 103"):
        read_micrograph(path, calibration=other)
    old = Calibration(schema=1, id="b", um_per_px=(0.3, 0.3), valid_until=dt.date(2026, 1, 1))
    record = ImageRecord(image="a.tif", taken=dt.date(2026, 1, 2))
    assert "calibration-expired" in read_micrograph(path, calibration=old, record=record).flags


@pytest.mark.parametrize("ending", ["png", "jpg", "bmp", "tif"])
def test_a_file_cut_short_is_refused(tmp_path, ending):
    path = tmp_path / f"a.{ending}"
    assert cv2.imwrite(str(path), (GREY // 16).astype(np.uint8))
    content = path.read_bytes()
    path.write_bytes(content[: len(content) * 2 // 3])
    with pytest.raises(ImageReadError, match=r"truncated|cut short|damaged"):
        read(path)


def test_size_is_checked_before_decoding(tmp_path):
    path = tmp_path / "bomb.bmp"
    # A BMP header that promises 200,000 x 200,000 pixels and holds none.
    path.write_bytes(
        b"BM" + struct.pack("<IHHI", 54, 0, 0, 54)
        + struct.pack("<IiiHHIIiiII", 40, 200_000, 200_000, 1, 24, 0, 0, 0, 0, 0, 0)
    )  # fmt: skip
    with pytest.raises(ImageReadError, match="200000 x 200000 px; at most 1000000 pixels"):
        read(path, max_pixels=1_000_000)


@pytest.mark.parametrize(
    ("content", "reason"), [(b"", "is empty"), (b"hello, world", "is not a TIFF, PNG, JPEG or BMP")]
)
def test_what_is_no_image_is_named_so(tmp_path, content, reason):
    path = tmp_path / "a.tif"
    path.write_bytes(content)
    with pytest.raises(ImageReadError, match=reason):
        read(path)


def test_missing_file_and_window_outside(tmp_path):
    with pytest.raises(ImageReadError, match="No such file"):
        read(tmp_path / "none.tif")
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, GREY)
    with pytest.raises(ImageReadError, match="lies outside the image of 103 x 61 px"):
        read(path, window=(200, 0, 300, 50))


def test_one_bit_and_not_finite_pixels_are_refused(tmp_path):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, GREY > 2000)
    with pytest.raises(ImageReadError, match="8 to 32-bit"):
        read(path)
    holes = GREY.astype(np.float32)
    holes[3, 4] = np.nan
    tifffile.imwrite(path, holes)
    with pytest.raises(ImageReadError, match="not numbers"):
        read(path)
    height_map = ImageRecord(image="a.tif", extra={"z_um_per_unit": "0.5"})
    assert np.isnan(read(path, record=height_map).pixels[3, 4])


def test_digest_is_that_of_the_file(tmp_path):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, GREY)
    assert read(path).sha256 == digest_of(path)


def test_luminance_of_colour_has_unit_weight(tmp_path):
    path = tmp_path / "c.tif"
    tifffile.imwrite(path, COLOUR, photometric="rgb")
    image = read(path)
    expected = COLOUR @ np.array([0.2126, 0.7152, 0.0722])
    assert np.allclose(image.grey(), expected, rtol=1e-5)
