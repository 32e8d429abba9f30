"""An invented dossier, rich enough that every part of the page has something to show.

Everything here is made up (title, names, files, numbers).  `sample()` is the full case, `bare()` the case in which
every part that may be absent is absent, `hostile()` the case in which every name tries to break out of its place.
"""

from __future__ import annotations

import dataclasses
import functools
import io
from typing import Any

import numpy as np
import soundfile

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
    ZoneWidth,
)
from dossier.model.findings import (
    Approach,
    Balance,
    BalancePart,
    Candidate,
    DrumFigures,
    EqualPeaks,
    Fit,
    Kit,
    KitMember,
    LoopFit,
    LowEnd,
    LowEndRemedy,
    Mix,
    PartTranslation,
    Plan,
    RoomLeft,
    SectionApproach,
    SectionFill,
    Step,
    Translation,
    Tried,
    WhatIf,
)
from dossier.model.page import PageAssets, Preview
from dossier.model.vocabulary import ZONE_KEYS, ZONES

BANDS = 38
TEMPO = 92.0
SLOTS_PER_BAR = 16
SLOT_S = 15.0 / TEMPO
SECTIONS = (("intro", 0.55), ("verse", 0.8), ("hook", 1.0), ("outro", 0.6))
EXCERPT_BARS = (9, 4)  # first bar (1-based), bars
RATE = 22050


def band_hz() -> np.ndarray:
    """Centres of 38 bands 1 Cam wide from 1.5 to 38.5 Cam (ERB-number scale, Glasberg and Moore 1990, from memory)."""
    cam = np.arange(BANDS) + 2.0
    return (10 ** (cam / 21.4) - 1) / 0.00437


def zone_of(hz: float) -> str:
    for zone in ZONES:
        if hz < zone.high_hz:
            return zone.key
    return ZONES[-1].key


@functools.cache
def maps(bars: int = 24) -> dict[str, np.ndarray]:
    """Instrumental, drums, overlap and treatment change over band x slot, with the shape of real music."""
    rng = np.random.default_rng(20)
    slots = bars * SLOTS_PER_BAR
    bar = np.arange(slots) // SLOTS_PER_BAR
    step = np.arange(slots) % SLOTS_PER_BAR
    section = np.minimum(bar * len(SECTIONS) // bars, len(SECTIONS) - 1)
    strength = np.array([s for _, s in SECTIONS])[section]
    band = np.arange(BANDS)[:, None]
    root = np.array([4, 6, 3, 5])[bar % 4]
    bass = 0.95 * np.exp(-(((band - root) / 2.0) ** 2)) * np.where(step % 8 < 6, 1.0, 0.35)
    pad = 0.75 * np.exp(-(((band - 15) / 6.5) ** 2)) * (0.85 + 0.15 * np.cos(2 * np.pi * bar / 8))
    keys = 0.55 * np.exp(-(((band - 23 - (bar % 3)) / 4.0) ** 2)) * np.isin(step, (0, 3, 4, 6, 10, 11))
    air = 0.16 * np.exp(-(((band - 33) / 4.0) ** 2)) * (section == 2)
    instrumental = (bass + pad + keys + air) * strength + 0.03 * rng.random((BANDS, slots))
    kick = 0.8 * np.exp(-(((band - 3) / 2.2) ** 2)) * np.isin(step, (0, 6, 8))
    snare = 0.7 * np.exp(-(((band - 22) / 8.0) ** 2)) * np.isin(step, (4, 12))
    hat = 0.5 * np.exp(-(((band - 34) / 3.0) ** 2)) * (step % 2 == 0)
    drums = (kick + snare + hat) * (section > 0)
    together = (instrumental**3 + drums**3) ** (1 / 3)
    overlap = drums * instrumental / (instrumental + drums + 0.05) * 0.8
    change = -0.3 * overlap * (band > 14) + 0.15 * hat * (section > 0)
    return {
        "instrumental": np.round(instrumental, 4), "with_drums": np.round(together, 4),
        "overlap": np.round(overlap, 4), "treatment_change": np.round(change, 4),
    }  # fmt: skip


def rows(array: np.ndarray) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(float(v) for v in row) for row in array)


def zone_fills(array: np.ndarray) -> dict[str, float]:
    hz = band_hz()
    names = np.array([zone_of(f) for f in hz])
    return {
        key: round(float(np.minimum(array[names == key], 1).mean()), 4) if (names == key).any() else 0.0
        for key in ZONE_KEYS
    }


