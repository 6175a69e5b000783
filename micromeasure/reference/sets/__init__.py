"""Reference sets: one module a family of quantities, each listing its sets in ``SETS``."""

import importlib
import pkgutil
from functools import cache

from micromeasure.reference.trial import TrialSet


@cache
def trial_sets() -> dict[str, TrialSet]:
    """Return every reference set by name."""
    names = sorted(info.name for info in pkgutil.iter_modules(__path__))
    modules = [importlib.import_module(f"{__name__}.{name}") for name in names]
    return {s.name: s for module in modules for s in module.SETS}
