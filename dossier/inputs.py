"""What a build is made from: the beat of a folder, whether it can be built, and the identity of what it would make."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import msgspec

from dossier import __version__, audio, beatfile
from dossier.archive.revisions import identity
from dossier.audio import foreign
from dossier.cache import Cache, key_of
from dossier.decide.policy import DEFAULTS, Policy
from dossier.errors import AudioError
from dossier.model.beat import NOTHING_GIVEN, Beat, Given
from dossier.model.datafile import FORMAT_VERSION
from dossier.parallel import thread_map

Sha256 = Annotated[str, msgspec.Meta(pattern=r"\A[0-9a-f]{64}\Z")]
MOST_DIGESTS = 100_000  # ten libraries; about 15 MB


def load(place: Path, given: Given = NOTHING_GIVEN) -> Beat:
    """The beat of a folder or of one bounced file, its policy names checked."""
    return beatfile.load(place, known_policy=DEFAULTS, given=given)


def stem_hashes(beat: Beat) -> frozenset[str]:
    """The content of each stem that can be read."""
    return frozenset(thread_map(_hash, [stem.path for stem in beat.stems], ahead=len(beat.stems))) - {""}


@contextmanager
def digests_kept(cache: Cache) -> Iterator[None]:
    """Hash no file again that an earlier run hashed and that has not changed since."""
    key = key_of("digests")
    before = cache.find(key, dict[str, Sha256]) or {}
    audio.digests.update(before)
    yield
    if not audio.digests.keys() <= before.keys():
        cache.keep(key, dict(list(audio.digests.items())[-MOST_DIGESTS:]))


def identity_of(beat: Beat, given: Given = NOTHING_GIVEN) -> str:
    """Identity of the revision that this beat would make: inputs, settings, program version."""
    listed = [*(("stem", s.file, s.path) for s in beat.stems), *(("drum", d.file, d.path) for d in beat.drums)]
    listed += [("settings", path.name, path) for path in beat.config_files]
    listed += [("reference", path.name, path) for path in beat.references]
    long = [path for kind, _, path in listed if kind in ("stem", "reference")]  # with short ones threads do not pay
    digests = dict(zip(long, thread_map(_hash, long), strict=True))
    hashed = [(f"{kind}:{file}", digests[path] if path in digests else _hash(path)) for kind, file, path in listed]
    settings = {
        "slug": beat.slug, "title": beat.title, "format": FORMAT_VERSION, "policy": dict(Policy(beat.policy)),
    }  # fmt: skip
    if given.all_candidates:
        settings["all candidates"] = True
    if any(path.suffix.lower() in foreign.SUFFIXES for _, _, path in listed):
        settings["ffmpeg"] = foreign.ffmpeg() is not None  # what it reads is left out without it
    return identity(hashed, settings, __version__)


def _hash(path: Path) -> str:
    """Hash of a file's content; of an unreadable file, nothing: it is the same revision until it can be read."""
    try:
        return audio.sha256(path)
    except AudioError:
        return ""
