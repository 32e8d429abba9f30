"""An invented dossier, rich enough that every part of the page has something to show.

Everything here is made up (title, names, files, numbers).  `sample()` is the full case, `bare()` the case in which
every part that may be absent is absent, `hostile()` the case in which every name tries to break out of its place.
"""

from __future__ import annotations

import functools
import io
from typing import Any

import numpy as np
import soundfile
from msgspec import Struct, structs
from sample_maps import BANDS, SLOT_S, SLOTS_PER_BAR, TEMPO, band_hz, maps, rows, section_fills, zone_fills, zone_of
from sample_parts import balance, candidates, kit, low_end, plans

from dossier.model.datafile import (
    FORMAT_VERSION,
    BeatInfo,
    Decision,
    DossierData,
    InputFile,
    Instrumental,
    Looked,
    Mark,
    Occupancy,
    PatternInfo,
    PatternRow,
    ProgramInfo,
    Proposal,
    RevisionInfo,
    SettingUsed,
)
from dossier.model.ears import Comparison
from dossier.model.findings import (
    Approach,
    Balance,
    Mix,
    PartTranslation,
    RoomLeft,
    SectionApproach,
    Translation,
    WhatIf,
)
from dossier.model.measures import StereoMeasure
from dossier.model.page import Preview
from dossier.model.vocabulary import ZONE_KEYS
from dossier.stages.blind import comparisons

EXCERPT_BARS = (9, 4)  # first bar (1-based), bars
RATE = 22050


def sound(seed: int, seconds: float, *, hz: float) -> np.ndarray[Any, Any]:
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * RATE)) / RATE
    beat = np.exp(-((t % (4 * SLOT_S)) / 0.08))
    return 0.3 * np.sin(2 * np.pi * hz * t)[:, None] * beat[:, None] + 0.01 * rng.standard_normal((len(t), 1))


def mp3(samples: np.ndarray[Any, Any]) -> bytes:
    out = io.BytesIO()
    soundfile.write(out, samples.astype(np.float32), RATE, format="MP3", subtype="MPEG_LAYER_III")
    return out.getvalue()


_SOUNDS = (
    ("instrumental", "music", 220.0, "layer", None, 0.0),
    ("kick", "kick", 55.0, "layer", None, -3.0),
    ("snare", "snare", 330.0, "layer", None, -4.5),
    ("closed-hat", "closed hat", 5000.0, "layer", None, -9.5),
    ("untreated:kick", "kick as it is", 57.0, "untreated", "kick", -3.0),
    ("candidate:loops/dust_90bpm.wav", "loop", 700.0, "other", None, -4.5),
    ("mix", "music and drums", 230.0, "mix", None, 0.0),
    ("candidate:drums/kick-long.wav", "kick-long", 46.0, "candidate", "kick", -4.5),
)


@functools.cache
def sounds() -> tuple[np.ndarray[Any, Any], ...]:
    seconds = EXCERPT_BARS[1] * SLOTS_PER_BAR * SLOT_S
    return tuple(sound(i, seconds, hz=hz) for i, (_, _, hz, *_) in enumerate(_SOUNDS))


@functools.cache
def previews() -> tuple[Preview, ...]:
    first, bars = EXCERPT_BARS
    start = 0.12 + (first - 1) * SLOTS_PER_BAR * SLOT_S
    return tuple(
        Preview(id, label, mp3(samples), RATE, group, of, gain, start, bars * SLOTS_PER_BAR * SLOT_S)
        for samples, (id, label, _, group, of, gain) in zip(sounds(), _SOUNDS, strict=True)
    )


def pairs(of: tuple[Preview, ...]) -> tuple[Comparison, ...]:
    return comparisons(of, other="loop", either=False, step_db=3.0)


