"""What a treatment family is, and what all families share.

Conventions
    Samples are `(frames, channels)`, float, 1 or 2 channels; the sample rate stands beside them and is kept.  A
    family's `apply` never edits its input, answers in the input's float type, adds no latency (linear-phase filters
    are centred, the others start at once) and never returns a value that is not finite.  Silence comes back as silence.
    Amounts that depend on level (drive, threshold) count from the sound's own sample peak, so that the same amount
    means the same for a file recorded hot or low.  Levels are not made up for afterwards: whoever compares a treated
    with an untreated sound scales it to the same true peak (`peaks.matched`).

    Amounts are plain numbers and words.  `ladders` holds the amounts worth trying, as lines that each run from gentle
    to strong, so that a search is bounded and can move along a line.  The choice of amounts is common practice in
    mixing (no source); what an amount does is measured in the beat, never taken from the ladder.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from dossier.errors import MeasureError
from dossier.model.findings import Amount
from dossier.model.measures import Array, Samples
from dossier.model.vocabulary import Direction, Kind, Role

Amounts = Mapping[str, Amount]
Line = tuple[Amounts, ...]
Setting = tuple[str, Amount, str]  # name, value, unit

SILENCE = 1e-9  # -180 dBFS: below the last bit of 24-bit audio (-144 dBFS) by a wide margin
CYCLE_BEFORE_S, CYCLE_AFTER_S = 0.65, 0.02  # longer than any tail, envelope or filter here remembers or looks ahead
_GEOMETRIC = ("_hz", "_ms", "_s")  # amounts heard as ratios, halved geometrically


class Ladders(Protocol):
    """Amounts worth trying for a role, as lines from gentle to strong; none where the family has nothing to offer."""

    def __call__(
        self, role: Role | None, rate_hz: int, *, direction: Direction, kind: Kind, layers: Sequence[str]
    ) -> tuple[Line, ...]: ...


def _as_told(
    samples: Samples, rate_hz: int, amounts: Amounts, *, layer: Samples | None = None
) -> Amounts:
    return amounts


@dataclass(frozen=True, slots=True, eq=False)
class Family:
    """One kind of treatment.

    Attributes
    ----------
    name : its words for a heading, and its key in the registry
    directions : what it can serve, "fuller", "leaner" or both
    place : where it stands in a chain (lower comes first)
    weight : how much it changes a sound's character at full amount, about 0.5 to 1.5; a search prefers little
    suits_loops : False where it only makes sense on a single hit
    apply : `apply(samples, rate_hz, **amounts) -> samples`; layering also takes `layer=samples`
    label : the amounts in trade words, "truncate to 180 ms with a 30 ms fade"
    settings : the same as (name, value, unit), for a settings sheet
    settle : fills in amounts that depend on the sound (the delay and polarity of a layer); the others return them as
    told nothing_to_do : why a sound comes back unchanged, in words
    """

    name: str
    directions: tuple[Direction, ...]
    place: int
    weight: float
    ladders: Ladders
    apply: Callable[..., Samples]
    label: Callable[[Amounts], str]
    settings: Callable[[Amounts], list[Setting]]
    suits_loops: bool = True
    settle: Callable[..., Amounts] = _as_told
    nothing_to_do: str = "leaves this sound as it is"

    def ladder(
        self, role: Role | None, rate_hz: int, *, direction: Direction | None = None, kind: Kind = "one-shot",
        layers: Sequence[str] = (),
    ) -> Line:
        """All lines one after another; `direction` defaults to the family's first."""
        lines = self.ladders(role, rate_hz, direction=direction or self.directions[0], kind=kind, layers=layers)
        return tuple(amounts for line in lines for amounts in line)

    def play(
        self, samples: Samples, rate_hz: int, amounts: Amounts, *, kind: Kind = "one-shot", layer: Samples | None = None
    ) -> Samples:
        """Apply the amounts to a hit, or to one pass of a loop as it sounds when the loop repeats.

        A pass is treated with what comes before and after it, and keeps its length: filters and envelopes have settled
        when it starts, and a tail that rings past its end is heard at its start.
        """
        given = {} if layer is None else {"layer": layer}
        if kind != "loop" or not len(samples):
            return self.apply(samples, rate_hz, **given, **amounts)
        frames, ahead, after = len(samples), round(CYCLE_BEFORE_S * rate_hz), round(CYCLE_AFTER_S * rate_hz)
        around = np.pad(samples, ((ahead, after), (0, 0)), mode="wrap")
        return self.apply(around, rate_hz, **given, **amounts)[ahead : ahead + frames]

    def between(self, gentler: Amounts, stronger: Amounts) -> Amounts | None:
        """Amounts half-way between two neighbours of a line, rounded; None where there is no half-way."""
        return between(gentler, stronger)

    def cost(self, position: float) -> float:
        """Cost of one step whose amounts stand at `position` of their line, 0 gentlest to 1 strongest.

        A step costs something for being there at all (a third of its weight), and the rest with its strength.
        """
        return self.weight * (1.0 + 2.0 * min(1.0, max(0.0, position))) / 3.0


