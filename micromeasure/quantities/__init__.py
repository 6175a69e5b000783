"""Quantities: one module a family, each declaring what it measures.

A module of this package lists its quantities in ``QUANTITIES`` and those derived from several
images in ``DERIVATIONS``; nothing else in the package needs to know of it.
"""

import importlib
import pkgutil
from functools import cache

from micromeasure.quantities.declare import Derivation, Quantity


@cache
def quantities() -> dict[str, Quantity]:
    """Return every quantity measured in single images, by name."""
    return {q.name: q for module in _modules() for q in getattr(module, "QUANTITIES", ())}


@cache
def derivations() -> dict[str, Derivation]:
    """Return every quantity derived from several outcomes, by name."""
    return {d.name: d for module in _modules() for d in getattr(module, "DERIVATIONS", ())}


@cache
def _modules() -> tuple[object, ...]:
    names = sorted(info.name for info in pkgutil.iter_modules(__path__))
    return tuple(importlib.import_module(f"{__name__}.{name}") for name in names)