@functools.cache
def sample(bars: int = 24) -> DossierData:
    """The full case: `bars` bars of sixteen slots, four sections, three loops, seven one-shots, two plans."""
    drawn = maps(bars)
    music = drawn["instrumental"]
    sections = section_fills(music, bars)
    zones = zone_fills(music)
    bar_fills = tuple(
        round(float(np.minimum(music[:, i * 16 : i * 16 + 16], 1).mean()), 4) for i in range(bars)
    )  # fmt: skip
    reference = 0.9 * np.exp(-(((np.arange(BANDS) - 14) / 16) ** 2))
    return DossierData(
        format_version=FORMAT_VERSION,
        program=ProgramInfo("dossier", "0.1.0"),
        beat=BeatInfo(
            title="Paper Harbour",
            slug="paper-harbour",
            artist="Mirel Osk",
            tempo_bpm=TEMPO,
            key="D minor",
            meter="4/4",
            duration_s=0.12 + bars * 16 * SLOT_S + 1.4,
            bars=bars,
            swing=0.56,
            first_downbeat_s=0.12,
            intent="level",
            target_lufs=-16.0,
            listening_level_db_spl=75.0,
            sample_rate_hz=48000,
            sources={
                "tempo_bpm": "beat.toml", "key": "estimated", "first_downbeat_s": "estimated", "swing": "beat.toml",
            },
            confidences={"key": 0.71, "first_downbeat_s": 0.9},
            notes=("No pattern was given for the outro.",),
        ),
        revision=RevisionInfo(
            "r002", "2026-03-14T18:20:00Z", "9f" * 32,
            ("drums/kick-felt.wav was added.", "The pad was lowered by 2 dB."), "r001",
        ),
        inputs=(
            InputFile(
                "stems/bass.wav", "a1" * 32, "stem", "own", "played on a short-scale bass", 63.9, 48000, 1, 0.0,
                -20.1, -3.2,
            ),
            InputFile("stems/pad.wav", "b2" * 32, "stem", "own", "", 63.9, 48000, 2, -2.0, -22.4, -6.0),
            InputFile("stems/keys.wav", "c3" * 32, "stem", "own", "", 63.9, 48000, 2, 0.0, -24.0, -5.1),
            InputFile("drums/kick-long.wav", "d4" * 32, "drum", "unknown", "", 1.1, 44100, 1),
            InputFile(
                "drums/snare-wide.wav", "e5" * 32, "drum", "pending", "from a session with a friend", 0.6, 44100, 2
            ),
            InputFile("loops/tin-roof_79bpm.wav", "f6" * 32, "drum", "unknown", "", 6.1, 44100, 2),
            InputFile("drums/broken.wav", "07" * 32, "drum", "unknown", "", used=False),
            InputFile("beat.toml", "18" * 32, "settings", "own", ""),
        ),
        instrumental=Instrumental(
            fill=round(float(np.minimum(music, 1).mean()), 4), zones=zones, sections=sections, bars=bar_fills,
            integrated_lufs=-19.0, true_peak_dbtp=-4.2, loudness_range_lu=5.4,
            width={k: StereoMeasure(-12.0 + i, 0.9 - i * 0.1, 0.1 * i) for i, k in enumerate(ZONE_KEYS)},
            roomiest_zone="brilliance", fullest_zone="mid",
        ),
        occupancy=Occupancy(
            band_hz=tuple(float(v) for v in band_hz()), band_zone=tuple(zone_of(f) for f in band_hz()),
            slot_s=SLOT_S, slots_per_bar=SLOTS_PER_BAR, first_slot_s=0.12, instrumental=rows(music),
            with_drums=rows(drawn["with_drums"]), overlap=rows(drawn["overlap"]),
            treatment_change=rows(drawn["treatment_change"]), reference_sone=tuple(float(v) for v in reference),
        ),
        approach=Approach(
            kind="one-shots",
            direction="leaner",
            reasons=(
                "The mid zone is the fullest one, and the low mids follow close behind.",
                "The kit comes out at 0.74, the best loop at 0.58.",
            ),
            verdict="Play separate one-shots and keep them lean: the low mids are nearly full, the top is free.",
            sections=(
                SectionApproach("verse", "one-shots", "leaner", "55 % full with a busy low mid."),
                SectionApproach("hook", "either", "as it is", "A loop would fit the upper zones."),
            ),
            what_would_change_it=(
                WhatIf("With the pad removed a loop would fit.", "stems/pad.wav", None, 0.41, "loop", "fuller"),
                WhatIf(
                    "With the keys 3 dB lower nothing changes.", "stems/keys.wav", -3.0, 0.58, "one-shots", "leaner"
                ),
            ),
            uncertain="At a listening level 5 dB lower the direction turns to 'as it is'.",
        ),
        candidates=candidates(),
        kit=kit(),
        plans=plans(bars),
        balance=balance(),
        low_end=low_end(),
        translation=Translation(
            parts=(
                PartTranslation("kick", 0.0, 0.22, 0.31), PartTranslation("snare", 0.4, 0.93, 0.6),
                PartTranslation("closed hat", 0.9, 1.0, None),
            ),
            mono_zones={k: 0.1 * i for i, k in enumerate(ZONE_KEYS)},
            sentences=("On a small speaker 22 % of the kick's loudness is left.",),
        ),
        room_left=RoomLeft(
            zones={k: round(max(0.0, 0.7 - v * 0.8), 3) for k, v in zones.items()},
            slots=tuple(0.1 + 0.02 * (i % 4) for i in range(16)),
            sentence="Most of what is left lies above 6 kHz on the off-beats.",
            ideas=("drums/shaker-rice.wav on the off-beats would fill 3 % and cost 0.4 % overlap.",),
        ),
        patterns=(
            PatternInfo(
                "beat.toml",
                False,
                4,
                16,
                (
                    PatternRow("kick", (1, 0, 0, 0, 0, 0, 0.7, 0, 0.8, 0, 0, 0, 0, 0, 0, 0)),
                    PatternRow("snare", (0, 0, 0, 0, 1, 0, 0, 0.3, 0, 0, 0, 0, 1, 0, 0, 0)),
                    PatternRow("closed-hat", tuple(0.7 if i % 2 == 0 else 0.0 for i in range(16))),
                ),
                None,
                "Swing 56 % is applied to the sixteenths.",
            ),
            PatternInfo("assumed", True, 4, 16, (PatternRow("kick", (1,) + (0,) * 15),), "outro", ""),
        ),
        looked=Looked(10, 9, 8, 1),
        proposals=(
            Proposal("approach", "approach", "Separate one-shots, kept lean."),
            Proposal("drums", "drums", "Kick kick-felt.wav, snare snare-card.wav, closed hat hat-foil.wav."),
            Proposal("plan:drums/kick-felt.wav", "plan", "Cut the kick at 210 ms and take 3 dB out at 320 Hz."),
            Proposal("gain:kick", "gain", "Kick at -3.0 dB."),
            Proposal("gain:snare", "gain", "Snare at -4.5 dB."),
            Proposal("rights:drums/snare-wide.wav", "rights", "Clearing of snare-wide.wav is pending."),
        ),
        decisions=(
            Decision(
                "d0001", "2026-03-01T10:00:00Z", "r001", "8e" * 32, "Mirel", "to change", "The kick is too long.",
                (Mark("plan:drums/kick-felt.wav", "to change", "Shorter, please."),), {"kick": -2.0}, "response",
                None, "x1",
            ),
        ),
        warnings=("drums/broken.wav could not be read: the file ends in the middle of its data.",),
        settings=(
            SettingUsed("open_below", 0.5, 0.55, "share", "Below this fill the beat counts as open."),
            SettingUsed("full_above", 0.7, 0.7, "share", "Above this fill the beat counts as full."),
        ),
        comparisons=pairs(previews()),
        concerns=("Snare: turning up won't fix it. Take another snare.", "The mid (500 to 2000 Hz) is over-full."),
        renders=("paper-harbour-part-kick-treated.wav", "kick-felt-leaner.wav", "rough-mix.wav", "pattern.mid",
                 "settings.csv"),
    )


