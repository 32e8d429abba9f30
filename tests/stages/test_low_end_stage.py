"""Low end through its stage: planted delays and inversions, pitches, ways out, and what is said without them."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from small_beat import kick, noise_hit, tone
from stage_beat import RATE, Staged, noise, real, repeated, staged, time_of, write_beat

from dossier.decide import low_end as decide_low_end
from dossier.decide.policy import DEFAULTS
from dossier.model.checks import LowEndCheck
from dossier.model.findings import LowEndRemedy
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
    said = next(text for text in found.finding.sentences if "adds up better" in text)
    assert ("inverted" in said) == (polarity < 0)
    assert ("later" in said) == (delay_ms > 0)
    assert ("earlier" in said) == (delay_ms < 0)


def test_a_kick_that_lines_up_is_left_where_it_is(tmp_path: Path) -> None:
    """Analytic: a bass that is the kick, in place: nothing to gain."""
    found = measured(beat(tmp_path, bass=0.5 * line_of(thump()), drum=thump())).finding
    assert found.delay_gain_db == pytest.approx(0.0, abs=0.05)
    assert any("line up" in text for text in found.sentences)


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
    said = next(text for text in low.sentences if "bass line's notes" in text)
    assert "(A1, C2)" in said
    assert "the nearest is A1" in said


@pytest.mark.parametrize(
    ("hz", "note", "cents"),
    [(55.0, "A1", 0.0), (110.0, "A1", 0.0), (27.5, "A1", 0.0), (55.0 * 2 ** (30 / 1200), "A1", 30.0),
     (65.406 * 2 ** (-45 / 1200), "C2", -45.0), (77.782, "C2", 300.0)],
)  # fmt: skip
def test_cents_from_the_bass_in_any_octave(hz: float, note: str, cents: float) -> None:
    """Analytic: 1200 log2 of the ratio, folded into half an octave to either side."""
    found = decide_low_end.cents_from_bass(hz, {"A1": 55.0, "C2": 65.406})
    assert found is not None
    assert found[0] == note
    assert found[1] == pytest.approx(cents, abs=0.2)
    assert decide_low_end.cents_from_bass(hz, {}) is None


def test_three_ways_out_are_computed_and_compared(fought: LowEndCheck) -> None:
    """Analytic: each by the kick's share and the bass that is lost; only the duck takes something from the bass."""
    remedies = {remedy.name: remedy for remedy in fought.finding.remedies}
    assert list(remedies) == ["duck the bass", "shorten the kick", "tune the kick"]
    duck = remedies["duck the bass"]
    assert duck.kick_share > fought.finding.kick_share
    assert duck.bass_lost > 0.0
    assert {"depth_db", "release_ms"} == duck.amounts.keys()
    assert 1.0 <= float(duck.amounts["depth_db"]) <= 12.0
    assert 80.0 <= float(duck.amounts["release_ms"]) <= 350.0
    assert remedies["shorten the kick"].bass_lost < duck.bass_lost
    for remedy in remedies.values():
        assert np.isfinite([remedy.kick_share, remedy.bass_lost]).all()
        assert (remedy.render is not None) == (remedy.kick_share >= fought.finding.kick_share + 0.02)


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


@pytest.mark.parametrize(
    ("remedies", "best"),
    [({"duck the bass": (0.75, 0.2), "shorten the kick": (0.72, 0.0)}, "shorten the kick"),
     ({"duck the bass": (0.75, 0.2), "shorten the kick": (0.60, 0.0)}, "duck the bass"),
     ({"duck the bass": (0.55, 0.3), "tune the kick": (0.50, 0.0)}, "tune the kick"),
     ({"duck the bass": (0.41, 0.1)}, None)],
)  # fmt: skip
def test_the_way_out_that_costs_the_bass_least_is_named(
    remedies: Mapping[str, tuple[float, float]], best: str | None
) -> None:
    """Analytic: among those that reach the share the least loss; else what brings most for what it takes."""
    listed = [LowEndRemedy(name=n, label=n, kick_share=s, bass_lost=b, amounts={}) for n, (s, b) in remedies.items()]
    found = decide_low_end.best_remedy(0.40, listed, DEFAULTS)
    assert (found.name if found else None) == best


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
    """Common practice, no source: a long real kick on a real bass note fights it; cut short it is heard no worse."""
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
    shorter = next(remedy for remedy in found.remedies if remedy.name == "shorten the kick")
    assert shorter.kick_share > found.kick_share - 0.02
