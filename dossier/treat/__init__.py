"""Pure functions: samples in, samples out, one module a treatment family.

`FAMILIES` is the registry, in the order in which treatments stand in a chain, with the output level at its end.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from dossier.treat import eq, layering, level, parallel, reduction, room, saturation, transient, truncation, width
from dossier.treat.families import Family

__all__ = ["FAMILIES", "Family"]

_MODULES = (layering, eq, transient, saturation, parallel, reduction, room, width, truncation, level)
FAMILIES: Mapping[str, Family] = MappingProxyType({module.FAMILY.name: module.FAMILY for module in _MODULES})
