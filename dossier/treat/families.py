"""What a treatment family is, and how its amounts are read and worded.

Conventions
    Samples are `(frames, channels)`, float, 1 or 2 channels; the sample rate is passed beside them and is kept.  A
    family's `apply` never edits its input, answers in the input's float type, adds no latency (linear-phase filters
    are centred, the others start at once) and never returns a value that is not finite.  Silence comes back as silence.
    Amounts that depend on level (drive, threshold) count from the sound's own sample peak, so that the same amount
    means the same for a file recorded hot or low.  There is no make-up gain: before a treated sound is compared with
    the untreated one it must be scaled to the same true peak.
    Every `apply` raises `MeasureError` for samples that break this contract (`dossier.treat.samples.checked`).

    Amounts are plain numbers and words.  `amount_lines` holds the amounts worth trying, as lines that each run from
    gentle to strong, so that a search is bounded and can move along a line.  The choice of amounts is common practice
    in mixing (no source); what an amount does is measured in the beat, never looked up.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np
from msgspec import Struct

from dossier.model.findings import Amount
from dossier.model.measures import Samples
from dossier.model.vocabulary import Direction, Kind

Amounts = Mapping[str, Amount]
AmountLine = tuple[Amounts, ...]  # from gentle to strong
SheetRow = tuple[str, Amount, str]  # words, value, unit

CYCLE_BEFORE_S, CYCLE_AFTER_S = 0.65, 0.02  # longer than any tail, envelope or filter here remembers or looks ahead
_GEOMETRIC = ("_hz", "_ms", "_s")  # amounts heard as ratios, halved geometrically
_SHOWN: dict[str, Callable[[float], float]] = {"%": lambda part: 100.0 * part, "bits": lambda bits: float(round(bits))}


class Family(Struct, frozen=True, eq=False):
    """One kind of treatment.

    Attributes
    ----------
    name : its words for a heading, and its key in the registry
    directions : what it can serve, "fuller", "leaner" or both
    amount_lines : called with `role` (None: a loop), `rate_hz`, `direction` (one of its own), `kind` and `layers`
        (names of sounds that may be layered), by keyword; returns no line where the family has nothing to offer
    apply : `apply(samples, rate_hz, **amounts) -> samples`; layering also takes `layer=samples`
    words : `words(**amounts)`, in trade words: "truncate to 180 ms with a 30 ms fade"
    sheet : rows of a settings sheet: words, the amount's name (or a fixed number), unit
    effort : what it does to the sound: "filter" (takes away), "shape" (moves in time) or "colour" (adds)
    suits_loops : False where it only makes sense on a single hit
    resolve : fills in amounts that depend on the sound (the delay and polarity of a layer)
    nothing_to_do : why a sound comes back unchanged, in words
    """

    name: str
    directions: tuple[Direction, ...]
    amount_lines: Callable[..., tuple[AmountLine, ...]]
    apply: Callable[..., Samples]
    words: Callable[..., str]
    sheet: tuple[SheetRow, ...]
    effort: str = "filter"
    suits_loops: bool = True
    resolve: Callable[..., Amounts] = lambda samples, rate_hz, amounts, **_: amounts
    nothing_to_do: str = "leaves this sound as it is"

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

    def label(self, amounts: Amounts) -> str:
        """The amounts in trade words."""
        return self.words(**amounts)

    def settings(self, amounts: Amounts) -> list[SheetRow]:
        """The amounts as (words, value, unit), for a settings sheet; what is not given is left out."""
        rows = ((text, amounts.get(of) if isinstance(of, str) else of, unit) for text, of, unit in self.sheet)
        return [
            (text, value if isinstance(value, str) else _SHOWN.get(unit, float)(value), unit)
            for text, value, unit in rows if value is not None
        ]  # fmt: skip

    def between(self, gentler: Amounts, stronger: Amounts) -> Amounts | None:
        """Amounts half-way between two neighbours of a line, rounded; None where there is no half-way."""
        middle: dict[str, Amount] = {}
        for name, low in gentler.items():
            high = stronger.get(name)
            if isinstance(low, str) or isinstance(high, str) or high is None:
                if low != high:
                    return None
                middle[name] = low
            elif name.endswith(_GEOMETRIC) and low > 0 and high > 0:
                middle[name] = rounded(math.sqrt(low * high))
            else:
                middle[name] = rounded(0.5 * (low + high))
        return None if middle in (dict(gentler), dict(stronger)) else middle


def rounded(value: float) -> float:
    """A value a hand would dial: two significant digits, three where the first is 1."""
    if value == 0.0:
        return 0.0
    leading = abs(value) / 10.0 ** math.floor(math.log10(abs(value)))
    return float(f"{value:.{2 if leading < 2.0 else 1}e}")


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
