"""The files beside the page, read by mutagen, mido, libsndfile and a reader of SFZ that is not the writer's."""

from __future__ import annotations

import csv
import os
from pathlib import Path

import mido
import numpy as np
import pytest
import soundfile as sf
from mutagen.wave import WAVE
from sfz_reading import regions
from tests_support import Demo

from dossier import audio
from dossier.cache import Cache
from dossier.measure import loudness
from dossier.memo import Memo
from dossier.model.measures import Samples
from dossier.stages.render_reuse import hit_file

SLUGS = ("slow-ferry", "lantern-market", "night-depot")
RATE = 48_000


def sound(path: Path) -> np.ndarray:
    """Two channels, also of a file that holds one."""
    samples, _ = sf.read(path, always_2d=True)
    return np.repeat(samples, 2, axis=1) if samples.shape[1] == 1 else samples


def turned(samples: np.ndarray, gain_db: float) -> np.ndarray:
    return samples * 10.0 ** (gain_db / 20.0)


@pytest.mark.parametrize("slug", SLUGS)
def test_every_file_is_what_its_name_says(demo: Demo, slug: str) -> None:
    """conformance: 24 bits at the beat's rate, one channel only where both are alike; what is listed is there."""
    data, folder = demo.data(slug), demo.renders(slug)
    assert set(os.listdir(folder)) == set(data.renders)
    assert {name.rsplit(".", 1)[1] for name in data.renders} == {"wav", "flac", "mid", "sfz", "csv"}
    for name in data.renders:
        assert not os.access(folder / name, os.W_OK) or os.geteuid() == 0
        assert (folder / name).stat().st_mode & 0o222 == 0
        if name.endswith((".wav", ".flac")):
            info = sf.info(folder / name)
            assert (info.format, info.subtype) == (name.rsplit(".", 1)[1].upper(), "PCM_24")
            assert info.samplerate == data.beat.sample_rate_hz
            samples, _ = sf.read(folder / name, always_2d=True)
            assert samples.shape[1] == 1 or not np.array_equal(samples[:, 0], samples[:, 1])


@pytest.mark.parametrize("slug", SLUGS)
def test_every_level_belongs_to_a_file(demo: Demo, slug: str) -> None:
    """analytic: one cycle repeated is the part; the part files at their gains add up to the file of all drums."""
    data, folder = demo.data(slug), demo.renders(slug)
    sheet = list(csv.DictReader((folder / f"{slug}-settings.csv").read_text(encoding="utf-8").splitlines()))
    assert {row["render"] for row in sheet if row["render"]} <= set(data.renders)
    chosen = [part for part in data.balance.parts if part.chosen]
    together, cycles = sound(folder / f"{slug}-drums.flac"), sound(folder / f"{slug}-cycle-drums.wav")
    whole, cycle = np.zeros_like(together), np.zeros_like(cycles)
    for part in data.balance.parts:
        once = sound(folder / part.cycle_file)
        assert bool(part.full_file) == part.chosen
        assert np.abs(once).max() > 0.0
        if part.full_file:
            back_db = data.lowered.get(part.full_file, 0.0)
            whole += turned(sound(folder / part.full_file), part.gain_db + back_db)
            cycle += turned(once, part.gain_db + back_db)
    assert chosen
    moves = any(part.sections for part in chosen)  # the file of all drums then moves with the sections
    for made, name, got in [(whole, "drums.flac", together), (cycle, "cycle-drums.wav", cycles)][moves:]:
        wanted = turned(made, -data.lowered.get(f"{slug}-{name}", 0.0))
        assert np.abs(got - wanted).max() < 1e-5
        assert np.abs(got).max() <= 10.0 ** (-1.0 / 20.0) + 1e-6
    unit, rate = [int(number) for number in data.beat.meter.split("/")], data.beat.sample_rate_hz
    bar_s = 240.0 / data.beat.tempo_bpm * unit[0] / unit[1]
    assert len(cycle) / rate / bar_s == pytest.approx(round(len(cycle) / rate / bar_s), abs=0.001)
    places = [round((data.beat.first_downbeat_s + bar * bar_s) * rate) for bar in range(data.beat.bars)]
    apart = [_apart(whole, cycle, place) for place in places if place + len(cycle) < len(whole)]
    assert min(apart) < 1e-3 * np.abs(cycle).max()


