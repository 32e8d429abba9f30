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
    assert "stems/keys.wav: its tag states 92 BPM; 120 goes first." in analysis.warnings
    (drum,) = (seen.drum for seen in analysis.drums if seen.name.endswith("dusty_loop.wav"))
    assert drum is not None
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


def test_a_stems_tempo_tag_goes_before_file_names_and_is_checked_against_the_sound(tmp_path: Path) -> None:
    """Notes on every beat of 120: a tag of 120 is taken over a name of 90; one of 97 is not believed, and said."""
    where = folder_of(tmp_path / "beat")
    (where / "stems" / "keys.wav").rename(where / "stems" / "keys_90bpm.wav")
    tag(where / "stems" / "bass.wav", TBPM="120")
    grid = analyse(beatfile.load(where), Cache(tmp_path / "cache"), lambda step: None)[0].here.grid
    assert (grid.tempo_bpm, grid.tempo_source) == (120.0, "tag")
    assert "A file name states 90 BPM, a tag 120: the tag goes first." in grid.notes
    tag(where / "stems" / "keys_90bpm.wav", TBPM="120")
    wave.WAVE(where / "stems" / "bass.wav").delete()
    tag(where / "stems" / "bass.wav", TBPM="97")
    tag_97 = analyse(beatfile.load(where), Cache(tmp_path / "cache"), lambda step: None)[0].here.grid
    assert tag_97.tempo_source == "estimated"
    assert any("A tag states 97 BPM, but the onsets fit" in note for note in tag_97.notes)