def bare(bars: int = 8) -> DossierData:
    """Everything that may be absent is absent."""
    full = sample(bars)
    return structs.replace(
        full, candidates=(), kit=None, plans=(), low_end=None, translation=None, room_left=None, patterns=(),
        looked=Looked(0, 0, 0, 0), proposals=(), decisions=(), warnings=(), concerns=(), settings=(),
        renders=(), inputs=(), comparisons=(),
        balance=Balance((), (), Mix(None, None, None, None, 0.0, False)),
        occupancy=structs.replace(full.occupancy, with_drums=(), overlap=(), treatment_change=()),
        approach=structs.replace(full.approach, sections=(), what_would_change_it=(), uncertain=None, reasons=()),
        instrumental=structs.replace(full.instrumental, integrated_lufs=None, true_peak_dbtp=None,
                                         loudness_range_lu=None, width={}),
        beat=structs.replace(full.beat, key=None, artist="", sources={}, confidences={}, notes=()),
        revision=structs.replace(full.revision, id="r001", changes=(), previous=None),
    )  # fmt: skip


HOSTILE = "\"><img src=x onerror=window.broken=1></script><script>window.broken=1</script>&amp;\u2028\u202e{{7*7}}'"


def spoil(value: Any) -> Any:
    """Append a hostile ending to every text that a user can write, in nested data of any shape."""
    if isinstance(value, str):
        return value + HOSTILE
    if isinstance(value, tuple):
        return tuple(spoil(v) for v in value)
    return value


def hostile() -> DossierData:
    """Names, notes, origins, reasons and warnings that try to break out of their place."""
    full = sample()
    spoilt = {
        "file", "name", "origin", "reason", "artist", "title", "notes", "text", "by", "candidate", "label", "sentence",
        "sentences", "ideas", "advice", "part", "first", "second", "note", "changes", "verdict", "reasons", "tried",
        "stem", "warnings", "uncertain", "key", "kick_note", "bass_notes", "render", "renders", "problems", "source",
    }  # fmt: skip

    def walk(value: Any, name: str = "") -> Any:
        if isinstance(value, Struct):
            return structs.replace(
                value, **{name: walk(getattr(value, name), name) for name in value.__struct_fields__}
            )
        if isinstance(value, tuple) and value and isinstance(value[0], Struct):
            return tuple(walk(v) for v in value)
        return spoil(value) if name in spoilt and isinstance(value, str | tuple) else value

    out = walk(structs.replace(full, comparisons=pairs(hostile_previews())))
    assert isinstance(out, DossierData)
    return out


def hostile_previews() -> tuple[Preview, ...]:
    return tuple(structs.replace(p, label=p.label + HOSTILE, id=p.id if p.group == "layer" else p.id + HOSTILE)
                 for p in previews())  # fmt: skip