def section_fills(array: np.ndarray, bars: int) -> tuple[SectionFill, ...]:
    each = bars // len(SECTIONS)
    out = []
    for i, (name, _) in enumerate(SECTIONS):
        first = i * each
        count = each if i < len(SECTIONS) - 1 else bars - first
        part = array[:, first * SLOTS_PER_BAR : (first + count) * SLOTS_PER_BAR]
        out.append(SectionFill(name, first + 1, count, round(float(np.minimum(part, 1).mean()), 4), zone_fills(part)))
    return tuple(out)


def fit(**changes: Any) -> Fit:
    base = Fit(
        room_filled=0.142, spill=0.021, overlap=0.083, buried=0.041, audible_share=0.71, lift_lu=1.8,
        tempo_match=0.98, tuning_match=0.86, mono_loss_lu=0.2,
    )  # fmt: skip
    return dataclasses.replace(base, **changes)


def figures(*, scale: float = 1.0, length: float = 0.42, **changes: Any) -> DrumFigures:
    steps = 60
    time = np.arange(steps) * 0.01
    envelope = -60 * np.minimum(time / length, 1.0) ** 0.8
    spectrum = -18 - 0.9 * np.abs(np.arange(BANDS) - 9 * scale)
    base = DrumFigures(
        sample_peak_dbfs=-3.1, true_peak_dbtp=-2.9, integrated_lufs=-19.4, crest_factor_db=14.2,
        effective_length_s=length, fill=0.742, room_filled=0.091, spill=0.018, overlap=0.072, buried=0.051,
        audible_share=0.58, envelope_db=tuple(float(v) for v in envelope), envelope_step_s=0.01,
        spectrum_db=tuple(float(v) for v in spectrum),
    )  # fmt: skip
    return dataclasses.replace(base, **changes)


def candidates() -> tuple[Candidate, ...]:
    terms = {
        "room filled": 0.26,
        "audible share": 0.21,
        "overlap": -0.06,
        "spill": -0.02,
        "tempo": 0.14,
        "tuning": 0.07,
    }

    def one(file: str, kind: str, role: str | None, score: float | None, **changes: Any) -> Candidate:
        shift = (0.6 - score) if score is not None else 0.0
        base = Candidate(
            file=file, name=file.rsplit("/", 1)[-1], kind=kind, role=role, rights="own",  # type: ignore[arg-type]
            origin="recorded at home", looked_at="closely", score=score,
            terms={k: round(v - shift / 6, 3) for k, v in terms.items()} if score is not None else {},
            fit=fit(overlap=round(0.083 + shift / 4, 4), audible_share=round(0.71 - shift / 2, 4)), gain_db=-4.5,
            reason=f"It brings {14 - 10 * shift:.0f} % of room and stays {71 - 50 * shift:.0f} % audible.", loop=None,
            integrated_lufs=-18.2 - 3 * shift, one_hit_lufs=-20.1, sample_peak_dbfs=-1.0, true_peak_dbtp=-0.7,
            crest_factor_db=13.4, pitch_hz=None, pitch_note=None, effective_length_s=0.31,
        )  # fmt: skip
        return dataclasses.replace(base, **changes)

    loop = LoopFit(
        method="repitch", ratio=1.0222, change_percent=2.2, semitones=0.38, source_tempo_bpm=90.0, beats=8.0,
        downbeat_s=0.0, poor_match=False, note="Played 2.2 % faster, which raises its pitch by 0.4 semitones.",
    )  # fmt: skip
    stretched = dataclasses.replace(
        loop,
        method="stretch",
        ratio=1.17,
        change_percent=17.0,
        semitones=0.0,
        poor_match=True,
        note="Stretched by 17 %: beyond 12 % it is a poor match.",
    )
    return (
        one("drums/kick-felt.wav", "one-shot", "kick", 0.71, pitch_hz=55.2, pitch_note="A1", chosen=True,
            plan="plan-1", integrated_lufs=None, gain_db=-3.0),
        one("drums/kick-long.wav", "one-shot", "kick", 0.52, pitch_hz=46.1, pitch_note="F#1", integrated_lufs=None,
            reason="It rings for 0.9 s over the bass and loses a third of its loudness there.", rights="unknown"),
        one("drums/snare-card.wav", "one-shot", "snare", 0.68, chosen=True, plan="plan-2", integrated_lufs=None),
        one("drums/snare-wide.wav", "one-shot", "snare", 0.49, rights="pending", integrated_lufs=None),
        one("drums/hat-foil.wav", "one-shot", "closed-hat", 0.66, chosen=True, integrated_lufs=None, gain_db=-9.5),
        one("drums/shaker-rice.wav", "one-shot", "shaker", 0.47, rights="licensed", integrated_lufs=None),
        one("loops/dust_90bpm.wav", "loop", None, 0.58, loop=loop, rights="cleared",
            reason="It fills 19 % of the room, most of it in the mid zone that is already half taken."),
        one("loops/tin-roof_79bpm.wav", "loop", None, 0.31, loop=stretched, rights="unknown"),
        one("loops/far-room.wav", "loop", None, 0.12, looked_at="coarsely", fit=None, gain_db=None,
            reason="By its spectrum alone it covers the low mid zone, where little room is left."),
        one("drums/broken.wav", "one-shot", None, None, looked_at="not at all", fit=None, gain_db=None,
            reason="", problems=("The file ends in the middle of its data.",)),
    )  # fmt: skip


