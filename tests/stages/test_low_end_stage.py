"""Low end through its stage: planted delays and inversions, pitches, ways out, and what is said without them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
import soxr
from common_beats import RATE as COMMON_RATE
from msgspec.structs import replace
from small_beat import kick, noise_hit, tone
from stage_beat import RATE, Staged, noise, real, repeated, staged, time_of, write_beat
from test_fit_axioms import musics

from dossier import audio
from dossier.decide import low_end as decide_low_end
from dossier.decide.policy import DEFAULTS
from dossier.model.checks import LowEndCheck
from dossier.stages.low_end import low_end_check

STEPS = (0, 6, 8)  # the kicks of the pattern, in sixteenths
SECONDS = 8.0
TOLD = {"low_end_covered_share": 0.6, "low_end_good_share": 0.7}  # so that ways out are looked for
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


@pytest.mark.parametrize(("delay_ms", "polarity"), [(5.0, 1), (-5.5, 1), (0.0, -1), (3.0, -1)])
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
    return beat(root, bass=bass, drum=kick(0.6, 55.0)).told(**TOLD)


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
    enough = [remedy.kick_share >= TOLD["low_end_good_share"] for remedy in low.remedies]
    assert enough == sorted(enough, reverse=True)
    costs = [one.bass_lost for one, reaches in zip(low.remedies, enough, strict=True) if reaches]
    assert costs == sorted(costs)
    for remedy in low.remedies:
        assert remedy.heard_sone is not None
        assert remedy.heard_sone > low.kick_heard_sone
        assert remedy.render in fought.renders


def test_ways_out_are_what_a_mixer_would_do(fought: LowEndCheck) -> None:
    """Common practice, no source: no cut of a kick that is covered, a tuning of two semitones at most, and a bass that
    is back before the next kick."""
    by_name = {remedy.name: remedy.amounts for remedy in fought.finding.remedies}
    assert by_name.keys() <= {"duck the bass", "tune the kick"}
    assert abs(float(by_name.get("tune the kick", {"semitones": 0.0})["semitones"])) <= 2.0
    assert fought.finding.kick_gap_ms == pytest.approx(250.0)
    assert float(by_name["duck the bass"]["release_ms"]) <= 750.0  # the median of 750, 250 and 1000 ms


def test_what_helps_can_be_heard(fight: Staged, fought: LowEndCheck, tmp_path: Path) -> None:
    """Analytic: 24 bits at the beat's rate; the ducked bass is the stem, lower under the kicks and only there."""
    assert set(fought.renders) == {remedy.render for remedy in fought.finding.remedies if remedy.render}
    for name, made in fought.renders.items():
        (tmp_path / name).write_bytes(made) if isinstance(made, bytes) else made(tmp_path / name)
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

    def found(duck: tuple[float, float], tune: float) -> list[str]:
        return [one.name for one in decide_low_end.remedies(
            duck=lambda depth, ms: (0.4 + duck[0] * depth / 12.0, duck[1]), tune=lambda by: (tune, 0.0),
            as_it_is=(0.4, 0.0), has_bass=True, effective_ms=200.0, gap_ms=None, shifts=(2.0,), onto_key=None,
            policy=DEFAULTS | TOLD,
        )]  # fmt: skip

    assert found((0.4, 0.2), 0.72) == ["tune the kick", "duck the bass"]
    assert found((0.4, 0.2), 0.41) == ["duck the bass"]
    assert found((0.0, 0.2), 0.41) == []


@pytest.mark.parametrize(("gap_ms", "longest"), [(None, 350.0), (226.0, 226.0), (40.0, 80.0)])
def test_a_ducked_bass_is_back_before_the_next_kick(gap_ms: float | None, longest: float) -> None:
    """Common practice, no source: a release past the next kick turns the bass down for good; 80 ms is the shortest."""
    released = []

    def duck(depth: float, release: float) -> tuple[float, float]:
        released.append(release)
        return 0.1 + 1e-3 * release, 0.0

    decide_low_end.remedies(duck=duck, tune=lambda _: (0.0, 0.0), as_it_is=(0.1, 0.0), has_bass=True,
                            effective_ms=200.0, gap_ms=gap_ms, shifts=(), onto_key=None,
                            policy=DEFAULTS | TOLD)  # fmt: skip
    assert max(released) == longest


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
        assert all(10.0 <= abs(100.0 * by) <= 200.0 for by in shifts)


