"""Seen drums: all files of a beat's drums and libraries, read once, of a library as much as sifting it needs.

Conventions
    Measuring a file costs many times what decoding it does, and of thousands few can win.  So what is plainly a
    one-shot gets a coarse look (`measure.coarse`), many files at a time, and is measured when it is left after the
    sift.  Loops, and what may be one, are measured at once; so are all files where they are few.
    Files go in batches, which the cache keeps as a whole.  Where one ends, contents say, so that a new file changes the
    batch that it lies in and no other.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from itertools import chain

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dossier import audio
from dossier.cache import Cache
from dossier.errors import AudioError
from dossier.measure import bands, coarse
from dossier.measure.file_names import kind_from_name, role_from_name
from dossier.measure.hits import stated_kind
from dossier.measure.roles import Duration, could_loop, likeliest
from dossier.memo import Memo
from dossier.model.beat import DrumFile
from dossier.model.datafile import InputFile
from dossier.model.measures import OUTLINE_PIECES, Array, Clip, CoarseMeasures
from dossier.model.parts import SeenDrum
from dossier.model.vocabulary import ROLES, Role
from dossier.parallel import counted, thread_map
from dossier.stages.candidates import READ_AHEAD, KnownFile, drum_of, known_file

MOST_UNBROKEN, MOST_FILES = 512, 1024  # of a batch: before its contents may end it, and at all
MOST_REMARKS = 40  # on copies, and on silent files
MOST_VALUES = 1 << 22  # values that are held decoded


class CoarseFile(Struct, frozen=True):
    """A file of a batch, but for its arrays."""

    rate_hz: int
    channels: int
    duration_s: float
    pitch_hz: float | None
    mono_loss_lu: float | None


class CoarseBatch(Struct, frozen=True, eq=False):
    """A coarse look at some files; what is no plain one-shot, or cannot be read, is left out."""

    files: dict[int, CoarseFile]  # by place in the batch
    likeness: Array  # (files, roles)
    outlines: Array  # (files, OUTLINE_PIECES, fine bands)


Found = tuple[SeenDrum, bool] | AudioError  # and whether it is silent


def batches(files: Sequence[DrumFile]) -> Iterator[list[DrumFile]]:
    """The files in batches, none across two folders that are named one by one."""
    batch: list[DrumFile] = []
    for file in files:
        ends = len(batch) >= MOST_FILES or (len(batch) >= MOST_UNBROKEN and _digest(batch[-1]).startswith("0"))
        if batch and (ends or batch[0].file.split("/")[0] != file.file.split("/")[0]):
            yield batch
            batch = []
        batch.append(file)
    if batch:
        yield batch


def _digest(file: DrumFile) -> str:
    """Of a file's content; empty where it cannot be read."""
    try:
        return audio.sha256(file.path)
    except AudioError:
        return ""


def known_batch(files: Sequence[DrumFile], cache: Cache) -> tuple[list[KnownFile | str], str]:
    """What is known of each file, or why it cannot be read; and why the cache takes no more, '' where it does."""
    memo = Memo(cache)
    look_over(files, memo)
    found = [known_file(file, memo) for file in files]
    return [str(one) if isinstance(one, AudioError) else one[1] for one in found], cache.refused


def look_over(files: Sequence[DrumFile], memo: Memo) -> list[Found]:
    """The files of a batch as they are known before sifting, or why they cannot be read.

    One batch at a time: its many short steps would only keep several threads waiting for each other.
    """
    digests = [_digest(file) for file in files]
    key = [(digest, file.kind, file.role, file.file) for digest, file in zip(digests, files, strict=True)]
    batch = memo("measured", CoarseBatch, partial(_coarsely, files, digests), key)
    rows = zip(batch.files, batch.likeness, batch.outlines, strict=True)
    seen = {place: (batch.files[place], likeness, outline) for place, likeness, outline in rows}
    return [
        (_seen(file, digests[place], *seen[place]), False) if place in seen else in_full(file, memo)
        for place, file in enumerate(files)
    ]


def in_full(file: DrumFile, memo: Memo) -> Found:
    """A file that is measured at once."""
    known = known_file(file, memo)
    if isinstance(known, AudioError):
        return known
    digest, of = known
    m = of.measures
    return SeenDrum(
        file=file, sha256=digest, kind=m.hit.kind, role=m.hit.role, likeness=m.hit.likeness, pitch_hz=m.pitch.hz,
        mono_loss_lu=m.stereo.whole.mono_loss_lu, outline=of.outline, duration_s=m.duration_s,
        sample_rate_hz=m.sample_rate_hz, channels=m.channels, drum=drum_of(file, digest, of),
    ), of.silent  # fmt: skip