def kit() -> Kit:
    return Kit(
        members=(
            KitMember("kick", "drums/kick-felt.wav", -3.0, fit(), False, "It leaves the bass note free after 0.2 s."),
            KitMember("snare", "drums/snare-card.wav", -4.5, fit(audible_share=0.66), False, "Audible above the pad."),
            KitMember("closed-hat", "drums/hat-foil.wav", -9.5, fit(overlap=0.01), True, "Set in beat.toml."),
        ),
        missing_roles=("open-hat",),
        score=0.74,
        terms={
            "room filled": 0.3,
            "audible share": 0.24,
            "overlap": -0.05,
            "spill": -0.01,
            "tempo": 0.18,
            "tuning": 0.08,
        },
        fit=fit(room_filled=0.17, audible_share=0.69),
        reason="Together they fill 17 % of the room and stay 69 % audible.",
    )


def plans(bars: int) -> tuple[Plan, ...]:
    change = maps(bars)["treatment_change"][:, 6 * SLOTS_PER_BAR : 8 * SLOTS_PER_BAR]
    return (
        Plan(
            id="plan-1", candidate="drums/kick-felt.wav", role="kick", direction="leaner",
            steps=(
                Step("truncation", "cut at 210 ms with a fade of 40 ms", {"length_ms": 210.0, "fade_ms": 40.0}),
                Step("eq", "bell at 320 Hz, -3.0 dB, Q 1.0", {"hz": 320.0, "gain_db": -3.0, "q": 1.0}),
            ),
            before=figures(), after=figures(
                length=0.21, overlap=0.044, buried=0.032, audible_share=0.66, integrated_lufs=-20.3, fill=0.728,
                crest_factor_db=15.0, room_filled=0.078,
            ),
            helped=True, reason="Overlap falls from 7.2 % to 4.4 % while 66 % of the kick stays audible.",
            tried=(
                Tried("transient shaping", "attack +3 dB, sustain -4 dB", "The true peak rose by 2.1 dB."),
                Tried("width", "side gain -6 dB", "The kick is mono already: nothing changed."),
            ),
            evaluations=46, render="kick-felt-leaner.wav", occupancy_change=rows(change),
        ),
        Plan(
            id="plan-2", candidate="drums/snare-card.wav", role="snare", direction="fuller",
            steps=(Step("saturation", "drive 4 dB, mix 60 %", {"drive_db": 4.0, "mix": 0.6}),),
            before=figures(scale=2.2, length=0.3),
            after=figures(scale=2.4, length=0.34, audible_share=0.6, room_filled=0.095), helped=False,
            reason="The room filled rises by only 0.4 %: not worth a process.", tried=(), evaluations=12, render=None,
            occupancy_change=(),
        ),
    )  # fmt: skip


