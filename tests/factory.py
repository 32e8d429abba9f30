"""Small but complete dossiers for tests of the archive and of the pages.  All music in it is invented.

`python tests/factory.py FILE` writes one as a data file (that is how the kept files of tests/data_formats were made).
"""

from __future__ import annotations

import random
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from msgspec.structs import replace

from dossier.model.datafile import (
    FORMAT_VERSION,
    BeatInfo,
    Decision,
    DossierData,
    InputFile,
    Instrumental,
    Looked,
    Occupancy,
    PatternInfo,
    PatternRow,
    ProgramInfo,
    Proposal,
    RevisionInfo,
    SettingUsed,
)
from dossier.model.ears import Comparison, Side
from dossier.model.findings import (
    Approach,
    Balance,
    BalancePart,
    Candidate,
    DrumFigures,
    Fit,
    Kit,
    KitMember,
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
from dossier.model.measures import StereoMeasure
from dossier.model.vocabulary import ZONE_KEYS, ZONES, Rights, Role

DRUMS: tuple[tuple[Role, str, float], ...] = (
    ("kick", "drums/kick-low.wav", -4.2),
    ("snare", "drums/snare-dry.wav", -6.5),
    ("closed-hat", "drums/hat-short.wav", -11.0),
)

RIGHTS: Mapping[str, Rights] = {"drums/snare-dry.wav": "cleared", "drums/hat-short.wav": "pending"}


def hash_of(text: str) -> str:
    """A made-up content hash, the same for the same text."""
    return f"{random.Random(text).getrandbits(256):064x}"


def fit(**values: Any) -> Fit:
    base = Fit(0.93, 2.4, 0.12, 0.01, 0.05, 0.08, 0.72, 1.4, 1.0, None, 0.1)
    return replace(base, **values)


def figures(**values: Any) -> DrumFigures:
    base = DrumFigures(
        -1.2, -0.9, -18.4, 14.2, 0.31, 0.66, 0.12, 0.01, 0.08, 0.05, 0.72, (-3.0, -9.0, -24.0), 0.05, (-20.0,) * 38
    )
    return replace(base, **values)


SOUNDS = {"instrumental": "a1" * 32, "kick": "b2" * 32, "untreated:kick": "c3" * 32}
TREATED, AS_IT_IS = "drums treated", "drums as they are"
TREATMENT = Comparison("treatment", (Side(TREATED, {"instrumental": -1.0, "kick": -5.0}),
                                     Side(AS_IT_IS, {"instrumental": -1.2, "untreated:kick": -4.0})), TREATED, SOUNDS)


def blind_run(said: str, *, task: str = "preference", planned: int | None = None, **values: Any) -> dict[str, Any]:
    """A run as a response holds it.  `said`, a letter a round: t and u prefer treated and untreated, n neither; of a
    discrimination run r and w are right and wrong."""
    rounds: list[dict[str, str]] = []
    for place, letter in enumerate(said):
        a, x = (TREATED, AS_IT_IS)[place % 2], "AB"[place // 2 % 2]
        if task == "discrimination":
            rounds.append({"a": a, "x": x, "said": x if letter == "r" else "BA"["AB".index(x)]})
        else:
            wanted = {"t": TREATED, "u": AS_IT_IS}.get(letter)
            rounds.append({"a": a, "said": "no difference" if wanted is None else "A" if wanted == a else "B", "x": ""})
    return {"comparison": "treatment", "task": task, "made": "2026-03-03T18:20:00Z", "rounds": rounds,
            "planned": len(said) if planned is None else planned, "sounds": SOUNDS} | values


def dossier(slug: str = "lantern-market", *, seed: int = 1, bars: int = 4, **values: Any) -> DossierData:
    """A dossier whose numbers depend on `seed` alone; `values` replaces whole top-level fields.

    `revision="r002"` and `identity="..."` may be given as words; `fill`, `title`, `gains`, `mix_lufs`, `rights` and
    `drums` change what they name.
    """
    rng = random.Random(seed)
    title = values.pop("title", slug.replace("-", " ").title())
    fill = values.pop("fill", round(rng.uniform(0.35, 0.75), 3))
    gains: Mapping[str, float] = values.pop("gains", {})
    mix_lufs = values.pop("mix_lufs", -16.0)
    rights: Mapping[str, str] = values.pop(
        "rights", {"drums/snare-dry.wav": "cleared", "drums/hat-short.wav": "pending"}
    )
    drums: Sequence[tuple[Role, str, float]] = values.pop("drums", DRUMS)
    revision = values.pop("revision", "r001")
    identity = values.pop("identity", hash_of(f"{slug} {seed} {revision}"))
    if isinstance(revision, str):
        revision = RevisionInfo(revision, "2026-03-01T10:00:00Z", identity)
    zones = {key: round(min(1.0, max(0.02, rng.gauss(fill, 0.2))), 3) for key in ZONE_KEYS}
    sections = tuple(
        SectionFill(name, first, count, round(fill * share, 3), {key: round(zones[key] * share, 3) for key in zones})
        for name, first, count, share in (("verse", 1, bars // 2, 0.9), ("hook", 1 + bars // 2, bars - bars // 2, 1.1))
    )
    slots = bars * 16
    rows = tuple(tuple(round(rng.random(), 4) for _ in range(slots)) for _ in range(38))
    quiet = tuple(tuple(0.0 for _ in range(slots)) for _ in range(38))
    parts = tuple(
        BalancePart(
            id=role,
            part=role.replace("-", " "),
            file=file,
            role=role,
            intent="level",
            sample_peak_dbfs=-1.0,
            true_peak_dbtp=-0.8,
            integrated_lufs=round(-20.0 - 2.0 * place, 1),
            peak_to_loudness_db=round(19.2 + 2.0 * place, 1),
            audible_share=round(0.72 - 0.05 * place, 3),
            level_lu=-9.0 - place,
            usual_lu=(-12.0, -7.0),
            lift_lu=round(1.4 - place, 1),
            overlap=0.08,
            gain_db=gains.get(role, gain),
            gain_range_db=(gain - 2.0, gain + 1.0),
            advice=f"Set the {role.replace('-', ' ')} by ear from here.",
        )
        for place, (role, file, gain) in enumerate(drums)
    )
    candidates = tuple(
        Candidate(
            file=file,
            name=Path(file).stem,
            kind="one-shot",
            role=role,
            rights=rights.get(file, "own"),
            origin="recorded at home",
            looked_at="closely",
            score=round(0.8 - 0.1 * place, 3),
            terms={"room filled": 0.5, "audible share": round(0.3 - 0.1 * place, 3)},
            fit=fit(),
            gain_db=gains.get(role, gain),
            reason="It sounds through and leaves the bass alone.",
            loop=None,
            integrated_lufs=None,
            one_hit_lufs=-18.0,
            sample_peak_dbfs=-1.0,
            true_peak_dbtp=-0.8,
            crest_factor_db=13.0,
            pitch_hz=55.0 if role == "kick" else None,
            pitch_note="A1" if role == "kick" else None,
            effective_length_s=0.24,
            chosen=True,
            plan="plan-1" if role == "kick" else None,
        )
        for place, (role, file, gain) in enumerate(drums)
    )
    inputs = (
        InputFile("beat.toml", hash_of(f"{slug} toml"), "settings", "own", ""),
        InputFile(
            "stems/pad.wav", hash_of(f"{slug} pad"), "stem", "own", "played at home", 24.0, 48000, 2, 0.0, -19.0, -3.0
        ),
        InputFile(
            "stems/bass.wav", hash_of(f"{slug} bass"), "stem", "own", "played at home", 24.0, 48000, 2, 0.0, -21.0, -4.0
        ),
        *(InputFile(file, hash_of(f"{slug} {file}"), "drum", rights.get(file, "own"), "") for _, file, _ in drums),
        InputFile("drums/unused.wav", hash_of("unused"), "drum", "unknown", ""),
    )
    data = DossierData(
        format_version=FORMAT_VERSION,
        comparisons=(TREATMENT,),
        program=ProgramInfo("dossier", "0.1.0"),
        beat=BeatInfo(
            title=title,
            slug=slug,
            artist="Example Ensemble",
            tempo_bpm=round(rng.uniform(70, 150), 1),
            key="D minor",
            meter="4/4",
            duration_s=24.0,
            bars=bars,
            swing=0.5,
            first_downbeat_s=0.0,
            intent="level",
            target_lufs=-16.0,
            listening_level_db_spl=75.0,
            sample_rate_hz=48000,
            sources={"tempo_bpm": "beat.toml", "key": "estimated"},
            confidences={"key": 0.8},
        ),
        revision=revision,
        inputs=inputs,
        instrumental=Instrumental(
            fill=fill,
            zones=zones,
            sections=sections,
            bars=(fill,) * bars,
            integrated_lufs=-19.0,
            true_peak_dbtp=-3.0,
            loudness_range_lu=4.0,
            width={zone.key: StereoMeasure(-12.0, 0.9, 0.2) for zone in ZONES},
            roomiest_zone=min(zones, key=lambda key: zones[key]),
            fullest_zone=max(zones, key=lambda key: zones[key]),
        ),
        occupancy=Occupancy(
            band_hz=tuple(round(50.0 * 1.16**band, 1) for band in range(38)),
            band_zone=("sub",) * 3 + ("bass",) * 6 + ("mid",) * 29,
            slot_s=0.125,
            slots_per_bar=16,
            first_slot_s=0.0,
            instrumental=rows,
            with_drums=rows,
            overlap=quiet,
            reference_sone=(0.4,) * 38,
        ),
        approach=Approach(
            "one-shots",
            "leaner",
            ("The instrumental fills the low mid.",),
            "Take one-shots, and make them leaner.",
            (SectionApproach("verse", "one-shots", "leaner", "The verse is full."),),
            (WhatIf("Without the pad a loop would fit.", "stems/pad.wav", None, 0.3, "loop", "as it is"),),
        ),
        candidates=candidates,
        kit=Kit(
            tuple(KitMember(role, file, gain, fit(), False, "Best of its role.") for role, file, gain in drums),
            ("clap",),
            0.81,
            {"room filled": 0.5, "audible share": 0.31},
            fit(),
            "The three leave one another room.",
        ),
        plans=(
            Plan(
                "plan-1",
                "drums/kick-low.wav",
                "kick",
                "leaner",
                (Step("truncation", "truncate to 180 ms with a 30 ms fade", {"length_s": 0.18, "fade_s": 0.03}),),
                figures(),
                figures(overlap=0.04, audible_share=0.78),
                True,
                "Half the overlap is gone and the kick is clearer.",
                (Tried("eq", "high-pass at 40 Hz, Q 0.71", "It made no difference that can be heard."),),
                12,
                "kick-low-leaner.wav",
            ),
        ),
        balance=Balance(
            parts=parts,
            equal_peaks=(),
            mix=Mix(mix_lufs, -1.4, 0.4, 5.0, 1.2, False, (("verse", -17.0), ("hook", -15.2))),
            advice=("Start from these gains, then listen.",),
        ),
        low_end=LowEnd(
            kick="drums/kick-low.wav",
            bass_stem="stems/bass.wav",
            overlap_sub=0.3,
            overlap_bass=0.2,
            kick_share=0.7,
            kick_pitch_hz=55.0,
            kick_note="A1",
            kick_cents_from_key=3.0,
            bass_notes=("D2", "A1"),
            polarity="as it is",
            delay_ms=0.0,
            delay_gain_db=0.2,
            remedies=(LowEndRemedy("duck the bass", "3 dB for 120 ms", 0.8, 0.1, {"depth_db": 3.0}),),
            sentences=("They meet in the bass.",),
        ),
        translation=Translation(
            (PartTranslation("kick", 0.1, 0.4, 0.6),), dict.fromkeys(ZONE_KEYS, 0.2), ("It survives mono.",)
        ),
        room_left=RoomLeft({key: round(1 - zones[key], 3) for key in zones}, (0.5,) * 16, "The sub is free.", ()),
        patterns=(PatternInfo("beat.toml", False, 4, 16, (PatternRow("kick", (1.0, 0.0, 0.0, 0.0) * 4),)),),
        looked=Looked(4, 4, 3, 0),
        proposals=(
            Proposal("approach", "approach", "Take one-shots, and make them leaner."),
            Proposal("drums", "drums", "Take kick low, snare dry and hat short."),
            *(Proposal(f"gain:{part.id}", "gain", f"Set the {part.part} to {part.gain_db} dB.") for part in parts),
            Proposal("rights:drums/hat-short.wav", "rights", "Clear hat-short.wav before release."),
        ),
        decisions=(),
        warnings=(),
        settings=(SettingUsed("open_below", 0.5, 0.5, "share", "Half full still takes a loop."),),
        renders=("kick-low-leaner.wav",),
    )
    return replace(data, **values)


def decision(**values: Any) -> Decision:
    """A decision by hand about the newest revision, not yet in a log."""
    base = Decision("", "2026-03-02T09:00:00Z", "", "", "Mara Example", "agreed", "Good as it is.")
    return replace(base, **values)


def response(data: DossierData, marked: Mapping[str, str] | None = None, **values: Any) -> dict[str, Any]:
    """A response file as plain objects, agreeing to everything unless told otherwise."""
    asked = {proposal.id: "agreed" for proposal in data.proposals if proposal.kind != "rights"}
    return {
        "format": "dossier response",
        "format_version": 1,
        "id": "0c1d-1",
        "beat": data.beat.slug,
        "revision": data.revision.id,
        "identity": data.revision.identity,
        "name": "Mara Example",
        "made": "2026-03-03T18:30:00Z",
        "marks": [{"proposal": key, "mark": value, "note": ""} for key, value in (marked or asked).items()],
        "notes": "",
        "gains_db": {},
    } | values


if __name__ == "__main__":
    from dossier.archive.dataformat import encode

    Path(sys.argv[1]).write_bytes(encode(dossier(bars=2)))