def test_what_nobody_hears_is_not_told_and_a_kick_that_is_the_bass_is() -> None:
    """Analytic: 0.4 dB and 9 cents are nothing; a long pitched kick keeps to the key and to its gaps."""

    def said(**values) -> tuple[str, ...]:
        given = {"kick": "k", "bass": "b", "kick_share": 0.9, "freed": 0.1, "other": None, "cents": 0.0,
                 "key": "A minor", "is_bass": False, "rings_ms": 200.0, "gaps_ms": (500.0, 750.0),
                 "polarity": "as it is", "delay_ms": 2.0, "delay_gain_db": 0.0, "remedies": (),
                 "policy": DEFAULTS}  # fmt: skip
        return decide_low_end.sentences(**{**given, **values})

    assert said() == said(cents=9.0, is_bass=True, delay_gain_db=0.4) == ("Kick and bass: fine.",)
    assert said(cents=94.0) == ("Kick and bass: fine.",)
    assert said(cents=12.0, is_bass=True) == ("k is a bass note out of key (A minor): tune the kick down 12 cents.",)
    assert said(is_bass=True, rings_ms=600.0) == (
        "k rings like a bass note for 600 ms, and 50 % of its hits follow sooner: let each hit cut the last, or cut it "
        "to 500 ms.",
    )  # fmt: skip
    assert said(rings_ms=600.0) == ("Kick and bass: fine.",)
    assert said(delay_gain_db=1.8) == ("Play k 2.0 ms later: +1.8 dB of low end.",)


def test_what_covers_the_kick_and_what_would_help_is_said_as_it_is() -> None:
    """Analytic: a fix that is enough stands alone; one that is not, or none, is followed by what would do more; a bass
    without which no more would be heard is not blamed."""
    duck = decide_low_end.LowEndRemedy("duck the bass", "duck the bass 12 dB, 200 ms release", 0.4, 0.1, {})

    def said(**values) -> tuple[str, ...]:
        given = {"kick": "k", "bass": "b", "kick_share": 0.1, "freed": 0.5, "other": None, "cents": None, "key": None,
                 "is_bass": False, "rings_ms": 200.0, "gaps_ms": (), "polarity": None, "delay_ms": None,
                 "delay_gain_db": None, "remedies": (duck,), "policy": DEFAULTS | TOLD}
        return decide_low_end.sentences(**{**given, **values})

    covers, best, more = said()
    assert covers == "b covers k: 10 % of it is heard below 250 Hz, less than of three in four kicks that people set."
    assert best == "Best fix: duck the bass 12 dB, 200 ms release."
    assert more == "40 % of it is heard then; for more, take a kick with its weight elsewhere."
    assert said(remedies=(replace(duck, kick_share=0.8),))[2:] == ("80 % of it is heard then.",)
    assert said(remedies=(), other="drums/l.wav")[1:] == (
        "No duck or tuning frees it: try l.wav, which is heard more here.",
    )  # fmt: skip
    assert said(kick_share=0.6) == ("Kick and bass: fine.",)
    assert said(freed=0.01)[0] == (
        "The stems together cover k: 10 % of it is heard below 250 Hz, and hardly more without b."
    )


def test_another_kick_is_named_only_where_it_works_and_is_heard_clearly_more() -> None:
    """Analytic: a tenth more in sone is hardly noticed; a poor kick, or itself, is no way out."""
    def other(*others: tuple[str, float, bool]) -> str | None:
        return decide_low_end.other_kick(("own", 1.0), others, DEFAULTS)

    assert other(("own", 9.0, True), ("near", 1.05, True), ("poor", 9.0, False)) is None
    assert other(("more", 1.3, True), ("most", 1.5, True)) == "most"


@pytest.mark.parametrize(("length_s", "hz", "rings"), [(1.6, 57.0, True), (0.25, 57.0, False)])
def test_a_kick_that_is_the_bass_too_is_tuned_to_the_key_and_held_against_the_gaps(
    tmp_path: Path, length_s: float, hz: float, rings: bool
) -> None:
    """Analytic: 57 Hz lies 62 cents over A1, the nearest note of A minor; with kicks 250 ms apart at the closest, one
    that rings longer than 350 ms runs into its next, and one that is short is left as it is."""
    t = time_of(length_s)
    drum = 0.8 * np.sin(2 * np.pi * hz * t) * np.exp(-5.0 * t / length_s)
    folder = write_beat(tmp_path / "own", stems={"pad": PAD}, drums={"kick": drum, "hat": noise_hit(0.05, 7000.0, 2)})
    found = measured(staged(folder, tmp_path / "cache")).finding
    assert found.kick_pitch_hz == pytest.approx(hz, rel=0.01)
    assert found.kick_gap_ms == pytest.approx(250.0)
    assert found.kick_rings_ms is not None
    assert (found.kick_rings_ms > 350.0) is rings
    told = " ".join(found.sentences)
    assert ("tune the kick down" in told) is rings
    assert ("cut it to 250 ms" in told) is rings


