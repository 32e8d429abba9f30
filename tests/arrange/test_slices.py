"""Loops cut at their own hits, against real loops (CC0, tests/data/ORIGIN.md) and hits planted at known times."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from dossier import audio
from dossier.arrange import slices
from dossier.arrange.pattern import parse_lines
from dossier.arrange.slices import Pass, Slice
from dossier.measure import attacks, loops
from dossier.model.measures import LoopHit, LoopMeasures, Samples

DATA = Path(__file__).parent.parent / "data"
LOOPS = ("loop_breakbeat", "loop_industrial", "loop_compus", "loop_safari")
RATIOS = (0.5, 0.77, 1.0, 1.3, 2.0)
GUARD_S = 0.005


def read(name: str) -> tuple[Samples, int]:
    samples, rate = soundfile.read(DATA / f"{name}.flac", always_2d=True)
    return audio.to_stereo(samples), rate


def cut(samples: Samples, rate: int, loop: LoopMeasures, ratio: float) -> Pass:
    assert loop.tempo_bpm is not None
    assert loop.beats is not None
    found = slices.slices_of(loop.hits, frames=len(samples), rate_hz=rate)
    return slices.sliced(samples, rate, found, downbeat_s=loop.downbeat_s, ratio=ratio, beats=loop.beats,
                         tempo_bpm=loop.tempo_bpm * ratio)  # fmt: skip


def planted(rate: int = 44100, tempo: float = 100.0) -> tuple[Samples, list[tuple[float, str]]]:
    """Two bars of real one-shots at seeded places near the sixteenths, and where they strike in seconds."""
    rng = np.random.default_rng(4)
    out = np.zeros((round(8 * 60 / tempo * rate), 2))
    places = []
    for step, name in zip((0, 3, 4, 8, 10, 12, 15, 16, 20, 22, 27, 28), ("bd_haus", "perc_snap", "sn_dub") * 4,
                          strict=True):  # fmt: skip
        at = max(0, round((step * 15 / tempo + (rng.uniform(-0.008, 0.008) if step else 0.0)) * rate))
        hit = struck(name)[: len(out) - at]
        out[at : at + len(hit)] += 0.5 * hit
        places.append((at / rate, name))
    return out, places


def struck(name: str) -> Samples:
    """A one-shot from 30 % of its peak on, so that when it strikes is beyond doubt."""
    samples, _ = read(name)
    level = np.abs(samples).max(axis=1)
    return samples[int(np.argmax(level > 0.3 * level.max())) :]


def found_at(sound: Samples, name: str, near: int, rate: int) -> int:
    """Where the first 12 ms of a one-shot lie in a sound, by correlation within 40 ms."""
    hit = struck(name)[: round(0.012 * rate)].sum(axis=1)
    reach = round(0.04 * rate)
    ring = np.take(sound.sum(axis=1), np.arange(near - reach, near + reach + len(hit)), mode="wrap")
    fits = np.correlate(ring, hit, "valid") / np.sqrt(np.convolve(ring**2, np.ones(len(hit)), "valid") + 1e-9)
    return near - reach + int(np.argmax(fits))


@pytest.mark.parametrize("ratio", RATIOS)
def test_analytic_planted_hits_land_within_2_ms(ratio: float) -> None:
    """Found by the hit detector, sliced, and looked for by correlation with what was planted."""
    sound, places = planted()
    loop = loops.measure(sound, 44100, tempo_bpm=100.0)
    made = cut(sound, 44100, loop, ratio)
    off = []
    for at_s, name in places:
        wanted = round((at_s - loop.downbeat_s) / ratio * 44100)
        off.append(abs(found_at(made.samples, name, wanted, 44100) - wanted) / 44.1)
    assert max(off) < 2.0, off


@pytest.mark.parametrize("name", LOOPS)
def test_analytic_sliced_to_its_own_tempo_a_loop_is_itself(name: str) -> None:
    """Below -60 dB is asked outside the fades; with linear fades of one sound it holds inside them too."""
    samples, rate = read(name)
    loop = loops.measure(samples, rate)
    made, start = cut(samples, rate, loop, 1.0).samples, round(loop.downbeat_s * rate)
    made = made[: len(samples) - start]
    ends = round(GUARD_S * rate)  # the pass begins and ends in a circle
    left = made[ends:-ends] - samples[start + ends : start + len(made) - ends]
    assert np.sqrt(np.mean(left**2)) < 1e-6 * np.sqrt(np.mean(samples**2))


def step_outside(samples: Samples, hits: list[int], rate: int) -> float:
    """The largest step from one frame to the next, 5 ms before to 30 ms after hits left out."""
    steps = np.abs(np.diff(samples, axis=0)).max(axis=1)
    for hit in hits:
        steps[np.arange(hit - round(GUARD_S * rate), hit + round(0.03 * rate)) % len(steps)] = 0.0
    return float(steps.max())


@pytest.mark.parametrize("name", LOOPS)
@pytest.mark.parametrize("ratio", RATIOS)
def test_no_step_is_larger_than_the_loops_own(name: str, ratio: float) -> None:
    samples, rate = read(name)
    loop = loops.measure(samples, rate)
    made = cut(samples, rate, loop, ratio)
    own = step_outside(samples, [round(hit.time_s * rate) for hit in loop.hits], rate)
    assert step_outside(made.samples, [one.hit for one in made.placed], rate) <= 1.02 * own
    assert np.abs(np.diff(made.samples, axis=0)).max() <= 1.02 * np.abs(np.diff(samples, axis=0)).max()
    assert (made.gaps > 2e-4) == (ratio != 1.0)


def test_onsets_keep_their_rise_where_a_stretch_smears(capsys: pytest.CaptureFixture[str]) -> None:
    """Cross-check with librosa's phase vocoder at ratio 1.3, as it comes and with the short window that drums get."""
    import librosa

    told = []
    for name in LOOPS:
        samples, rate = read(name)
        loop = loops.measure(samples, rate)
        made = cut(samples, rate, loop, 1.3)
        heard = [one for one in made.placed if one.slice.level_db > -20.0 and one.hit > 0.06 * rate]
        source = attacks.rises_s(samples, rate, np.array([one.slice.hit / rate for one in heard]))
        places = np.array([one.hit / rate for one in heard])
        body = np.ascontiguousarray(samples[round(loop.downbeat_s * rate) :].T)
        lib = {}
        for window in (2048, 1024):
            y = librosa.effects.time_stretch(body, rate=1.3, n_fft=window, hop_length=window // 4).T
            lib[window] = 1e3 * float(np.nanmedian(attacks.rises_s(y, rate, places) - source))
        more = 1e3 * np.abs(attacks.rises_s(made.samples, rate, places) - source)
        told.append(f"{name}: rise {1e3 * np.nanmedian(source):.2f} ms; sliced +{np.nanmedian(more):.2f} (largest "
                    f"{np.nanmax(more):.2f}); stretched +{lib[2048]:.1f}, short window +{lib[1024]:.1f}")  # fmt: skip
        assert np.nanmax(more) < 1.0, told
        assert min(lib.values()) > 1.0, told
    with capsys.disabled():
        print("", *told, sep="\n  ")


def flux_peak(samples: Samples, hit: int, rate: int, *, from_hz: float) -> float:
    """The largest spectral flux round a hit: rise of the magnitude spectrum in 10 ms, added up over its bins (Bello et
    al., IEEE Trans. Speech and Audio Processing 13(5), 2005, section III; MEM).  Frames are counted from the hit."""
    size, hop = 1024, 64
    whole = np.pad(samples.sum(axis=1), size * 2)
    starts = hit + size * 2 - size // 2 + hop * np.arange(-round(0.015 * rate) // hop, round(0.02 * rate) // hop)
    found = np.abs(np.fft.rfft(whole[starts[:, None] + np.arange(size)] * np.hanning(size)))
    lag, used = round(0.01 * rate / hop), np.fft.rfftfreq(size, 1 / rate) >= from_hz
    return float(np.maximum(0.0, found[lag:] - found[:-lag])[:, used].sum(axis=1).max())


def test_spectral_flux_peaks_stay_within_1_db_where_a_stretch_lowers_them(capsys: pytest.CaptureFixture[str]) -> None:
    """Cross-check with librosa's phase vocoder.  From 300 Hz on: under the hits of one loop a bass sounds on, which
    jumps in phase at each cut; that is printed and not held."""
    import librosa

    told, within, stretched = [], [], []
    for name in LOOPS:
        samples, rate = read(name)
        loop = loops.measure(samples, rate)
        for ratio in (0.77, 1.3):
            made = cut(samples, rate, loop, ratio)
            heard = [one for one in made.placed if one.slice.level_db > -20.0
                     and 0.02 * rate < one.hit < len(made.samples) - 0.05 * rate]  # fmt: skip
            body = np.ascontiguousarray(samples[round(loop.downbeat_s * rate) :].T)
            vocoder = librosa.effects.time_stretch(body, rate=ratio, n_fft=1024, hop_length=256).T
            apart = {
                (what, low): np.array([20 * np.log10(flux_peak(sound, one.hit, rate, from_hz=low)
                                                     / flux_peak(samples, one.slice.hit, rate, from_hz=low))
                                       for one in heard])
                for what, sound in (("sliced", made.samples), ("stretched", vocoder)) for low in (0.0, 300.0)
            }  # fmt: skip
            told.append(f"{name} x {ratio}: flux peaks, median, " + ", ".join(
                f"{what} {np.median(found):+.2f} dB from {low:g} Hz" for (what, low), found in apart.items()))
            within.append(np.abs(apart["sliced", 300.0]) < 1.0)
            stretched.append(np.median(apart["stretched", 300.0]))
            assert abs(np.median(apart["sliced", 300.0])) < 0.5, told
    with capsys.disabled():
        print("", *told, sep="\n  ")
    assert np.concatenate(within).mean() > 0.95
    assert max(stretched) < -1.0


def test_analytic_the_rise_of_a_ramp_is_eighty_percent_of_it() -> None:
    """10-90 % of a linear ramp: 0.8 of its length, read within the millisecond of smoothing."""
    rate = 48000
    tone = np.sin(2 * np.pi * 6000 / rate * np.arange(rate) + 0.1)[:, None]
    for ramp_s in (0.0, 0.01, 0.02):
        level = np.clip((np.arange(rate) / rate - 0.5) / max(ramp_s, 1e-9), 0.0, 1.0)[:, None]
        found = attacks.rises_s(level * tone, rate, np.array([0.5 + ramp_s]))
        assert found[0] == pytest.approx(0.8 * ramp_s, abs=1e-3)
    assert np.isnan(attacks.rises_s(tone, rate, np.array([0.5]))).all()


@pytest.mark.parametrize("rate", [8000, 22050, 48000, 96000])
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("case", ["20 ms", "one hit", "silence", "DC", "polarity"])
def test_odd_material(case: str, channels: int, rate: int) -> None:
    rng = np.random.default_rng(3)
    length = round((0.02 if case == "20 ms" else 2.0) * rate)
    sound = rng.standard_normal((length, channels)) * np.exp(-np.arange(length) / (0.05 * rate))[:, None]
    if case == "silence":
        sound[:] = 0.0
    if case == "DC":
        sound[:] = 0.25
    hits = [LoopHit(0.0, "snare", 0.0)] + [LoopHit(0.5, "kick", -3.0)] * (case not in ("20 ms", "one hit"))
    found = slices.slices_of(hits, frames=length, rate_hz=rate)
    for ratio in (0.5, 1.7):
        place = {"downbeat_s": 0.0, "ratio": ratio, "beats": 4.0 if length > rate else 0.04, "tempo_bpm": 120.0 * ratio}
        made = slices.sliced(sound, rate, found, **place)
        assert made.samples.shape == (round(place["beats"] * 60 / place["tempo_bpm"] * rate), channels)
        assert np.isfinite(made.samples).all()
        assert np.abs(made.samples).max() <= np.abs(sound).max() * (1 + 1e-9)
        if case == "silence":
            assert not made.samples.any()
        if case == "DC":  # it fades linearly into itself: no step, no dent
            inside = made.samples[round(0.01 * rate) : -round(0.01 * rate)]
            np.testing.assert_allclose(inside, 0.25, rtol=1e-6)
        if case == "polarity":
            mirrored = slices.sliced(sound[:, ::-1], rate, found, **place).samples
            np.testing.assert_array_equal(slices.sliced(-sound, rate, found, **place).samples, -made.samples)
            np.testing.assert_allclose(mirrored, made.samples[:, ::-1], rtol=0, atol=1e-12)


def test_without_hits_nothing_can_be_sliced() -> None:
    assert slices.slices_of((), frames=100, rate_hz=8000) == ()
    with pytest.raises(ValueError, match="without hits cannot be sliced"):
        slices.sliced(np.ones((100, 1)), 8000, (), downbeat_s=0.0, ratio=1.0, beats=1.0, tempo_bpm=120.0)


def test_analytic_a_gap_is_filled_by_the_slices_own_decay() -> None:
    """Noise that falls 60 dB in 0.5 s goes on falling so, within 2 dB, where the loop holds only 0.25 s of it."""
    rate = 48000
    noise = np.random.default_rng(2).standard_normal((rate // 4, 1))
    sound = noise * 10.0 ** (-3.0 * np.arange(rate // 4) / (rate / 2))[:, None]
    one = Slice(hit=0, end=len(sound), role="snare", level_db=0.0)
    made = slices.sliced(sound, rate, [one], downbeat_s=0.0, ratio=0.5, beats=1.0, tempo_bpm=120.0).samples
    level = 10.0 * np.log10(np.mean(made[: len(made) // 24 * 24].reshape(24, -1) ** 2, axis=1))
    fall = -120.0 * (np.arange(24) + 0.5) * (0.5 / 24)
    assert level[1:-1] == pytest.approx(fall[1:-1] + level[1] - fall[1], abs=2.0)


def test_a_pickup_is_kept_and_what_follows_a_short_loop_is_a_rest() -> None:
    rate = 24000
    rng = np.random.default_rng(5)
    sound = np.zeros((2 * rate, 1))
    for at in (0.1, 0.4, 0.9):
        sound[round(at * rate) : round(at * rate) + 1200] = rng.standard_normal((1200, 1))
    hits = [LoopHit(at, "snare", 0.0) for at in (0.1, 0.4, 0.9)]
    found = slices.slices_of(hits, frames=len(sound), rate_hz=rate)
    made = slices.sliced(sound, rate, found, downbeat_s=0.4, ratio=0.8, beats=4.0, tempo_bpm=80.0)
    assert [one.hit for one in made.placed] == [0, round(0.5 / 0.8 * rate), 3 * rate - round(0.3 / 0.8 * rate)]
    assert np.abs(made.samples[3 * rate - round(0.3 / 0.8 * rate) :]).max() > 1.0
    assert not made.samples[round(2.1 * rate) : 2 * rate + round(0.5 * rate)].any()  # its own end is a rest


@pytest.mark.parametrize(("own", "beat", "places"), [(0.5, 2 / 3, (0.0, 1 / 3, 0.5)), (0.6, 0.5, (0.0, 0.2083, 0.5)),
                                                     (None, 0.6, (0.0, 0.3, 0.5))])  # fmt: skip
def test_analytic_the_feel_of_the_beat_moves_the_second_sixteenths(
    own: float | None, beat: float, places: tuple[float, ...]
) -> None:
    feel = slices.feel_of_beat(own, beat)
    assert [feel(at) for at in (0.0, 0.25, 0.5)] == pytest.approx(places, abs=1e-4)
    assert feel(3.0 + 0.5 * (own or 0.5)) == pytest.approx(3.0 + 0.5 * beat)


def test_a_pattern_is_played_by_the_slices_of_its_roles() -> None:
    """analytic: kick, snare and hat at their places; a clap by the snare; the pinned hat, not the loud one."""
    rate = 24000
    rng = np.random.default_rng(6)
    bursts = [rng.standard_normal((2400, 1)) for _ in range(4)]
    sound = np.concatenate(bursts)
    roles = (("kick", 0.0), ("closed-hat", -6.0), ("snare", -2.0), ("closed-hat", -12.0))
    found = [Slice(number * 2400, (number + 1) * 2400, role, level) for number, (role, level) in enumerate(roles)]  # type: ignore[arg-type]
    plays = slices.slice_of_role(found, rate, pins={"closed-hat": 0.35})
    assert plays == {"kick": 0, "closed-hat": 3, "snare": 2, "clap": 2, "rim": 2, "shaker": 1, "ride": 1, "open-hat": 1}
    for rounded, index in ((0.3, 3), (0.295, 3), (0.294, 2), (0.0, 0)):
        assert slices.slice_of_role(found, rate, pins={"kick": rounded})["kick"] == index
    lines = ["kick |X---------------|", "hat |----X-----------|", "clap |--------X-------|", "crash |------------X---|"]
    pattern = parse_lines(lines, steps_per_beat=4, source="test")
    made = slices.relaid(sound, rate, found, plays, pattern, tempo_bpm=120.0)
    assert len(made.samples) == 2 * rate
    for place, number in ((0.0, 0), (0.5, 3), (1.0, 2)):
        start = round(place * rate)
        assert made.samples[start : start + 2000] == pytest.approx(bursts[number][:2000])
    assert not made.samples[round(1.5 * rate) : round(1.9 * rate)].any()  # no slice can play the crash
