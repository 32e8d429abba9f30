"""Beats of one name: what belongs together and what does not.  Evidence: analytic, from the rule."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from small_beat import MADE, Small, tone, write

from dossier import audio, inputs, pipeline
from dossier.archive import Archive
from dossier.cache import Cache
from dossier.errors import ArchiveError
from dossier.model.beat import Given


def test_two_folders_of_one_name_never_become_revisions_of_one_beat(small: Small, tmp_path: Path) -> None:
    """The stranger is refused before it is built, in any folder, until someone says that it is the same beat."""
    site = shutil.copytree(small.archive.root, tmp_path / "site")
    other = tmp_path / "2025" / small.folder.name
    write(other / "stems/bass.wav", 0.3 * tone(65.0, 4.0))  # the name of a stem proves nothing
    (other / "beat.toml").write_text('title = "Paper Harbour"\n')
    archive, cache = Archive(site), Cache(tmp_path / "cache")
    said: list[str] = []

    def build(folder: Path, given: Given = Given()) -> pipeline.Built:  # noqa: B008
        return pipeline.build(folder, archive, cache=cache, made=MADE, say=said.append, given=given)

    with pytest.raises(ArchiveError, match=r"shares no stem with this one.*--name paper-harbour"):
        build(other)
    assert said == []
    second = build(other, Given(name="Paper Harbour, second"))
    assert (second.slug, second.revision) == ("paper-harbour-second", "r001")
    assert [entry.id for entry in archive.revisions("paper-harbour")] == ["r001"]


def test_a_folder_whose_stems_were_all_exported_anew_is_the_beat_that_it_was(tmp_path: Path) -> None:
    archive, cache = Archive(tmp_path / "site"), Cache(tmp_path / "cache")
    made = []
    for hz in (65.0, 66.0):
        write(tmp_path / "low tide/stems/bass.wav", 0.3 * tone(hz, 4.0))
        made.append(pipeline.build(tmp_path / "low tide", archive, cache=cache, made=MADE, say=lambda _: None))
    assert [(one.slug, one.revision) for one in made] == [("low-tide", "r001"), ("low-tide", "r002")]
    moved = shutil.move(tmp_path / "low tide", tmp_path / "attic" / "low tide")
    again = pipeline.build(Path(moved), archive, cache=cache, made=MADE, say=lambda _: None)
    assert (again.revision, again.new) == ("r002", False)


def test_a_file_is_hashed_again_only_if_it_changed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    cache = Cache(tmp_path / "cache")
    write(tmp_path / "beat/stems/bass.wav", 0.3 * tone(65.0, 2.0))
    write(tmp_path / "beat/drums/kick.wav", 0.3 * np.ones(500))
    monkeypatch.setattr(audio, "_SETTLED_S", -1.0)
    hashed: list[object] = []
    whole = audio._digest

    def counted(file: Any, size: int) -> str:
        hashed.append(file)
        return whole(file, size)

    monkeypatch.setattr(audio, "_digest", counted)

    def identity() -> str:
        monkeypatch.setattr(audio, "digests", {})  # as in a new process
        hashed.clear()
        with inputs.digests_kept(cache):
            return inputs.identity_of(inputs.load(tmp_path / "beat"))

    first = identity()
    assert len(hashed) == 2
    assert (identity(), hashed) == (first, [])
    write(tmp_path / "beat/drums/kick.wav", 0.3 * np.ones(500) / 2)
    assert identity() != first
    assert len(hashed) == 1