def balance() -> Balance:
    def part(
        id: str, name: str, file: str, role: str, peak: float, lufs: float, share: float, gain: float
    ) -> BalancePart:
        return BalancePart(
            id=id,
            part=name,
            file=file,
            role=role,
            intent="level",
            sample_peak_dbfs=peak,  # type: ignore[arg-type]
            true_peak_dbtp=peak + 0.2,
            integrated_lufs=lufs,
            peak_to_loudness_db=peak + 0.2 - lufs,
            audible_share=share,
            target_share=0.65,
            lift_lu=1.4,
            overlap=0.04,
            gain_db=gain,
            bounded=name == "snare",
            advice=f"Set the {name} to {gain:+.1f} dB.",
            gain_low_db=gain - 1.0,
            gain_high_db=gain + 1.5,
            chosen=role != "percussion",
            treated=name == "kick",
        )

    return Balance(
        parts=(
            part("kick", "kick", "drums/kick-felt.wav", "kick", -3.0, -19.6, 0.66, -3.0),
            part("snare", "snare", "drums/snare-card.wav", "snare", -3.2, -23.9, 0.64, -4.5),
            part("closed-hat", "closed hat", "drums/hat-foil.wav", "closed-hat", -8.0, -30.2, 0.67, -9.5),
            part("loop", "loop", "loops/dust_90bpm.wav", "percussion", -4.1, -17.5, 0.7, -6.0),
        ),
        equal_peaks=(
            EqualPeaks(
                "kick",
                "snare",
                0.2,
                4.3,
                "Kick and snare peak within 0.2 dB of one another, yet the kick is 4.3 LU louder.",
            ),
        ),
        mix=Mix(
            -16.0, -1.4, 0.4, 6.2, 2.3, False, (("intro", -19.8), ("verse", -16.4), ("hook", -15.2), ("outro", -18.9))
        ),
        advice=("The snare reached the headroom bound: raise it by treatment rather than by level.",),
    )


def low_end() -> LowEnd:
    return LowEnd(
        kick="drums/kick-felt.wav",
        bass_stem="stems/bass.wav",
        overlap_sub=0.12,
        overlap_bass=0.31,
        kick_share=0.58,
        kick_pitch_hz=55.2,
        kick_note="A1",
        kick_cents_from_key=6.0,
        bass_notes=("D2", "F2", "A1"),
        polarity="invert",
        delay_ms=-1.5,
        delay_gain_db=1.9,
        remedies=(
            LowEndRemedy("duck the bass", "4 dB for 120 ms", 0.72, 0.06, {"depth_db": 4.0, "time_ms": 120.0}),
            LowEndRemedy("shorten the kick", "to 180 ms", 0.61, 0.0, {"length_ms": 180.0}, "kick-felt-short.wav"),
        ),
        sentences=(
            "Kick and bass share 31 % of the bass zone where both sound.",
            "Turning the kick's polarity over and moving it 1.5 ms earlier brings 1.9 dB of low end.",
        ),
        reasons={},
    )


def mp3(seed: int, seconds: float, *, hz: float) -> bytes:
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * RATE)) / RATE
    beat = np.exp(-((t % (4 * SLOT_S)) / 0.08))
    sound = 0.3 * np.sin(2 * np.pi * hz * t) * beat + 0.01 * rng.standard_normal(len(t))
    out = io.BytesIO()
    soundfile.write(out, sound.astype(np.float32), RATE, format="MP3", subtype="MPEG_LAYER_III")
    return out.getvalue()


