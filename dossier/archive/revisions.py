"""Revisions: their names, their identity, and what the archive keeps of each.

Conventions
    A revision is named r001, r002, ... and is immutable.  Its identity is the SHA-256 (FIPS 180-4) of its inputs'
    names and content hashes, its settings and the program's version, in one canonical JSON text: the same again is the
    same revision.  Nothing of the machine, the clock or the order of files goes into it.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Collection, Iterable, Mapping

import msgspec
from msgspec import Struct

from dossier.errors import ArchiveError
from dossier.model.datafile import BeatInfo, DossierData, InputFile, Proposal, RevisionInfo
from dossier.model.ears import Comparison
from dossier.model.findings import Approach, Balance, SectionFill, hook_of
from dossier.model.index import ChosenDrum, RevisionSummary, RightsInUse

_ID = re.compile(r"r([0-9]{3,240})\Z")  # no ceiling but the length that file systems give a name
_SLUG_LONGEST = 100


class InstrumentalHead(Struct, frozen=True):
    fill: float
    zones: Mapping[str, float]
    sections: tuple[SectionFill, ...]
    roomiest_zone: str


class DataHead(Struct, frozen=True):
    """The part of a data file that the archive works with; the maps, by far the largest part, are skipped."""

    beat: BeatInfo
    revision: RevisionInfo
    inputs: tuple[InputFile, ...]
    instrumental: InstrumentalHead
    approach: Approach
    balance: Balance
    proposals: tuple[Proposal, ...]
    warnings: tuple[str, ...]
    renders: tuple[str, ...] = ()
    comparisons: tuple[Comparison, ...] = ()


def head_of(data: DossierData) -> DataHead:
    """The head of a dossier in memory."""
    room = data.instrumental
    return DataHead(
        beat=data.beat, revision=data.revision, inputs=data.inputs,
        instrumental=InstrumentalHead(room.fill, room.zones, room.sections, room.roomiest_zone),
        approach=data.approach, balance=data.balance, proposals=data.proposals, warnings=data.warnings,
        renders=data.renders, comparisons=data.comparisons,
    )  # fmt: skip


def identity(inputs: Iterable[tuple[str, str]], settings: Mapping[str, object], version: str) -> str:
    """What makes a revision this one: SHA-256 over inputs, settings and program version, as 64 hexadecimal digits.

    `inputs` are names and content hashes; `settings` is all else that the dossier depends on, in plain values.  Their
    order does not matter.
    """
    document = {"inputs": sorted(inputs), "settings": dict(settings), "version": version}
    try:
        text = msgspec.json.encode(document, order="sorted")
    except TypeError as error:
        raise ArchiveError(f"cannot tell this revision from others: {error} cannot be written down") from error
    return hashlib.sha256(text).hexdigest()


def revision_id(number: int) -> str:
    return f"r{number:03d}"


def revision_number(name: str) -> int | None:
    """7 for 'r007', None where it is no revision's name."""
    found = _ID.match(name)
    number = int(found.group(1)) if found else None
    return number if number is not None and revision_id(number) == name else None  # r0007 is none: r007 is


def check_slug(slug: str) -> str:
    """The slug itself, where it can name a folder on every file system.

    Raises ArchiveError if it is empty, too long, or holds more than lower-case letters, digits, '-' and '_'.
    """
    signs = all(sign.isalnum() or sign in "-_" for sign in slug) and slug[:1].isalnum()
    if not signs or len(slug) > _SLUG_LONGEST or slug != unicodedata.normalize("NFC", slug.lower()):
        raise ArchiveError(
            f"beat {slug!r}: the archive takes lower-case letters, digits, '-' and '_' (up to {_SLUG_LONGEST}) as a "
            "beat's folder name, starting with a letter or digit"
        )
    return slug


def same_music(head: DataHead, stems: Collection[str]) -> bool:
    """Whether a dossier has a stem of one of these content hashes."""
    return any(entry.sha256 in stems for entry in head.inputs if entry.kind == "stem" and entry.sha256)


def summarize(head: DataHead, *, renders_there: int | None = None) -> RevisionSummary:
    """What the archive page shows of a revision, of whose renders so many are on the disk (None: all)."""
    slug, revision = head.beat.slug, head.revision.id
    hashes = {entry.file: entry.sha256 for entry in head.inputs}
    drums = tuple(
        ChosenDrum(
            part=part.part, file=part.file, sha256=hashes.get(part.file, ""), gain_db=part.gain_db,
            integrated_lufs=part.integrated_lufs, audible_share=part.audible_share, lift_lu=part.lift_lu,
            treated=part.treated,
        )
        for part in head.balance.parts
        if part.chosen
    )  # fmt: skip
    playing = {drum.file for drum in drums}
    rights = tuple(
        RightsInUse(entry.file, entry.kind, entry.rights)
        for entry in head.inputs
        if entry.used and (entry.kind == "stem" or (entry.kind == "drum" and entry.file in playing))
    )
    beat, instrumental, mix = head.beat, head.instrumental, head.balance.mix
    sounds = [name for name in head.renders if name.endswith("-rough-mix.flac")]
    hook = hook_of(instrumental.sections)
    bar_s = beat.duration_s / max(1, beat.bars)
    hook_s = beat.first_downbeat_s + (hook.first_bar - 1) * bar_s if hook else 0.0
    there = zip(instrumental.sections, mix.sections, strict=False)  # older files tell no section's loudness
    hook_lufs = next((lufs for section, (_, lufs) in there if section is hook), None) if hook else mix.integrated_lufs
    return RevisionSummary(
        id=revision, made=head.revision.made,
        page=f"{slug}/{slug}-{revision}.html", data=f"{slug}/{slug}-{revision}.json",
        title=beat.title, artist=beat.artist, tempo_bpm=beat.tempo_bpm, key=beat.key, meter=beat.meter,
        duration_s=beat.duration_s, bars=beat.bars, fill=instrumental.fill, zones=instrumental.zones,
        sections=instrumental.sections, roomiest_zone=instrumental.roomiest_zone, kind=head.approach.kind,
        direction=head.approach.direction, verdict=head.approach.verdict, drums=drums, mix_lufs=mix.integrated_lufs,
        mix_true_peak_dbtp=mix.true_peak_dbtp, headroom_db=mix.headroom_db, target_lufs=beat.target_lufs,
        rights=rights, warnings=len(head.warnings), changes=head.revision.changes,
        mix=f"{slug}/{slug}-{revision}/{sounds[0]}" if sounds else "", hook_s=round(hook_s, 2),
        hook_length_s=round(hook.bars * bar_s if hook else beat.duration_s, 2), hook_lufs=hook_lufs,
        identity=head.revision.identity,
        renders=len(head.renders), renders_there=len(head.renders) if renders_there is None else renders_there,
    )  # fmt: skip
