"""From score to files: encoding, and what may be overwritten.

Conventions
    `<beat>/.demo/written.json` lists the SHA-256 of every file as it was written, the newest last, and the fingerprint
    of the score that made it.  A file is ours as long as its content is in that list; any other content is somebody
    else's and stays.  The list is saved before the file is put in place, so that at whatever moment a call ends, the
    next one still knows its own files.
    WAV by libsndfile, 24 or 16 bits; 16 bits with triangular dither of one step (common practice, no source), seeded
    by the file's name.
"""

from __future__ import annotations

import hashlib
import importlib
import io
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from dossier import files

from .score import Score
from .synth import Sound, rng_for

FORMAT = 1
KEPT = 2  # contents remembered a file: the one before an update, and the update


@dataclass(frozen=True, slots=True)
class Item:
    """One file of a beat: how to make its bytes, and a fingerprint of what they depend on."""

    make: Callable[[], bytes]
    depends_on: str


def score_of(slug: str) -> Score:
    """The score of one beat."""
    score = importlib.import_module(f".{slug.replace('-', '_')}", __package__).SCORE
    assert isinstance(score, Score)
    return score


def encode(sound: Sound, rate_hz: int, bits: int, name: str) -> bytes:
    """A mono or stereo sound as the bytes of a WAV file; the same sound and name give the same bytes."""
    import soundfile

    scaled = sound * np.float32(2.0 ** (bits - 1))
    if bits == 16:
        rng = rng_for(f"dither {name}")
        scaled += rng.random(sound.shape, np.float32) - rng.random(sound.shape, np.float32)
    steps = np.rint(scaled).astype(np.int32) << (32 - bits)  # whole steps, so that the library has nothing to round
    memory = io.BytesIO()
    soundfile.write(memory, np.ascontiguousarray(steps.T), rate_hz, subtype=f"PCM_{bits}", format="WAV")
    return memory.getvalue()


def items(slug: str) -> dict[str, Item]:
    """Every file of a beat or a library, by its name in the folder."""
    score = score_of(slug)
    sources = _fingerprint_of_sources()

    def audio(name: str, make: Callable[[], Sound]) -> Item:
        return Item(lambda: encode(make(), score.clock.rate_hz, score.bits, f"{slug} {name}"), sources)

    found: dict[str, Item] = {}
    if score.stems:  # a beat, not a library
        settings = (resources.files(__package__) / slug / "beat.toml").read_bytes()
        found["beat.toml"] = Item(lambda: settings, hashlib.sha256(settings).hexdigest())
    found |= {name: audio(name, make) for name, make in {**score.stems, **score.drums}.items()}
    found |= {name: Item(make, sources) for name, make in score.midi.items()}
    return found


def write_beat(slug: str, folder: Path, *, progress: Callable[[str], None] | None = None) -> Path:
    """Write one beat into `folder/slug`; see `dossier.demo_beats.write`."""
    place = folder / slug
    memory = place / ".demo"
    files.make_folder(memory)
    with files.locked(memory / "lock", waiting=lambda: None):
        known = _read_list(memory / "written.json")
        for name, item in items(slug).items():
            path = place / name
            record = known.get(name, {})
            ours = record.get("sha256", [])
            if path.is_symlink() or path.exists():
                content = _sha256(path) if path.is_file() else ""
                if content not in ours:
                    continue
                if content == ours[-1] and record.get("depends_on") == item.depends_on:
                    continue
            if progress is not None:
                progress(f"{slug}/{name}")
            data = item.make()
            now = hashlib.sha256(data).hexdigest()
            known[name] = {"sha256": [*(old for old in ours if old != now), now][-KEPT:], "depends_on": item.depends_on}
            files.make_folder(path.parent)
            files.write_atomic(memory / "written.json", _list_bytes(known))
            files.write_atomic(path, data)
        for part in {place, *((place / name).parent for name in known)}:
            files.sweep(part)
    return place


def _fingerprint_of_sources() -> str:
    """SHA-256 over the modules of this package: a changed score makes its files anew."""
    digest = hashlib.sha256()
    package = resources.files(__package__)
    for source in sorted((entry for entry in package.iterdir() if entry.name.endswith(".py")), key=lambda e: e.name):
        digest.update(source.name.encode() + b"\0" + source.read_bytes())
    return digest.hexdigest()


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _read_list(path: Path) -> dict[str, dict[str, Any]]:
    """What was written before; a list that is missing, damaged or of another format counts as empty."""
    try:
        document = json.loads(path.read_bytes())
        if document["format"] != FORMAT:
            return {}
        return {
            str(name): {"sha256": [str(one) for one in record["sha256"]], "depends_on": str(record["depends_on"])}
            for name, record in document["files"].items()
        }
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def _list_bytes(known: Mapping[str, Mapping[str, Any]]) -> bytes:
    document = {"format": FORMAT, "files": {name: known[name] for name in sorted(known)}}
    return (json.dumps(document, indent=1) + "\n").encode()
