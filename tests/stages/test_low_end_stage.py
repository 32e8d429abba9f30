"""Low end through its stage: planted delays and inversions, pitches, ways out, and what is said without them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from small_beat import kick, noise_hit, tone
from stage_beat import RATE, Staged, noise, real, repeated, staged, time_of, write_beat

from dossier.decide import low_end as decide_low_end
from dossier.decide.policy import DEFAULTS
from dossier.model.checks import LowEndCheck
from dossier.stages.low_end import low_end_check

STEPS = (0, 6, 8)  # the kicks of the pattern, in sixteenths
SECONDS = 8.0
PAD = 0.03 * noise(SECONDS, low_hz=400.0, high_hz=3000.0, seed=4)


def thump() -> np.ndarray:
    """A kick with a falling pitch: no two delays of it look alike."""
    t = time_of(0.22)
    return 0.8 * np.sin(2 * np.pi * (50.0 * t + 3.0 * (1 - np.exp(-t / 0.03)))) * np.exp(-t / 0.06)


def line_of(sound: np.ndarray, *, frames: int = 0, polarity: int = 1) -> np.ndarray:
    """A sound at every kick of the pattern, later by `frames`."""
    out = np.zeros(round(SECONDS * RATE))
    for bar in range(4):
        for step in STEPS:
            at = round((2.0 * bar + 0.125 * step) * RATE) + frames
            begin, skip = max(0, at), max(0, -at)
            end = min(len(out), at + len(sound))
            out[begin:end] += polarity * sound[skip : skip + end - begin]
    return out


def beat(root: Path, *, bass: np.ndarray, drum: np.ndarray, toml: str = "") -> Staged:
    folder = write_beat(
        root / "low", stems={"bass": bass, "pad": PAD},
        drums={"kick": drum, "snare": noise_hit(0.2, 400.0, 1), "hat": noise_hit(0.05, 7000.0, 2)},
        toml=f'{toml}[[stems]]\nfile = "stems/bass.wav"\nrole = "bass"\n',
    )  # fmt: skip
    return staged(folder, root / "cache")


def measured(beat: Staged) -> LowEndCheck:
    return low_end_check(beat.here, "low", beat.balanced(), beat.memo)


@pytest.mark.parametrize(("delay_ms", "polarity"), [(5.0, 1), (-7.0, 1), (0.0, -1), (3.0, -1)])
def test_planted_delays_and_inversions_are_found(tmp_path: Path, delay_ms: float, polarity: int) -> None:
    """Analytic: the bass is the kick itself, late or early, perhaps turned over: that move of the kick adds up best."""
    frames = round(1e-3 * delay_ms * RATE)
    found = measured(beat(tmp_path, bass=0.5 * line_of(thump(), frames=frames, polarity=polarity), drum=thump()))
    assert found.finding.polarity == ("as it is" if polarity > 0 else "invert")
    assert found.finding.delay_ms == pytest.approx(delay_ms, abs=0.1)
    assert found.finding.delay_gain_db is not None
    assert found.finding.delay_gain_db > 1.0
    said = next(text for text in found.finding.sentences if "dB of low end" in text)
    assert ("inverted" in said) == (polarity < 0)
    assert ("later" in said) == (delay_ms > 0)
    assert ("earlier" in said) == (delay_ms < 0)


def test_a_kick_that_lines_up_is_left_where_it_is(tmp_path: Path) -> None:
    """Analytic: a bass that is the kick, in place: nothing to gain."""
    found = measured(beat(tmp_path, bass=0.5 * line_of(thump()), drum=thump())).finding
    assert found.delay_gain_db == pytest.approx(0.0, abs=0.05)
    assert not any("dB of low end" in text for text in found.sentences)


@pytest.fixture(scope="module")
def fight(tmp_path_factory: pytest.TempPathFactory) -> Staged:
    """A long kick at 55 Hz under a louder bass on A1 and C2."""
    root = tmp_path_factory.mktemp("fight")
    bass = np.concatenate([0.4 * tone(hz, 2.0) for hz in (55.0, 65.406, 55.0, 55.0)])
    return beat(root, bass=bass, drum=kick(0.6, 55.0))


@pytest.fixture(scope="module")
def fought(fight: Staged) -> LowEndCheck:
    return measured(fight)


def test_overlap_and_share_are_ratios_and_belong_together(fought: LowEndCheck) -> None:
    """Analytic: what is masked and what is heard of the kick are shares of the same loudness."""
    low = fought.finding
    assert (low.kick, low.bass_stem) == ("drums/kick.wav", "stems/bass.wav")
    for value in (low.overlap_sub, low.overlap_bass, low.kick_share):
        assert value is not None
        assert 0.0 <= value <= 1.0
    assert low.overlap_sub > 0.5  # the bass sits in the sub, 5 Hz from the kick
    assert low.overlap_bass < low.overlap_sub


def test_pitches_in_cents_against_key_and_bass_line(fought: LowEndCheck) -> None:
    """Analytic: A1 = 55 Hz in equal temperament, a note of A minor and of the bass line."""
    low = fought.finding
    assert low.bass_notes == ("A1", "C2")
    assert low.kick_pitch_hz == pytest.approx(55.0, rel=0.03)
    assert low.kick_cents_from_key == pytest.approx(0.0, abs=50.0)


def test_ways_out_help_and_the_one_that_costs_least_is_first(fought: LowEndCheck) -> None:
    """Analytic: each lets more of the kick be heard, in sone; it has a file, and the first is the one that is named."""
    low = fought.finding
    assert low.kick_share is not None
    assert low.kick_heard_sone is not None
    assert low.remedies
    assert any(text == f"Best fix: {low.remedies[0].label}." for text in low.sentences)
    enough = [remedy.kick_share >= DEFAULTS["low_end_good_share"] for remedy in low.remedies]
    assert enough == sorted(enough, reverse=True)
    costs = [one.bass_lost for one, reaches in zip(low.remedies, enough, strict=True) if reaches]
    assert costs == sorted(costs)
    for remedy in low.remedies:
        assert remedy.heard_sone is not None
        assert remedy.heard_sone > low.kick_heard_sone
        assert remedy.render in fought.renders


def test_a_shorter_kick_that_is_heard_less_is_no_remedy(fought: LowEndCheck) -> None:
    """Analytic: against one and the same loudness a cut can only take; what is said to help is not a cut."""
    assert "shorten the kick" not in {remedy.name for remedy in fought.finding.remedies}


def test_what_helps_can_be_heard(fight: Staged, fought: LowEndCheck, tmp_path: Path) -> None:
    """Analytic: 24 bits at the beat's rate; the ducked bass is the stem, lower under the kicks and only there."""
    assert set(fought.renders) == {remedy.render for remedy in fought.finding.remedies if remedy.render}
    for name, write in fought.renders.items():
        write(tmp_path / name)
        info = sf.info(tmp_path / name)
        assert (info.subtype, info.samplerate) == ("PCM_24", RATE)
    duck = next(remedy for remedy in fought.finding.remedies if remedy.name == "duck the bass")
    assert duck.render is not None
    ducked, _ = sf.read(tmp_path / duck.render, always_2d=True)
    stem, _ = sf.read(fight.analysis.beat.folder / "stems/bass.wav", always_2d=True)
    assert len(ducked) == len(stem)

    def lost_db(at_s: float) -> float:
        piece = slice(round(at_s * RATE), round((at_s + 0.02) * RATE))
        return float(10.0 * np.log10(np.mean(stem[piece, 0] ** 2) / np.mean(ducked[piece, 0] ** 2)))

    assert lost_db(4.001) == pytest.approx(float(duck.amounts["depth_db"]), abs=0.7)  # at a kick
    assert lost_db(5.5) == pytest.approx(0.0, abs=0.01)  # half a second after one


