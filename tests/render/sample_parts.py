"""The sample's drums, plans, balance and low end: invented files, invented numbers."""

from __future__ import annotations

from typing import Any

import numpy as np
from msgspec import structs
from sample_maps import BANDS, SLOTS_PER_BAR, maps, rows

from dossier.model.findings import (
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
    Plan,
    Step,
    Tried,
)


def fit(**changes: Any) -> Fit:
    base = Fit(
        job=0.93, heard_in_zones=2.4, room_filled=0.142, over=0.021, covered_music=0.041, overlap=0.083,
        audible_share=0.71, lift_lu=1.8, tempo_match=0.98, tuning_match=0.86, mono_loss_lu=0.2,
    )  # fmt: skip
    return structs.replace(base, **changes)


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
    return structs.replace(base, **changes)


def candidates() -> tuple[Candidate, ...]:
    terms = {
        "room filled": 0.26, "audible share": 0.21, "overlap": -0.06, "spill": -0.02, "tempo": 0.14, "tuning": 0.07,
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
        return structs.replace(base, **changes)

    loop = LoopFit(
        method="repitch", ratio=1.0222, change_percent=2.2, semitones=0.38, source_tempo_bpm=90.0, beats=8.0,
        downbeat_s=0.0, poor_match=False, note="Played 2.2 % faster, which raises its pitch by 0.4 semitones.",
    )  # fmt: skip
    stretched = structs.replace(
        loop, method="stretch", ratio=1.17, change_percent=17.0, semitones=0.0, poor_match=True,
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
            "room filled": 0.3, "audible share": 0.24, "overlap": -0.05, "spill": -0.01, "tempo": 0.18,
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
            level_lu=lufs + gain + 18.0,
            usual_lu=(-14.4, -7.0),
            lift_lu=1.4,
            overlap=0.04,
            gain_db=gain,
            advice=f"Set the {name} to {gain:+.1f} dB.",
            gain_range_db=(gain - 1.0, gain + 1.5),
            chosen=role != "percussion",
            treated=name == "kick",
            cycle_file=f"paper-harbour-cycle-{id}.wav",
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
                "kick", "snare", 0.2, 4.3,
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
        reasons={}, kick_spectrum_db=tuple(70.0 - 2 * abs(i - 3) for i in range(38)),
        bass_spectrum_db=tuple(66.0 - 2 * abs(i - 5) for i in range(38)),
    )