def test_a_kick_without_a_pitch_is_never_tuned(tmp_path: Path) -> None:
    """Common practice, no source: noise on no note, under a bass that covers it."""
    drum = noise_hit(0.5, 20.0, 3)
    found = measured(beat(tmp_path, bass=0.8 * tone(55.0, SECONDS), drum=drum).told(**TOLD)).finding
    assert found.kick_pitch_hz is None
    assert found.kick_share is not None
    assert not any("tune" in text for text in found.sentences)
    assert "tune the kick" not in {remedy.name for remedy in found.remedies}


def test_a_low_line_as_loud_as_the_music_moves_the_finding(tmp_path: Path) -> None:
    """Common practice, no source: under a kick with its weight near 55 Hz, a 55 Hz line covers more of it, over six
    musics.  The kick's level follows that of the music, so with the line it is played louder, and the finding moves
    either way; it must fall where the kick keeps the level that it had against the other stems."""
    frames, drums = round(4.0 * RATE), {"kick": kick(0.3, 55.0), "hat": noise_hit(0.05, 7000.0, 2)}
    for name, given in musics().items():
        if name in ("low pad", "high pad", "plucks", "choir"):
            continue  # no stem is a bass there without the line
        stems = {stem: soxr.resample(audio.to_stereo(sound if sound.ndim == 2 else sound[:, None]), COMMON_RATE, RATE)
                 for stem, sound in given.items()}  # fmt: skip
        total = sum(stem[:frames] for stem in stems.values())
        # as loud as the music by K weighting, which takes about 4 dB at 55 Hz (ITU-R BS.1770-5, Annex 1)
        line = tone(55.0, 4.0) * np.sqrt(2.0 * np.mean(total**2)) * 10.0 ** (4.0 / 20.0)
        folders = [write_beat(tmp_path / f"{name}{len(more)}", stems={**stems, **more}, drums=drums)
                   for more in ({}, {"line": line})]  # fmt: skip
        without, there = (staged(folder, tmp_path / "cache") for folder in folders)
        before, after = measured(without).finding, measured(there).finding
        assert after.kick_share is not None
        assert before.kick_share is not None
        assert abs(after.kick_share - before.kick_share) > 0.03, name
        old = {part.row.role: part.item.gains for part in without.balanced().parts}
        now = there.balanced()
        held = replace(now, parts=tuple(
            replace(part, item=replace(part.item, gains=old[part.row.role])) for part in now.parts
        ))
        share = low_end_check(there.here, "low", held, there.memo).finding.kick_share
        assert share < 0.9 * before.kick_share, name


def test_the_stem_that_covers_the_kick_most_is_named(tmp_path: Path) -> None:
    """Analytic: a louder line an octave under the kick's weight covers less of it than a softer one on it."""
    bass, deep = 0.1 * tone(98.0, SECONDS), 0.3 * tone(30.0, SECONDS)
    folder = write_beat(tmp_path / "two", stems={"pad": PAD, "bass": bass, "deep": deep},
                        drums={"kick": kick(0.3, 98.0), "hat": noise_hit(0.05, 7000.0, 2)})  # fmt: skip
    found = measured(staged(folder, tmp_path / "cache")).finding
    assert found.bass_stem == "stems/bass.wav"


def test_without_a_bass_or_a_kick_it_says_what_is_missing(tmp_path: Path) -> None:
    """Analytic: a reason in place of numbers."""
    bright = noise(SECONDS, low_hz=800.0, high_hz=4000.0, seed=5)
    high = write_beat(tmp_path / "high", stems={"pad": bright, "air": PAD},
                      drums={"kick": kick(), "hat": noise_hit(0.05, 7000.0, 2)})  # fmt: skip
    found = measured(staged(high, tmp_path / "cache"))
    assert found.finding.reasons["low_end"].startswith("no stem carries a bass")
    assert found.renders == {}
    bounce = write_beat(tmp_path / "bounce", stems={"all": PAD + 0.3 * tone(55.0, SECONDS)[:, None]},
                        drums={"kick": kick(), "hat": noise_hit(0.05, 7000.0, 2)})  # fmt: skip
    found = measured(staged(bounce, tmp_path / "cache"))
    assert found.finding.reasons["low_end"].startswith("the music is one file")
    assert (found.finding.bass_stem, found.finding.remedies, found.renders) == (None, (), {})
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
    found = measured(staged(folder, tmp_path / "cache").told(**TOLD)).finding
    assert found.kick == "drums/kick-boom.wav"
    assert found.kick_share is not None
    assert 0.0 < found.kick_share < 1.0
    assert found.sentences
    assert all(one.heard_sone > found.kick_heard_sone for one in found.remedies)