def between(gentler: Amounts, stronger: Amounts) -> Amounts | None:
    middle: dict[str, Amount] = {}
    for name, low in gentler.items():
        high = stronger.get(name)
        if isinstance(low, str) or isinstance(high, str) or high is None:
            if low != high:
                return None
            middle[name] = low
            continue
        if name.endswith(_GEOMETRIC) and low > 0 and high > 0:
            value = math.sqrt(low * high)
        else:
            value = 0.5 * (low + high)
        middle[name] = rounded(value)
    return None if middle in (dict(gentler), dict(stronger)) else middle


def rounded(value: float, digits: int = 2) -> float:
    """A value a hand would dial: `digits` significant digits (one more below 2 in the first digit)."""
    if value == 0.0:
        return 0.0
    power = math.floor(math.log10(abs(value)))
    more = 1 if abs(value) / 10.0**power < 2.0 else 0
    return float(f"{value:.{digits - 1 + more}e}")


def checked(samples: Samples, rate_hz: int) -> Array:
    """The samples as float64 `(frames, channels)`, never the caller's own memory.

    Raises
    ------
    MeasureError
        If the shape, the rate or the values break the contract.
    """
    if samples.ndim != 2 or samples.shape[1] not in (1, 2):
        raise MeasureError(f"treatment: samples must be (frames, 1 or 2 channels), found shape {samples.shape}")
    if rate_hz < 1000:
        raise MeasureError(f"treatment: sample rate must be 1000 Hz or more, found {rate_hz}")
    work = np.array(samples, dtype=np.float64)
    if not np.isfinite(work).all():
        raise MeasureError("treatment: samples must be finite, found NaN or infinity")
    return work


def like(result: Array, samples: Samples) -> Samples:
    """`result` in the float type of `samples`."""
    kind = samples.dtype if np.issubdtype(samples.dtype, np.floating) else np.dtype(np.float64)
    return result.astype(kind, copy=False)


def sample_peak(samples: Samples) -> float:
    """Largest absolute sample over all channels, linear; 0 for no samples."""
    return float(max(samples.max(), -samples.min())) if samples.size else 0.0


def number(amounts: Amounts, name: str, default: float = 0.0) -> float:
    """A numeric amount."""
    value = amounts.get(name, default)
    if isinstance(value, str):
        raise MeasureError(f"treatment: amount {name!r} must be a number, found {value!r}")
    return float(value)


def in_db(value: float) -> str:
    """'+3 dB', '-1.5 dB', '0 dB'."""
    return f"{value:+.3g} dB" if value else "0 dB"


def in_hz(value: float) -> str:
    """'250 Hz', '4.0 kHz', '12 kHz'."""
    if value < 1000.0:
        return f"{value:.3g} Hz"
    return f"{value / 1000.0:.1f} kHz" if value < 10_000.0 else f"{value / 1000.0:.3g} kHz"


def in_percent(share: float) -> str:
    """'25 %'."""
    return f"{100.0 * share:.3g} %"
