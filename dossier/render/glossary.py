"""The words of the page: definitions of its terms, and how zones, roles, rights and sources read.

Conventions: a text that names a threshold takes it from the settings in force, never from here.
"""

from __future__ import annotations

from collections.abc import Mapping

from dossier.model.datafile import DossierData
from dossier.model.vocabulary import ZONE_LABELS, ZONES
from dossier.render.format import NBSP, hz, percent

RIGHTS_WORDS = {
    "own": "own work", "licensed": "licensed", "cleared": "cleared", "pending": "clearing pending",
    "unknown": "rights unknown",
}  # fmt: skip
RIGHTS_SETTLED = frozenset({"own", "licensed", "cleared"})
APPROACH_WORDS = {"loop": "a loop", "one-shots": "separate one-shots", "either": "a loop or one-shots"}
LOOKED_WORDS = {
    "coarsely": "looked at on two bars of the beat",
    "not at all": "not measured",
}


def settings_of(data: DossierData) -> Mapping[str, float]:
    """The thresholds and weights in force, by name."""
    return {setting.name: setting.value for setting in data.settings}


def zone(key: str) -> str:
    return ZONE_LABELS.get(key, key)


def zone_range(key: str) -> str:
    """`60–250 Hz`, `2–4 kHz`, `500 Hz–2 kHz`."""
    found = next((z for z in ZONES if z.key == key), None)
    if found is None:
        return ""
    low, high = hz(found.low_hz), hz(found.high_hz)
    if low.rsplit(NBSP, 1)[1] == high.rsplit(NBSP, 1)[1]:
        low = low.rsplit(NBSP, 1)[0]
    return f"{low}\u2013{high}"


def role(name: str | None) -> str:
    return (name or "").replace("-", " ")


def rights(state: str) -> str:
    return RIGHTS_WORDS.get(state, state)


def approach(kind: str, direction: str) -> str:
    """`separate one-shots, leaner`."""
    return f"{APPROACH_WORDS.get(kind, kind)}, {direction}"


def source(name: str | None, confidence: float | None) -> str:
    """Where a value comes from: `estimated, confidence 71 %`, `from beat.toml`, empty where that is unknown."""
    if not name:
        return ""
    if name == "estimated" and confidence is not None:
        return f"estimated, confidence {percent(confidence)}"
    if name in {"estimated", "assumed", "default"}:
        return "by default" if name == "default" else name
    return f"from {name}" if name == "beat.toml" else f"from the {name}"


# The words that an artist meets on the page, at most twelve.
TERMS: Mapping[str, str] = {
    "full": "How loud a stretch of the music is against finished mixes: the line is what they carry on average.",
    "zone": f"A named stretch of the spectrum, from sub ({zone_range('sub')}) to brilliance "
            f"({zone_range('brilliance')}).",
    "LU": "A step of loudness: 1 LU is 1 dB in level. 3 LU is easily heard, 10 LU is about twice as loud.",
    "LUFS": "Loudness against full scale, as streaming services measure it (ITU-R BS.1770).",
    "level against the music": "How loud a drum part is beside the music, both as they play.",
    "covered": "Less of it is heard than in nine of ten finished mixes.",
    "audible share": "How loud a drum is in the beat against how loud it is alone, over its own hits.",
    "overlap": "The drum's loudness that the music covers, as a share of what finished mixes carry.",
    "lift": "Level of a drum over the music in the drum's own bands, at its own hits, in LU.",
    "loop, one-shot, kit": "A drum file that plays by itself; a single hit; one-shots played by the pattern.",
    "fuller, leaner": "More body where there is space; less body where there is little.",
    "true peak": "The highest point of the waveform, between samples too, in dBTP.",
}  # fmt: skip
