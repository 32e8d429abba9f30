"""Odd candidates and grooves: said plainly, and the rest goes on."""

from __future__ import annotations

import html
import io
import re
from dataclasses import dataclass
from pathlib import Path

import mido
import numpy as np
import pytest
from common_beats import LEANEST, RATE, instrumental, real, write_beat

from dossier import pipeline
from dossier.archive import Archive
from dossier.arrange import midi
from dossier.cache import Cache
from dossier.model.datafile import DossierData
from dossier.model.findings import Candidate

QUICK = "[policy]\nplan_evaluations = 2\nplan_loop_evaluations = 2\n"
MADE = "2026-01-02T03:04:05Z"


@dataclass(frozen=True)
class Built:
    data: DossierData
    page: str
    folder: Path

    def candidate(self, name: str) -> Candidate:
        return next(c for c in self.data.candidates if c.name == name)


def build(folder: Path, root: Path) -> Built:
    archive = Archive(root / "site")
    done = pipeline.build(folder, archive, cache=Cache(root / "cache"), made=MADE, say=lambda _: None)
    data = archive.latest(done.slug)
    assert data is not None
    return Built(data, html.unescape(done.page.read_text(encoding="utf-8")), archive.root / done.slug)


def unsteady() -> np.ndarray:
    """Hits at seeded random times: no tempo."""
    rng = np.random.default_rng(12)
    out = np.zeros((round(5.3 * RATE), 2))
    hit = real("drum_cowbell")[: round(0.15 * RATE)]
    for at in np.cumsum(rng.uniform(0.13, 0.9, 9)):
        start = round(at * RATE)
        if start + len(hit) < len(out):
            out[start : start + len(hit)] += hit
    return out


@pytest.fixture(scope="module")
def odd(tmp_path_factory: pytest.TempPathFactory) -> Built:
    """Two bars at 120 BPM, a pattern that plays a cowbell, and candidates that do not suit."""
    root = tmp_path_factory.mktemp("odd")
    long_loop = np.tile(real("loop_safari"), (2, 1))
    drums = {**LEANEST, "loop-unsteady": unsteady(), "loop-long": long_loop,
             "crash-long": np.pad(real("drum_cymbal_open"), ((0, 4 * RATE), (0, 0))) + 1e-4,
             "snare-copy": "sn_dub"}  # fmt: skip
    lines = ("kick |X-----x-|", "snare |----X---|", "ride |x-x-x-x-|", "tom |-------x|")
    more = "".join(f"[[drums]]\nfile = 'drums/{name}.wav'\nkind = 'loop'\n" for name in ("loop-unsteady", "loop-long"))
    more += "[[drums]]\nfile = 'drums/crash-long.wav'\nkind = 'one-shot'\nrole = 'crash'\n"
    stems = instrumental("open", 120.0, bars=2)
    return build(write_beat(root / "odd ones", stems, drums, bpm=120.0, lines=lines, more=more + QUICK), root)


def test_a_role_without_candidates_is_said(odd: Built) -> None:
    told = "\n".join(odd.data.warnings)
    assert "the pattern plays tom, but there is no tom among the candidates" in told
    assert odd.data.kit is not None
    assert odd.data.kit.missing_roles == ("tom",)
    assert "there is no tom among the candidates" in odd.page
    ride = next(member for member in odd.data.kit.members if member.role == "ride")
    assert ride.file == "drums/hat-closed.wav"  # a hat stands in
    assert "stands in" in odd.page


def test_a_loop_without_a_steady_tempo_is_laid_and_said_to_be_poor(odd: Built) -> None:
    found = odd.candidate("loop-unsteady.wav")
    assert found.loop is not None
    assert found.loop.source_tempo_bpm is None
    assert found.loop.poor_match
    assert found.fit is not None
    assert found.fit.tempo_match == 0.0
    assert "tempo unchanged" in found.loop.note
    assert any("tempo unchanged" in problem for problem in found.problems)


def test_candidates_longer_than_the_beat_are_cut_and_said_to_be(odd: Built) -> None:
    loop, shot = odd.candidate("loop-long.wav"), odd.candidate("crash-long.wav")
    assert loop.loop is not None
    assert loop.loop.beats == 8.0
    assert "2 of its 8 bars are heard" in loop.loop.note
    assert loop.score is not None
    assert any("longer than the beat" in problem for problem in shot.problems)
    assert shot.score is not None
    assert "longer than the beat" in odd.page


def test_copies_are_looked_at_once(odd: Built) -> None:
    assert sum(c.name in ("snare-copy.wav", "snare-short.wav") for c in odd.data.candidates) == 1
    assert any("the same sound as" in warning for warning in odd.data.warnings)


def test_every_other_candidate_is_still_ranked(odd: Built) -> None:
    assert all(c.score is not None for c in odd.data.candidates)
    assert len(odd.data.candidates) == 6
    assert odd.data.looked.files == 7


def test_loops_name_their_hits_by_role(odd: Built) -> None:
    """So that a loop and a kit can be compared part by part."""
    found = odd.candidate("loop-long.wav")
    assert found.hits
    assert found.loop is not None
    assert re.search(r"hits a bar, the loop against the pattern: .*kick [\d.]+ against 4", found.loop.note)


def test_the_pattern_is_drawn_and_saved_as_midi(odd: Built) -> None:
    drawn = odd.data.patterns[0]
    assert [(row.role, row.cells) for row in drawn.rows][:2] == [
        ("kick", (1.0, 0, 0, 0, 0, 0, 0.8, 0)), ("snare", (0, 0, 0, 0, 1.0, 0, 0, 0)),
    ]  # fmt: skip
    assert 'class="pattern"' in odd.page
    saved = next(odd.folder.rglob("*-pattern.mid"))
    back = midi.read(saved.read_bytes())
    assert [(hit.role, hit.beat) for hit in back.hits if hit.role in ("kick", "tom")] == [
        ("kick", 0.0), ("kick", 1.5), ("tom", 1.75),
    ]  # fmt: skip


def piano() -> bytes:
    file, track = mido.MidiFile(), mido.MidiTrack()
    track.append(mido.Message("note_on", channel=0, note=60, velocity=90, time=0))
    file.tracks.append(track)
    out = io.BytesIO()
    file.save(file=out)
    return out.getvalue()


def test_a_groove_without_drums_stops_no_beat_and_a_plain_pattern_is_said_to_be_assumed(tmp_path: Path) -> None:
    folder = write_beat(tmp_path / "piano groove", instrumental("open", 120.0, bars=2), LEANEST, bpm=120.0)
    text = (folder / "beat.toml").read_text(encoding="utf-8")
    (folder / "beat.toml").write_text(re.sub(r"\[pattern\]\nlines = .*\n", "", text) + QUICK, encoding="utf-8")
    (folder / "groove.mid").write_bytes(piano())
    built = build(folder, tmp_path)
    assert any("groove.mid holds no General MIDI percussion" in warning for warning in built.data.warnings)
    assert built.data.patterns[0].assumed
    assert built.data.patterns[0].source == "assumed"
    assert "a plain one is assumed" in built.page
    assert built.data.kit is not None