@functools.cache
def previews() -> tuple[Preview, ...]:
    first, bars = EXCERPT_BARS
    start = 0.12 + (first - 1) * SLOTS_PER_BAR * SLOT_S
    seconds = bars * SLOTS_PER_BAR * SLOT_S
    listed = (
        ("instrumental", "instrumental", 220.0, "layer", None, 0.0, 0.0),
        ("kick", "kick", 55.0, "layer", None, -3.0, 0.0),
        ("snare", "snare", 330.0, "layer", None, -4.5, 0.0),
        ("closed-hat", "closed hat", 5000.0, "layer", None, -9.5, 0.0),
        ("untreated:kick", "kick, untreated", 57.0, "untreated", "kick", -3.4, -0.9),
        ("candidate:drums/kick-long.wav", "kick-long", 46.0, "candidate", "kick", -4.5, 0.0),
        ("candidate:loops/dust_90bpm.wav", "dust", 700.0, "candidate", None, -4.5, 0.0),
    )
    return tuple(
        Preview(id, label, mp3(i, seconds, hz=hz), group, of, gain, matched, start, seconds)
        for i, (id, label, hz, group, of, gain, matched) in enumerate(listed)
    )


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
                "tempo_bpm": "beat.toml",
                "key": "estimated",
                "first_downbeat_s": "estimated",
                "swing": "beat.toml",
            },
            confidences={"key": 0.71, "first_downbeat_s": 0.9},
            notes=("No pattern was given for the outro.",),
        ),
        revision=RevisionInfo(
            "r002",
            "2026-03-14T18:20:00Z",
            "9f" * 32,
            ("drums/kick-felt.wav was added.", "The pad was lowered by 2 dB."),
            "r001",
        ),
        inputs=(
            InputFile(
                "stems/bass.wav",
                "a1" * 32,
                "stem",
                "own",
                "played on a short-scale bass",
                63.9,
                48000,
                1,
                0.0,
                -20.1,
                -3.2,
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
            fill=0.612,
            zones=zones,
            sections=sections,
            bars=bar_fills,
            integrated_lufs=-19.0,
            true_peak_dbtp=-4.2,
            loudness_range_lu=5.4,
            width={k: ZoneWidth(-12.0 + i, 0.9 - i * 0.1, 0.1 * i) for i, k in enumerate(ZONE_KEYS)},
            roomiest_zone="brilliance",
            fullest_zone="mid",
        ),
        occupancy=Occupancy(
            band_hz=tuple(float(v) for v in band_hz()),
            band_zone=tuple(zone_of(f) for f in band_hz()),
            slot_s=SLOT_S,
            slots_per_bar=SLOTS_PER_BAR,
            first_slot_s=0.12,
            instrumental=rows(music),
            with_drums=rows(drawn["with_drums"]),
            overlap=rows(drawn["overlap"]),
            treatment_change=rows(drawn["treatment_change"]),
            reference_sone=tuple(float(v) for v in reference),
        ),
        approach=Approach(
            kind="one-shots",
            direction="leaner",
            reasons=(
                "The instrumental fills 61 % of the reference, and 84 % of the low mid zone.",
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
                PartTranslation("kick", 0.0, 0.22, 0.31),
                PartTranslation("snare", 0.4, 0.93, 0.6),
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
                "d0001",
                "2026-03-01T10:00:00Z",
                "r001",
                "8e" * 32,
                "Mirel",
                "to change",
                "The kick is too long.",
                (Mark("plan:drums/kick-felt.wav", "to change", "Shorter, please."),),
                {"kick": -2.0},
                "response",
                None,
                "x1",
            ),
        ),
        warnings=("drums/broken.wav could not be read: the file ends in the middle of its data.",),
        settings=(
            SettingUsed("open_below", 0.5, 0.55, "share", "Below this fill the beat counts as open."),
            SettingUsed("full_above", 0.7, 0.7, "share", "Above this fill the beat counts as full."),
        ),
        renders=("kick-felt-leaner.wav", "rough-mix.wav", "pattern.mid", "settings.csv"),
    )


def bare(bars: int = 8) -> DossierData:
    """Everything that may be absent is absent."""
    full = sample(bars)
    return dataclasses.replace(
        full, candidates=(), kit=None, plans=(), low_end=None, translation=None, room_left=None, patterns=(),
        looked=Looked(0, 0, 0, 0), proposals=(), decisions=(), warnings=(), settings=(), renders=(), inputs=(),
        balance=Balance((), (), Mix(None, None, None, None, 0.0, False)),
        occupancy=dataclasses.replace(full.occupancy, with_drums=(), overlap=(), treatment_change=()),
        approach=dataclasses.replace(full.approach, sections=(), what_would_change_it=(), uncertain=None, reasons=()),
        instrumental=dataclasses.replace(full.instrumental, integrated_lufs=None, true_peak_dbtp=None,
                                         loudness_range_lu=None, width={}),
        beat=dataclasses.replace(full.beat, key=None, artist="", sources={}, confidences={}, notes=()),
        revision=dataclasses.replace(full.revision, id="r001", changes=(), previous=None),
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
        if dataclasses.is_dataclass(value) and not isinstance(value, type):
            return dataclasses.replace(
                value, **{f.name: walk(getattr(value, f.name), f.name) for f in dataclasses.fields(value)}
            )
        if isinstance(value, tuple) and value and dataclasses.is_dataclass(value[0]):
            return tuple(walk(v) for v in value)
        return spoil(value) if name in spoilt and isinstance(value, str | tuple) else value

    out = walk(full)
    assert isinstance(out, DossierData)
    return out


def assets() -> PageAssets:
    return PageAssets(previews=previews(), what_if=None)


def hostile_assets() -> PageAssets:
    spoilt = tuple(dataclasses.replace(p, label=p.label + HOSTILE, id=p.id if p.group == "layer" else p.id + HOSTILE)
                   for p in previews())  # fmt: skip
    return PageAssets(previews=spoilt, what_if=None)