@pytest.mark.parametrize("slug", SLUGS)
def test_drums_and_music_give_the_stated_loudness(demo: Demo, slug: str) -> None:
    """analytic: at the stated gains, within 0.3 LU: drums against the music, and the mix before what is put on all."""
    data, folder = demo.data(slug), demo.renders(slug)
    balance, rate = data.balance, data.beat.sample_rate_hz
    drums = sound(folder / f"{slug}-drums.flac")
    music = np.zeros_like(drums)
    for entry in data.inputs:
        if entry.kind == "stem":
            stem = turned(sound(demo.audio / slug / entry.file), entry.gain_db)
            music[: len(stem)] += stem[: len(music)]
    music = turned(music, balance.music_gain_db + balance.drums_file_gain_db)
    sounds = (music, drums, music + drums, music - drums)
    levels = [level for level in (loudness.integrated(one, rate) for one in sounds) if level is not None]
    assert len(levels) == len(sounds)
    assert balance.drums_file_gain_db == -data.lowered.get(f"{slug}-drums.flac", 0.0)
    chosen = [part for part in balance.parts if part.chosen]
    base = drums.copy()  # all drums are told at their gains, before those of sections
    bar_s = data.occupancy.slot_s * data.occupancy.slots_per_bar
    for one in chosen[0].sections:
        begin, end = (round((data.beat.first_downbeat_s + bar * bar_s) * rate)
                      for bar in (one.first_bar - 1, one.first_bar - 1 + one.bars))  # fmt: skip
        base[begin:end] = turned(base[begin:end], chosen[0].gain_db - one.gain_db)
    assert loudness.integrated(base, rate) - levels[0] == pytest.approx(balance.all_drums_lu, abs=0.3)
    if len(chosen) == 1:
        assert chosen[0].level_lu == pytest.approx(balance.all_drums_lu, abs=0.05)
    # The place is told for powers that add. Sum and difference leave just those: |m + d|² + |m - d|² = 2 |m|² + 2 |d|².
    powers_add = 10.0 * np.log10(np.mean(10.0 ** (np.array(levels[2:]) / 10.0)))
    assert powers_add - levels[0] == pytest.approx(balance.mix_over_music_lu, abs=0.3)
    # The rest is phase, as of a kick and a bass on one note: less than their levels would allow, were they one sound.
    one_sound = 20.0 * np.log10(1.0 + 10.0 ** ((levels[1] - levels[0]) / 20.0))
    assert abs(levels[2] - powers_add) < 0.5 * (one_sound + levels[0] - powers_add)
    if balance.mix.limiter_db < 0.5:
        stated = balance.mix.integrated_lufs - balance.mix.gain_db + balance.drums_file_gain_db
        assert levels[2] == pytest.approx(stated, abs=0.3)
    for part in balance.parts:
        if part.chosen:
            alone = loudness.integrated(turned(sound(folder / part.full_file), data.lowered.get(part.full_file, 0.0)),
                                        rate)  # fmt: skip
            assert part.integrated_lufs == pytest.approx(alone, abs=0.3)
            told = part.integrated_lufs + part.gain_db - data.instrumental.integrated_lufs - part.music_gain_db
            assert part.level_lu == pytest.approx(told, abs=1e-3)


def _apart(whole: np.ndarray, piece: np.ndarray, place: int) -> float:
    """How far a piece is from the whole, at a place or up to two samples beside it."""
    starts = [start for start in range(place - 2, place + 3) if 0 <= start <= len(whole) - len(piece)]
    return min(float(np.abs(whole[start : start + len(piece)] - piece).max()) for start in starts)


@pytest.mark.parametrize("slug", SLUGS)
def test_tempo_and_root_are_read_back(demo: Demo, slug: str) -> None:
    """cross-check: mutagen finds the beat's tempo in what repeats, and none in a one-shot."""
    data, folder = demo.data(slug), demo.renders(slug)
    roles = {plan.render: plan.role for plan in data.plans}
    seen = set()
    for name in data.renders:
        if not name.endswith(".wav"):
            continue
        tags = WAVE(folder / name).tags
        told = tags["TBPM"].text if tags is not None else None
        repeats = "-cycle-" in name or (name in roles and roles[name] is None)
        assert told == ([f"{data.beat.tempo_bpm:.6g}"] if repeats else None)
        found = audio.read_tags(folder / name)
        assert (found.tempo_bpm is not None) == repeats
        seen.add((repeats, found.root_note is not None))
    assert (True, False) in seen
    assert slug == "slow-ferry" or (False, True) in seen