def _seen(file: DrumFile, digest: str, one: CoarseFile, likeness: Array, outline: Array) -> SeenDrum:
    like = dict(zip(ROLES, likeness.tolist(), strict=True))
    return SeenDrum(
        file=file, sha256=digest, kind="one-shot", role=_role(file) or likeliest(like)[0], likeness=like,
        pitch_hz=one.pitch_hz, mono_loss_lu=one.mono_loss_lu, outline=outline, duration_s=one.duration_s,
        sample_rate_hz=one.rate_hz, channels=one.channels, drum=None,
    )  # fmt: skip


def _role(file: DrumFile) -> Role | None:
    return file.role or role_from_name(file.file)


def _coarsely(files: Sequence[DrumFile], digests: Sequence[str]) -> CoarseBatch:
    """A look at the plain one-shots among some files, some seconds of sound at a time."""
    found: dict[int, CoarseFile] = {}
    seen: list[CoarseMeasures] = []
    held: dict[int, tuple[Clip, int]] = {}

    def look() -> None:
        for rate in sorted({clip.rate_hz for clip, _ in held.values()}):
            places = [place for place, (clip, _) in held.items() if clip.rate_hz == rate]
            looked = coarse.look([held[place][0].samples for place in places], rate)
            for place, one in zip(places, looked, strict=True):
                clip, channels = held[place]
                stated = stated_kind(files[place].kind, files[place].file, clip.duration_s)
                if one is not None and (stated or not could_loop(Duration(one.length_s, one.evenness))):
                    found[place] = CoarseFile(rate, channels, clip.duration_s, one.pitch_hz, one.mono_loss_lu)
                    seen.append(one)
        held.clear()

    values = 0
    for place, file in enumerate(files):
        if digests[place] and "loop" not in (file.kind, kind_from_name(file.file)):
            try:
                clip, header = audio.read_with_header(file.path, shown_as=file.file)
                if audio.sha256(file.path) != digests[place]:
                    continue
            except AudioError:
                continue  # it is named where it is asked for
            held[place] = clip, header.channels
            values += clip.samples.size
            if values > MOST_VALUES:
                look()
                values = 0
    look()
    shape = (OUTLINE_PIECES, len(bands.FINE_HZ))
    return CoarseBatch(
        files=found, likeness=np.array([one.likeness for one in seen], dtype=np.float32).reshape(-1, len(ROLES)),
        outlines=np.array([one.outline for one in seen], dtype=np.float32).reshape(-1, *shape),
    )  # fmt: skip


def read_drums(
    files: Sequence[DrumFile], memo: Memo, say: Callable[[str], None], *, few: int
) -> tuple[tuple[SeenDrum, ...], list[InputFile], list[str]]:
    """Read the candidates, and measure those that are no plain one-shots, or all if they are `few`.

    Drums, inputs and warnings: a file that cannot be used is named in the warnings and left out; of copies of a sound
    the first is looked at.
    """
    inputs: list[InputFile] = []
    warnings: list[str] = []
    copies: list[str] = []
    silent: list[str] = []
    drums: list[SeenDrum] = []
    seen: dict[str, str] = {}
    looked: Iterable[Found] = (
        thread_map(partial(in_full, memo=memo), files, ahead=READ_AHEAD) if len(files) <= few
        else chain.from_iterable(look_over(batch, memo) for batch in batches(files))
    )  # fmt: skip
    for file, found in zip(files, counted(looked, len(files), "drums", say), strict=True):
        entry = InputFile(file.file, sha256="", kind="drum", rights=file.rights, origin=file.origin, used=False)
        if isinstance(found, AudioError):
            warnings.append(str(found))
            inputs.append(entry)
            continue
        drum, is_silent = found
        if drum.sha256 in seen:
            copies.append(f"{file.file}: the same sound as {seen[drum.sha256]}; looked at once")
        if is_silent:
            silent.append(f"{file.file}: is silent from start to end; left out")
        wanted = not is_silent and drum.sha256 not in seen
        inputs.append(replace(entry, sha256=drum.sha256, duration_s=drum.duration_s, used=wanted,
                              sample_rate_hz=drum.sample_rate_hz, channels=drum.channels))  # fmt: skip
        if wanted:
            seen[drum.sha256] = file.file
            drums.append(drum)
    return tuple(drums), inputs, [*warnings, *_some(copies), *_some(silent)]


def _some(remarks: Sequence[str]) -> list[str]:
    """Remarks on single files, of which a library may have thousands."""
    more = len(remarks) - MOST_REMARKS
    return [*remarks[:MOST_REMARKS], *([f"{more} more files as the one before"] if more > 0 else [])]