def test_the_duck_is_no_deeper_than_it_must_be(fight: Staged, fought: LowEndCheck) -> None:
    """Analytic: a larger share takes a deeper duck; each depth reaches its share, and stays short of the deepest."""
    depths = []
    plain = fought.finding.kick_share
    assert plain is not None
    for share in (plain + 0.02, plain + 0.04, plain + 0.07):
        asked = measured(fight.told(low_end_good_share=share)).finding
        duck = next(remedy for remedy in asked.remedies if remedy.name == "duck the bass")
        assert share <= duck.kick_share < share + 0.02
        depths.append(float(duck.amounts["depth_db"]))
    assert depths == sorted(set(depths))
    assert depths[-1] < DEFAULTS["duck_most_db"]


def test_the_way_out_that_costs_the_bass_least_comes_first() -> None:
    """Analytic: of those that reach the share the least loss; one that brings too little is left out."""

    def found(duck: tuple[float, float], shorten: float, tune: float) -> list[str]:
        return [one.name for one in decide_low_end.remedies(
            duck=lambda depth, ms: (0.4 + duck[0] * depth / 12.0, duck[1]), shorten=lambda ms: (shorten, 0.0),
            tune=lambda by: (tune, 0.0), as_it_is=(0.4, 0.0), has_bass=True, kick_ms=250.0, effective_ms=200.0,
            shifts=(2.0,), onto_key=None, policy=DEFAULTS,
        )]  # fmt: skip

    assert found((0.4, 0.2), 0.3, 0.72) == ["tune the kick", "duck the bass"]
    assert found((0.4, 0.2), 0.3, 0.41) == ["duck the bass"]
    assert found((0.0, 0.2), 0.3, 0.41) == []