@pytest.mark.parametrize("slug", SLUGS)
def test_the_kit_plays_its_pattern_as_the_drums_do(demo: Demo, slug: str) -> None:
    """cross-check: a sampler of a few lines plays a MIDI file on the SFZ kit: one cycle of each part comes out."""
    data, folder = demo.data(slug), demo.renders(slug)
    text = (folder / f"{slug}-kit.sfz").read_text(encoding="utf-8")
    kit = {int(region["key"]): region for region in regions(text)}
    parts = {part.role: part for part in data.balance.parts if part.role is not None}
    assert len(kit) == len(parts)
    keys = {"kick": 36, "snare": 38, "clap": 39, "rim": 37, "closed-hat": 42, "open-hat": 46, "ride": 51, "crash": 49,
            "tom": 45}  # General MIDI Level 1 percussion key map  # fmt: skip
    for role, part in parts.items():
        region = kit[keys[role]] if role in keys else next(r for k, r in kit.items() if k not in keys.values())
        assert region["loop_mode"] == "one_shot"
        lower = [float(word) for word in text.split() if "lowered by" in text and word.replace(".", "").isdigit()][:1]
        stands = float(region["volume"]) + (lower[0] if lower else 0.0)
        assert stands == pytest.approx(part.gain_db + data.lowered.get(region["sample"], 0.0), abs=0.051)
        rate = data.beat.sample_rate_hz
        hit, cycle = sound(folder / region["sample"]), sound(folder / part.cycle_file)
        if int(region["group"]) != int(region["off_by"]):
            continue  # also ended by another part
        off_db = []
        for file in folder.glob(f"{slug}-pattern*.mid"):  # the cycle is the fullest: a section's may be
            mine = [(round(at_s * rate), velocity) for at_s, key, velocity in _notes(file) if str(key) == region["key"]]
            played = np.zeros((len(cycle) + len(hit), 2))
            ends = [*(begin for begin, _ in mine[1:]), len(played)][: len(mine)]
            for (begin, velocity), end in zip(mine, ends, strict=True):
                piece = hit[: max(0, min(end - begin, len(played) - begin))]
                played[begin : begin + len(piece)] += piece * (velocity / 127.0) ** 2
            # Energies, as cuts differ by a fade of 4 ms, velocities by a step of 127 and places by a sample or two.
            got, wanted = (float(np.sum(side[: len(cycle)] ** 2)) for side in (played, cycle))
            off_db.append(abs(10.0 * np.log10(got / wanted + 1e-9)))
        assert min(off_db) < 1.0


def _notes(path: Path) -> list[tuple[float, int, int]]:
    now, out = 0.0, []
    for message in mido.MidiFile(path):
        now += message.time
        if message.type == "note_on" and message.velocity:
            assert message.channel == 9
            out.append((now, message.note, message.velocity))
    return out


def hit(peak: float, hz: float = 110.0) -> Samples:
    time_s = np.arange(4 * RATE) / RATE
    return np.repeat((peak * np.sin(2 * np.pi * hz * time_s) * np.exp(-8.0 * time_s))[:, None], 2, axis=1)


def test_a_hit_ends_where_nothing_is_left_of_it_and_is_lowered_where_it_would_clip(tmp_path: Path) -> None:
    """analytic: exp(-8 t) is 90 dB down at 1.295 s; a peak of 2 is 6.02 dB over; 110 Hz is MIDI note 45."""
    for peak, lowered in ((0.5, 0.0), (2.0, 6.1)):
        content, lower_db = hit_file(hit(peak) / np.abs(hit(1.0)).max(), RATE, Memo(Cache(tmp_path)), tail_db=90.0)
        (tmp_path / "hit.wav").write_bytes(content)
        found, _ = sf.read(tmp_path / "hit.wav", always_2d=True)
        assert lower_db == lowered
        assert len(found) / RATE == pytest.approx(1.295, abs=0.01)
        assert found.shape[1] == 1
        assert np.abs(found).max() == pytest.approx(peak * 10.0 ** (-lowered / 20.0), abs=1e-6)
        assert audio.read_tags(tmp_path / "hit.wav").root_note == 45
