"""A beat.toml to begin with: what was found and estimated, as comments to correct.

What the user or a tag does not state stands behind a `#`, so the file changes nothing until someone edits it.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path

import tomlkit

from dossier.decide.policy import Policy
from dossier.model.vocabulary import RIGHTS
from dossier.names import MAX_SLUG
from dossier.stages.overview import FoundFile, Overview

MOST_DRUMS = 60  # entries; a library's files are counted instead
_HEAD = """What is known of this beat.  Every line may go: what is missing is estimated, and said to be.
A line behind a # changes nothing; correct it and take the # away to make it hold.
Every key is explained by `dossier schema`."""


def draft(found: Overview, *, library: Sequence[str], stem_files: Sequence[str], include: Sequence[str],
          exclude: Sequence[str], stem_hashes: Iterable[str]) -> str:  # fmt: skip
    """The text of a beat.toml; `stem_files` are the stems' paths as the file is to name them, in order."""
    beat, grid, key = found.beat, found.grid, found.key
    mark = hashlib.sha256("".join(sorted(stem_hashes)).encode()).hexdigest()[:6]
    target = Policy(beat.policy)["target_lufs"] if beat.target_lufs is None else beat.target_lufs
    cells = 4 * grid.meter[0]
    pattern = [f"kick  |X{'-' * (cells - 1)}|", f"snare |{'-' * (cells // 4)}X{'-' * (cells - cells // 4 - 1)}|"]
    other = [f"{tempo:.4g}" for tempo in grid.tempo_alternatives]
    lines = [f"# {line}" for line in _HEAD.splitlines()] + [""]
    lines += [
        _line("id", beat.id or f"{beat.slug[: MAX_SLUG - 7]}-{mark}", "tells it from others of its name: keep it"),
        _line("title", beat.title),
        _line("artist", beat.artist, off=not beat.artist),
        _known("tempo", round(grid.tempo_bpm, 3), grid.tempo_source, grid.tempo_confidence,
               f"; it may be {' or '.join(other)}" if other else ""),
        _known("meter", f"{grid.meter[0]}/{grid.meter[1]}", grid.meter_source, grid.meter_confidence),
        _known("key", key.name or "C major", key.source if key.name else "not found", key.confidence),
        _known("first_downbeat", round(grid.first_downbeat_s, 4), grid.downbeat_source, grid.downbeat_confidence),
        _known("swing", round(100 * grid.swing, 1), grid.swing_source, grid.swing_confidence),
        _line("target_loudness", target, "LUFS of the finished mix", off=beat.target_lufs is None),
        _line("intent", beat.intent, "forward | level | tucked", off=beat.intent == "level"),
        _line("voice", beat.voice, "none | expected | in-stems", off=beat.voice == "expected"),
    ]  # fmt: skip
    for name, told in (("library", library), ("include", include), ("exclude", exclude)):
        if told:
            lines.append(_line(name, list(told)))
    if not library:
        lines.append(_line("library", ["~/drums"], "folders of drums outside the beat", off=True))
    stems = [file for file in found.files if file.kind == "stem"]
    for stem, path in zip(stems, stem_files, strict=True):
        lines += ["", *_stem(stem, path)]
    shown = [file for file in found.files if file.kind != "stem"]
    own = [drum for drum in shown if not drum.library]
    for drum in own[:MOST_DRUMS]:
        lines += ["", *_drum(drum)]
    if rest := [*own[MOST_DRUMS:], *(drum for drum in shown if drum.library)]:
        counts = Counter(drum.role or drum.kind for drum in rest)
        told_counts = ", ".join(f"{count} {role}" for role, count in counts.most_common())
        lines += ["", f"# {len(rest)} more drums were found: {told_counts}."]
    lines += ["", "# [[sections]]  # from the first downbeat on, in order",
              _line("name", "verse", off=True), _line("bars", grid.bars, "of the whole beat", off=True)]  # fmt: skip
    lines += ["", "# [pattern]  # x hit, X accent, o ghost, - rest",
              _line("lines", pattern, off=True)]  # fmt: skip
    text = "\n".join(lines) + "\n"
    tomlkit.parse(text)  # nothing is written that could not be read
    return text


def _line(key: str, value: object, comment: str = "", *, off: bool = False) -> str:
    told = f"{key} = {tomlkit.item(value).as_string()}"
    return f"{'# ' if off else ''}{told}{'  # ' + comment if comment else ''}"


def _known(key: str, value: object, source: str, confidence: float, more: str = "") -> str:
    """A value that is stated, or behind a `#` where it was worked out."""
    if source == "beat.toml":
        return _line(key, value)
    how = f"{source}, confidence {confidence:.2f}" if source == "estimated" else source
    return _line(key, value, how + more, off=True)


def _stem(stem: FoundFile, path: str) -> list[str]:
    told = stem.sources.get("role")
    how = {"sound": "by its sound", None: "what it plays"}.get(told, "")
    length = f"{stem.duration_s:.2f} s long"
    start = _line("start", round(stem.start_s, 3), "seconds, or a bar such as 'bar 3'", off=stem.start_s == 0.0)
    return [
        "[[stems]]", _line("file", path, length),
        _line("role", stem.role or "pad", how, off=told != "beat.toml"),
        start, *_rights(stem),
    ]  # fmt: skip


def _drum(drum: FoundFile) -> list[str]:
    lines = ["# [[drums]]", _line("file", drum.file, off=True)]
    for name, value in (("kind", drum.kind), ("role", drum.role), ("tempo", drum.tempo_bpm)):
        if value is not None:
            told = drum.sources.get("tempo_bpm" if name == "tempo" else name, "")
            lines.append(_line(name, round(value, 3) if isinstance(value, float) else value, f"by {told}", off=True))
    return lines + _rights(drum)


def _rights(file: FoundFile) -> list[str]:
    return [_line("rights", file.rights, " | ".join(RIGHTS), off=file.rights == "unknown" or file.kind != "stem")]


def home_relative(path: Path) -> str:
    """A path as beat.toml names it: from the home folder where it lies there."""
    try:
        return f"~/{path.relative_to(Path.home()).as_posix()}"
    except (ValueError, RuntimeError):
        return path.as_posix()