@pytest.mark.parametrize(
    ("hz", "key", "first"),
    [(55.0, "A minor", 2.0), (56.0, "A minor", -0.31), (55.0, None, None), (None, "A minor", None)],
)
def test_a_kick_is_tuned_onto_notes_of_the_key_and_never_without_a_pitch(hz, key, first) -> None:
    """Analytic: A1 stands in A minor, whose next notes lie two semitones off; 56 Hz is 31 cents sharp of it."""
    shifts = decide_low_end.shifts(hz, key, DEFAULTS)
    assert bool(shifts) == (first is not None)
    if first is not None:
        assert abs(shifts[0]) == pytest.approx(abs(first), abs=0.02)
        assert all(abs(100.0 * by) >= 10.0 for by in shifts)


def test_what_nobody_hears_is_not_told_and_a_kick_that_is_the_bass_is() -> None:
    """Analytic: 0.4 dB and 9 cents are nothing; a long pitched kick keeps to the key and to its gaps."""

    def said(**values) -> tuple[str, ...]:
        given = {"kick": "k", "bass": "b", "kick_share": 0.9, "cents": 0.0, "key": "A minor", "is_bass": False,
                 "rings_ms": 200.0, "gap_ms": 500.0, "polarity": "as it is", "delay_ms": 2.0, "delay_gain_db": 0.0,
                 "remedies": (), "policy": DEFAULTS}  # fmt: skip
        return decide_low_end.sentences(**{**given, **values})

    assert said() == said(cents=9.0, is_bass=True, delay_gain_db=0.4) == ("Kick and bass: fine.",)
    assert said(cents=12.0) == ("Kick and bass: fine.",)
    assert said(cents=12.0, is_bass=True) == ("k is out of key (A minor): tune the kick down 12 cents.",)
    assert said(is_bass=True, rings_ms=600.0)[0].endswith("cut it to 500 ms.")
    assert said(rings_ms=600.0) == ("Kick and bass: fine.",)
    assert said(delay_gain_db=1.8) == ("Play k 2.0 ms later: +1.8 dB of low end.",)


@pytest.mark.parametrize("music", ["pad", "bass", "sub"])
def test_a_low_line_as_loud_as_the_music_moves_the_finding(tmp_path: Path, music: str) -> None:
    """Common practice, no source: under a kick with its weight near 55 Hz, a 55 Hz line is what it meets,
    and another share of it is heard (louder music raises the kick with it, so it may be a larger one)."""
    low = {"pad": 1e-3 * tone(60.0, SECONDS), "bass": 0.05 * tone(98.0, SECONDS), "sub": 0.1 * tone(41.2, SECONDS)}
    total = PAD + low[music][:, None]
    # as loud as the music by K weighting, which takes about 4 dB at 55 Hz (ITU-R BS.1770-5, Annex 1)
    line = tone(55.0, SECONDS) * np.sqrt(2.0 * np.mean(total**2)) * 10.0 ** (4.0 / 20.0)
    shares = []
    for more in ({}, {"line": line}):
        folder = write_beat(
            tmp_path / f"{music}{len(more)}", stems={"pad": PAD, "low": low[music], **more},
            drums={"kick": kick(0.3, 55.0), "hat": noise_hit(0.05, 7000.0, 2)},
        )  # fmt: skip
        found = measured(staged(folder, tmp_path / "cache")).finding
        shares.append(found.kick_share)
    assert found.bass_stem == "stems/line.wav"
    assert abs(shares[1] - shares[0]) > 0.05, shares


def test_without_a_bass_or_a_kick_it_says_what_is_missing(tmp_path: Path) -> None:
    """Analytic: a reason in place of numbers."""
    high = write_beat(tmp_path / "high", stems={"pad": noise(SECONDS, low_hz=800.0, high_hz=4000.0, seed=5)},
                      drums={"kick": kick(), "hat": noise_hit(0.05, 7000.0, 2)})  # fmt: skip
    found = measured(staged(high, tmp_path / "cache"))
    assert found.finding.reasons["low_end"].startswith("no stem carries a bass")
    assert found.renders == {}
    bare = write_beat(tmp_path / "bare", stems={"bass": 0.3 * tone(55.0, SECONDS)},
                      drums={"hat": noise_hit(0.05, 7000.0, 2)})  # fmt: skip
    found = measured(staged(bare, tmp_path / "cache"))
    assert found.finding.reasons["low_end"].startswith("no kick is in the kit")


def test_a_real_kick_and_a_real_bass(tmp_path: Path) -> None:
    """Common practice, no source: a long real kick on a real bass note fights it; what helps lets more be heard."""
    note, _ = real("bass_voxy_hit_c")
    bass = 0.8 * repeated(note, SECONDS)
    folder = write_beat(tmp_path / "real", stems={"bass": bass, "pad": PAD},
                        drums={"kick-boom": real("bd_boom"), "snare": real("sn_dub")},
                        toml='[[stems]]\nfile = "stems/bass.wav"\nrole = "bass"\n')  # fmt: skip
    found = measured(staged(folder, tmp_path / "cache")).finding
    assert found.kick == "drums/kick-boom.wav"
    assert found.kick_share is not None
    assert 0.0 < found.kick_share < 1.0
    assert found.sentences
    assert all(one.heard_sone > found.kick_heard_sone for one in found.remedies)
