"""How much of a huge image has to be decoded for what is measured in it."""

from micromeasure.calibration.file import Calibration, nominal_calibration
from micromeasure.micrograph.image import Header, Rectangle
from micromeasure.micrograph.reading import read_header
from micromeasure.quantities import quantities
from micromeasure.study.model import Job

# Below these an image is decoded whole: that costs less than thinking about it.
_HUGE_BYTES = 1 << 25
_HUGE_PX = 64_000_000


def needed_window(job: Job, *, size_bytes: int, max_pixels: int) -> Rectangle | None:
    """Return the part of a huge image that all its measures need; None for the whole image.

    Parameters
    ----------
    job : Job
    size_bytes : int
        Size of the file.
    max_pixels : int

    Returns
    -------
    tuple of four floats or None
        ``x0 y0 x1 y1`` in pixels, edges included.

    Raises
    ------
    ImageReadError
        If the header cannot be read.
    """
    if size_bytes < _HUGE_BYTES or not all(quantities()[m.quantity].window for m in job.measures):
        return None
    header = read_header(job.path, max_pixels=max_pixels)
    if header.width_px * header.height_px < _HUGE_PX:
        return None
    return joint_window(job, header)


def joint_window(job: Job, header: Header) -> Rectangle | None:
    """Return the smallest rectangle that holds the windows of every measure of a job."""
    calibration = job.calibration or _stated(header)
    if calibration is None:
        return None
    boxes: list[Rectangle] = []
    for measure in job.measures:
        ask = quantities()[measure.quantity].window
        box = None if ask is None else ask(job.record, measure.settings, header, calibration)
        if box is None:
            return None
        boxes.append(box)
    lows, highs = [box[:2] for box in boxes], [box[2:] for box in boxes]
    return (
        min(x for x, _ in lows),
        min(y for _, y in lows),
        max(x for x, _ in highs),
        max(y for _, y in highs),
    )


def _stated(header: Header) -> Calibration | None:
    return None if header.um_per_px is None else nominal_calibration(header.um_per_px)
