"""Every way to bring real loops (CC0, tests/data/ORIGIN.md) to tempos from 60 to 180, judged in a beat."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import mido
import numpy as np
import pytest
import sfz_reading
import soundfile as sf
from common_beats import LEANEST, RATE, Ranked, instrumental, ranked, real, ringing_loop, write_beat

from dossier import stages
from dossier.arrange.midi import GENERAL_MIDI
from dossier.arrange.parts import laid
from dossier.cache import Cache
from dossier.measure.onsets import detect
from dossier.model.findings import LoopFit, LoopMeans
from dossier.model.vocabulary import MEANS, Means
from dossier.stages import playback
from dossier.stages.loop_laying import fits_of, loop_part
from dossier.stages.slice_files import slice_files

OWN = {"loop_breakbeat": 126.0, "loop_industrial": 135.786, "loop_compus": 148.0, "loop_safari": 120.16}


def loops_toml(names: list[str], **more: str) -> str:
    return "".join(f"[[drums]]\nfile = 'drums/{n}.wav'\nkind = 'loop'\n{more.get(n, '')}" for n in names)


def means_of(found: Ranked, name: str) -> dict[str, LoopMeans]:
    return {one.means: one for one in found.of(name).means}


def fit_of(found: Ranked, name: str) -> LoopFit:
    fit = found.of(name).part.loop
    assert fit is not None
    return fit


@pytest.fixture(scope="module")
def beat_at(tmp_path_factory: pytest.TempPathFactory) -> Callable[[float], Ranked]:
    root = tmp_path_factory.mktemp("tempos")
    made: dict[float, Ranked] = {}

    def beat(bpm: float) -> Ranked:
        if bpm not in made:
            drums = {**LEANEST, **{name: real(name) for name in OWN}}
            folder = write_beat(root / f"b{bpm:g}", instrumental("open", bpm), drums, bpm=bpm,
                                more=loops_toml(list(OWN)))  # fmt: skip
            made[bpm] = ranked(folder, Cache(root / "cache"))
        return made[bpm]

    return beat


@pytest.mark.parametrize("bpm", [60.0, 95.0, 126.0, 180.0])
def test_real_loops_fit_any_tempo(beat_at: Callable[[float], Ranked], bpm: float) -> None:
    """None is dropped; the way that is taken leaves most of it, and what it costs is told of all that were tried."""
    found = beat_at(bpm)
    assert found.ranking.best_loop is not None
    for name in OWN:
        fit, told = fit_of(found, name), means_of(found, name)
        assert not fit.poor_match
        assert list(told) == list(MEANS)
        assert [one.means for one in told.values() if one.chosen] == [fit.method]
        assert fit.cost == told[fit.method].cost
        assert told[fit.method].score == found.of(name).score
        assert all(one.why for one in told.values())
        far = abs(fit.change_percent) > 6.0
        assert not far or fit.method not in ("as it is", "repitch")
        for one in told.values():  # every way that there is was laid, measured and judged
            assert (one.score is None) == (one.cost is None)
            assert (one.cost is None) == any(word in one.why for word in ("not needed", "cannot be", "its slices can"))


def test_what_each_way_costs_is_what_is_known_of_it(beat_at: Callable[[float], Ranked]) -> None:
    """analytic: 12*log2(ratio) of pitch; a stretch smears attacks and slices do not (Laroche and Dolson, IEEE Trans.
    Speech and Audio Processing 7(3), 1999, on phase vocoders and transients; MEM)."""
    found = beat_at(95.0)
    best = found.ranking.loops[0].drum.name.rsplit("/", 1)[-1].removesuffix(".wav")
    costs = {name: one.cost for name, one in means_of(found, best).items() if one.cost is not None}
    ratio = 1 + fit_of(found, best).change_percent / 100 if fit_of(found, best).method != "re-laid" else 95 / OWN[best]
    assert costs["repitch"].semitones == pytest.approx(12 * np.log2(ratio), abs=0.01)
    assert costs["sliced"].semitones == costs["stretch"].semitones == 0.0
    assert costs["stretch"].attack_smear_ms > costs["sliced"].attack_smear_ms + 1.0
    assert costs["as it is"].timing_ms > 10.0
    relaid = means_of(found, "loop_industrial")["re-laid"].cost
    assert relaid is not None
    assert 0.0 < relaid.groove_kept < 1.0


@pytest.mark.parametrize("bpm", [95.0, 180.0])
def test_hits_land_where_they_belong(beat_at: Callable[[float], Ranked], bpm: float) -> None:
    """Cross-check with the onset detector, on what plays in the beat: every loud hit has an onset within 4 ms."""
    found = beat_at(bpm)
    for name in ("loop_compus", "loop_safari"):
        item, fit = found.of(name), fit_of(found, name)
        loop = item.drum.measures.loop
        assert loop is not None
        length = fit.beats * 60 / bpm
        heard = detect(laid(item.part, length_s=length), RATE).times_s
        places = [(hit.time_s - fit.downbeat_s) / fit.ratio for hit in loop.hits if hit.level_db > -15.0]
        off = [float(np.abs(heard - at).min()) for at in places if 0.05 <= at < length - 0.1]
        assert np.median(off) < 0.002
        assert np.mean(np.array(off) < 0.004) > 0.9, off


def test_what_the_user_says_is_done(tmp_path: Path) -> None:
    """The means, the feel, where it is cut, and which slice plays a role."""
    names = ["stretched", "cut", "played"]
    more = {"stretched": "means = 'stretch'\n",
            "cut": "slices = [0.0, 0.476, 0.952, 1.43]\nmeans = 'sliced'\nfeel = 'beat'\n",
            "played": "means = 're-laid'\nplays = { snare = 0.1 }\n"}  # fmt: skip
    drums = {**LEANEST, **{name: real("loop_breakbeat") + 1e-7 * k for k, name in enumerate(names)}}
    folder = write_beat(tmp_path / "x", instrumental("open", 100.0), drums, bpm=100.0,
                        more=f"[pattern.sections.hook]\nlines = ['kick |x---|']\n{loops_toml(names, **more)}"
                             "[[sections]]\nname = 'hook'\nbars = 4\n")  # fmt: skip
    found = ranked(folder, Cache(tmp_path / "cache"))
    assert fit_of(found, "stretched").method == "stretch"
    assert "beat.toml asks for it" in means_of(found, "stretched")["stretch"].why
    loop = found.of("cut").drum.measures.loop
    assert loop is not None
    assert [hit.time_s for hit in loop.hits] == [0.0, 0.476, 0.952, 1.43]
    assert (fit_of(found, "cut").method, fit_of(found, "cut").feel) == ("sliced", "beat")
    assert "snare by the kick at 0.00 s" in fit_of(found, "played").note
    assert fit_of(found, "played").note.endswith("; in hook too, despite its own pattern")
    assert "kick by the kick at 0.00 s" in means_of(found, "cut")["re-laid"].why


def test_a_loop_without_hits_or_tempo_says_that_it_cannot_be_sliced(tmp_path: Path) -> None:
    drums = {**LEANEST, "hum": real("ambi_choir"), "ringing": ringing_loop(110.0)}
    more = loops_toml(["hum", "ringing"])
    folder = write_beat(tmp_path / "x", instrumental("open", 90.0), drums, bpm=90.0, more=more)
    found = ranked(folder, Cache(tmp_path / "cache"))
    hum = means_of(found, "hum")
    assert found.of("hum").part.loop is not None
    assert hum["sliced"].score is None
    assert hum["sliced"].why
    ringing = means_of(found, "ringing")
    assert ringing["sliced"].cost is not None
    assert ringing["sliced"].cost.gaps > 0.02  # what rings on has to be made up


@pytest.mark.parametrize(("name", "bpm", "means"), [("loop_industrial", 180.0, "sliced"),
                                                    ("loop_compus", 180.0, "re-laid")])  # fmt: skip
def test_slices_keys_and_midi_together_play_the_loop_as_it_is_laid(
    beat_at: Callable[[float], Ranked], tmp_path: Path, name: str, bpm: float, means: Means
) -> None:
    """Round trip through readers of our own: WAVs on the keys that the SFZ gives them, played by the MIDI file."""
    found = beat_at(bpm)
    drum, here, groove = found.of(name).drum, found.analysis.here, found.analysis.groove
    fit = fits_of(drum, here, groove)[means]
    assert not isinstance(fit, str)
    part = loop_part(drum, fit, here, groove, found.memo)
    files, lowered = slice_files("x", drum, part, here, groove, found.memo)
    assert not lowered
    for file, made in files.items():
        (tmp_path / file).write_bytes(made) if isinstance(made, bytes) else made(tmp_path / file)
    regions = sfz_reading.regions((tmp_path / "x-slices.sfz").read_text())
    loop = drum.measures.loop
    assert loop is not None
    assert len(regions) == len(loop.hits)
    roles = {int(one["key"]): one["sample"].split("-", 3)[3].removesuffix(".wav") for one in regions}
    assert len(roles) == len(regions)
    for key, role in roles.items():
        assert GENERAL_MIDI.get(key, role) == role if key < 84 else True
    assert {role for key, role in roles.items() if key < 84} == {hit.role for hit in loop.hits}
    played = np.zeros_like(part.samples)
    sounds = {int(one["key"]): sf.read(tmp_path / one["sample"], always_2d=True)[0] for one in regions}
    group = {int(one["key"]): one["off_by"] for one in regions}
    track = mido.MidiFile(tmp_path / "x-slices.mid")
    now, notes = 0, []
    for message in track.tracks[0]:
        now += message.time
        if message.type == "note_on" and message.velocity:
            notes.append((round(now / track.ticks_per_beat * 60 / bpm * RATE), message.note, message.velocity))
    for number, (at, key, velocity) in enumerate(notes):
        sound = sounds[key] * (velocity / 127) ** 2
        stop = next((later for later, other, _ in notes[number + 1 :] if group[other] == group[key]), len(played))
        stop = min(stop, at + len(sound))
        played[at:stop] += sound[: stop - at]
    lag = round(0.001 * RATE)  # the slices start so long before their hits
    # A MIDI file tells time in ticks, here of up to 0.7 ms: so powers are compared, a frame of 10 ms at a time.
    frame, count = RATE // 100, (len(played) - RATE // 4) // (RATE // 100)
    ours, theirs = (
        10 * np.log10((sound[: count * frame].reshape(count, -1) ** 2).mean(axis=1) + 1e-6)
        for sound in (played[lag:], part.samples)
    )
    assert np.median(np.abs(ours - theirs)) < 0.5
    assert np.corrcoef(ours, theirs)[0, 1] > 0.95


def test_every_means_of_the_loop_that_plays_can_be_heard(beat_at: Callable[[float], Ranked]) -> None:
    found = beat_at(95.0)
    analysis, memo = found.analysis, found.memo
    way, treated = stages.treat(analysis, found.ranking, memo)
    choice = stages.choose(analysis, found.ranking, treated, way, memo)
    balanced = stages.balance(analysis, choice, memo)
    heard, _ = playback.previews(analysis.here, analysis.room, analysis.groove, choice, balanced, memo)
    (loop,) = (part.item for part in balanced.parts if part.item.part.kind == "loop")
    tried = [one.means for one in loop.means if one.match is not None and not one.chosen]
    assert len(tried) >= 3
    mine = [one for one in heard if one.id.startswith("means:")]
    assert [one.id for one in mine] == [f"means:{means}:{loop.drum.name}" for means in tried]
    assert len({one.mp3 for one in mine}) == len(mine)
    assert sum(len(one.mp3) for one in mine) < 1_000_000  # beside 5 MB of a page
