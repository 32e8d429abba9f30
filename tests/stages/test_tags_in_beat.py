"""Tags of stems and drums on their way into a beat."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from mutagen import id3, wave
from small_beat import RATE, TEMPO, drum_loop, kick, tone, write

from dossier import beatfile
from dossier.cache import Cache
from dossier.stages import analyse


def tag(path: Path, **texts: str) -> None:
    file = wave.WAVE(path)
    file.add_tags()
    for name, text in texts.items():
        file.tags.add(getattr(id3, name)(encoding=3, text=[text]))
    file.save()


def folder_of(where: Path) -> Path:
    """The notes of F major struck on every beat, two loops and a kick."""
    struck = np.tile(np.exp(-6.0 * np.arange(RATE // 2) / RATE), 32)
    chord = sum(struck * tone(hz, 16.0) for hz in (349.23, 392.0, 440.0, 466.16, 523.25, 587.33, 659.26))
    write(where / "stems" / "keys.wav", 0.05 * chord)
    write(where / "stems" / "bass.wav", 0.3 * struck * tone(87.31, 16.0))
    write(where / "drums" / "dusty_loop.wav", drum_loop(rich=False))
    write(where / "drums" / "kick.wav", kick())
    return where


def test_a_stems_key_is_taken_from_its_tag_and_doubts_are_said(tmp_path: Path) -> None:
    where = folder_of(tmp_path / "beat")
    (where / "beat.toml").write_text(f"tempo = {TEMPO:g}\n", encoding="utf-8")
    tag(where / "stems" / "keys.wav", TKEY="F", TBPM="92")
    tag(where / "stems" / "bass.wav", TKEY="Ebm", TBPM="120")
    tag(where / "drums" / "dusty_loop.wav", TBPM="92")
    analysis, _ = analyse(beatfile.load(where), Cache(tmp_path / "cache"), lambda step: None)
    key = analysis.here.music.key
    assert (key.name, key.source) == ("F major", "tag")
    assert "stems/bass.wav: its tag states Eb minor; F major (tag) is taken." in analysis.warnings
    assert "stems/keys.wav: its tag states 92 BPM; the grid has 120 (beat.toml)." in analysis.warnings
    (drum,) = (drum for drum in analysis.drums if drum.name.endswith("dusty_loop.wav"))
    assert drum.measures.loop is not None
    assert drum.measures.loop.tempo_bpm == TEMPO
    assert "92 BPM (tag) does not fit its sound, which has 120 BPM" in drum.problems


def test_the_users_key_stands_before_a_tag(tmp_path: Path) -> None:
    where = folder_of(tmp_path / "beat")
    (where / "beat.toml").write_text('tempo = 120\nkey = "F major"\n', encoding="utf-8")
    tag(where / "stems" / "keys.wav", TKEY="Am")
    analysis, _ = analyse(beatfile.load(where), Cache(tmp_path / "cache"), lambda step: None)
    assert (analysis.here.music.key.name, analysis.here.music.key.source) == ("F major", "beat.toml")
    assert "stems/keys.wav: its tag states A minor; F major (beat.toml) is taken." in analysis.warnings
