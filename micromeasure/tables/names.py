"""Where the picture and the traces of one measure of one image lie in the results folder."""

import hashlib
import re
from collections.abc import Sequence

OVERLAYS = "overlays"
PROFILES = "profiles"

# Word characters of any script, and what is harmless in file names everywhere.
_UNSAFE = re.compile(r"[^\w.() -]")
_LONGEST = 100


def slot_names(quantities: Sequence[str]) -> tuple[str, ...]:
    """Name each measure of one image, in the study's order.

    Parameters
    ----------
    quantities : sequence of str
        The quantity of each measure.

    Returns
    -------
    tuple of str
        The quantity's name; from its second measure on with a number, such as
        ``film_thickness-2``.
    """
    seen: dict[str, int] = {}
    names = []
    for quantity in quantities:
        seen[quantity] = seen.get(quantity, 0) + 1
        names.append(quantity if seen[quantity] == 1 else f"{quantity}-{seen[quantity]}")
    return tuple(names)


def overlay_name(image: str, slot: str) -> str:
    """Return the overlay's path inside the results folder, with ``/``.

    Parameters
    ----------
    image : str
        Path of the image inside the images folder, with ``/``.
    slot : str
        Name from `slot_names`; the quantity's name where it is measured once in an image.
    """
    return f"{OVERLAYS}/{_safe_path(image)}.{safe_name(slot)}.jpg"


def profile_name(image: str, slot: str, trace: str) -> str:
    """Return a trace's path inside the results folder, with ``/``."""
    return f"{PROFILES}/{_safe_path(image)}.{safe_name(slot)}.{safe_name(trace)}.csv"


def safe_name(text: str) -> str:
    """Return a text as part of a file name; what had to be altered gets a digest, to stay unique.

    Parameters
    ----------
    text : str
        Any text, such as a layer's name.
    """
    safe = _UNSAFE.sub("_", text)
    if safe.startswith((".", " ")) or not safe:
        safe = "_" + safe[1:]
    if safe == text and len(safe) <= _LONGEST:
        return safe
    return f"{safe[:_LONGEST]}~{hashlib.sha256(text.encode()).hexdigest()[:6]}"


def _safe_path(image: str) -> str:
    return "/".join(safe_name(part) for part in image.split("/") if part)
