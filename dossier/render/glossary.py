"""The words of the page: definitions of its terms, and how zones, roles, rights and sources read.

Conventions: a text that names a threshold takes it from the settings in force, never from here.
"""

from __future__ import annotations

from collections.abc import Mapping

from dossier.model.datafile import DossierData
from dossier.model.vocabulary import ZONES
from dossier.render.format import NBSP, dbtp, hz, percent

ZONE_LABEL = {zone.key: zone.label for zone in ZONES}
RIGHTS_WORDS = {
    "own": "own work", "licensed": "licensed", "cleared": "cleared", "pending": "clearing pending",
    "unknown": "rights unknown",
}  # fmt: skip
RIGHTS_SETTLED = frozenset({"own", "licensed", "cleared"})
APPROACH_WORDS = {"loop": "a loop", "one-shots": "separate one-shots", "either": "a loop or one-shots"}
LOOKED_WORDS = {
    "closely": "laid in the beat and measured there",
    "coarsely": "looked at on two bars of the beat",
    "not at all": "not measured",
}


def settings_of(data: DossierData) -> Mapping[str, float]:
    """The thresholds and weights in force, by name."""
    return {setting.name: setting.value for setting in data.settings}


def zone(key: str) -> str:
    return ZONE_LABEL.get(key, key)


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


# Shown beside a term in the text, and in full at the end of the page.
_TERMS: Mapping[str, str] = {
    "fill": "Loudness as a share of what finished mixes carry on average; more than 100 % where it exceeds that.",
    "room": "What is left: the reference less what the music uses, never below zero.",
    "occupancy": "How much of the reference loudness one band carries in one sixteenth.",
    "reference": "The loudness that finished mixes carry on average in each band at the target loudness.",
    "zone": f"A named stretch of the spectrum, from sub ({zone_range('sub')}) to brilliance "
            f"({zone_range('brilliance')}).",
    "band": "One auditory band, 1 Cam wide: about the finest step in pitch range that hearing separates.",
    "slot": "One sixteenth note on the beat's grid.",
    "overlap": "The drum's loudness that the instrumental masks, as a share of the reference's.",
    "room filled": "How much of the room this drum takes: what it adds up to the reference.",
    "spill": "Loudness that the drum adds above the reference, as a share of the reference's.",
    "buried": "How much of the instrumental's loudness the drum masks.",
    "audible share": "How loud the drum is in the beat compared with how loud it is alone, over its own hits.",
    "lift": "Level of the drum over the instrumental, in the drum's own bands, at its own hits, in LU.",
    "approach": "Whether a loop or separate one-shots suit this beat, and whether they should be fuller or leaner.",
    "fuller": "More body: the drum should take up more of the room that is left.",
    "leaner": "Less body: the drum should take up less, because little room is left.",
    "LUFS": "Loudness units relative to full scale: perceived loudness after ITU-R BS.1770.",
    "LU": "Loudness unit: a difference of 1 LU is a difference of 1 dB in loudness.",
    "dBTP": "Decibels true peak: the highest point of the waveform, between samples too.",
    "sample peak": "The highest sample, in decibels below full scale.",
    "crest factor": "Peak over average level: high for a click, low for a steady tone.",
    "peak to loudness": "True peak less integrated loudness: how much of the peak is not heard as loudness.",
    "length": "How long the drum is loud enough to matter.",
    "mono loss": "How much quieter the sound gets when both channels are summed to one.",
    "candidate": "A drum file under consideration: a loop or a one-shot.",
    "loudness range": "How far the loudness moves over the piece (EBU Tech 3342).",
    "score": "One number for the fit: the sum of the weighted terms shown with it.",
}  # fmt: skip


def terms(settings: Mapping[str, float]) -> Mapping[str, str]:
    ceiling = f" of {dbtp(settings['ceiling_dbtp'])}" if "ceiling_dbtp" in settings else ""
    return {**_TERMS, "headroom": f"What is left to the true-peak ceiling{ceiling}."}
