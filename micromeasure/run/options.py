"""How a run is carried out."""

from dataclasses import dataclass

from micromeasure.micrograph.header import MAX_PIXELS


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """How a run is carried out; none of it changes a result.

    Attributes
    ----------
    jobs : int
        Worker processes; 0 measures in this process, for finding faults.
    cluster : str
        Address of a Dask scheduler; empty for this machine.
    fresh : bool
        Measure everything anew. Decisions of persons are kept.
    image_timeout_s : float
        A worker longer than this over one image is ended.
    max_pixels : int
        Larger images are refused.
    """

    jobs: int = 1
    cluster: str = ""
    fresh: bool = False
    image_timeout_s: float = 600.0
    max_pixels: int = MAX_PIXELS
