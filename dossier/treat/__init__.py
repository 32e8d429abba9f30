"""Pure functions: samples in, samples out, one module a treatment family.

`FAMILIES` is the registry, in the order in which treatments stand in a chain, with the output level at its end;
`render_chain` plays a chain of steps.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType

from dossier.errors import MeasureError
from dossier.model.findings import Step
from dossier.model.measures import Samples
from dossier.model.vocabulary import Kind
from dossier.treat import eq, layering, level, parallel, reduction, room, saturation, transient, truncation, width
from dossier.treat.families import Family
from dossier.treat.peaks import matched, true_peak

__all__ = ["FAMILIES", "Family", "matched", "render_chain", "true_peak"]

_MODULES = (layering, eq, transient, saturation, parallel, reduction, room, width, truncation, level)
FAMILIES: Mapping[str, Family] = MappingProxyType({module.FAMILY.name: module.FAMILY for module in _MODULES})


def render_chain(
    samples: Samples,
    rate_hz: int,
    steps: Iterable[Step],
    *,
    layers: Mapping[str, Samples] = MappingProxyType({}),
    kind: Kind = "one-shot",
    raise_level: bool = True,
) -> Samples:
    """Play a chain of treatments and bring the result to the true peak of the untreated sound.

    Parameters
    ----------
    samples : (frames, channels)
    steps : in the order in which they are applied
    layers : samples at `rate_hz` by the file name that a layering step gives
    kind : "loop" treats the samples as one pass of a loop that repeats
    raise_level : False (for leaner plans) only turns down what came out higher

    Raises
    ------
    MeasureError
        For a treatment or a layer that is not known.
    """
    result = samples
    for step in steps:
        if step.treatment not in FAMILIES:
            raise MeasureError(f"treatment: {step.treatment!r} is not one of {', '.join(FAMILIES)}")
        file = step.amounts.get("file")
        if file is not None and file not in layers:
            raise MeasureError(f"layering: no samples were given for {file!r}")
        layer = None if file is None else layers[str(file)]
        result = FAMILIES[step.treatment].play(result, rate_hz, step.amounts, kind=kind, layer=layer)
    return result if result is samples else matched(result, samples, rate_hz, raise_level=raise_level)
