"""`dossier share` and `prune`: an archive that travels, and one that stays small."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from dossier import paths
from dossier.cli.output import ARCHIVE, ARCHIVE_HELP, DONE, FAILED, Commands, fail, note, number_of
from dossier.paths import shown

if TYPE_CHECKING:
    from dossier.archive import Archive


def add(commands: Commands) -> None:
    share = commands.add_parser("share", help="one file to send: a beat's page, renders and data, as a ZIP archive")
    share.add_argument("beat", metavar="BEAT",
                       help=f"its name or title in {ARCHIVE}, or its folder in an archive")  # fmt: skip
    share.add_argument("-o", "--out", type=Path, default=None, metavar="ZIP",
                       help="the file to write (default: BEAT-REVISION.zip, here)")  # fmt: skip
    share.add_argument("--revision", default="", metavar="ID", help="which revision (default: the newest)")
    share.set_defaults(run=_share)

    prune = commands.add_parser(
        "prune", help="free the renders of old revisions; pages, data and decisions stay",
        description="Say which renders of old revisions could be freed and how much that frees; with --yes, free them. "
        "Pages, data and decisions stay, as do the renders of the last agreed revision.",
    )  # fmt: skip
    prune.add_argument("archive", type=Path, metavar="DIR", nargs="?", default=ARCHIVE, help=ARCHIVE_HELP)
    prune.add_argument("--keep", type=number_of("revisions"), default=1, metavar="N",
                       help="newest revisions of each beat that keep their renders (default: %(default)s)")  # fmt: skip
    prune.add_argument("--yes", action="store_true", help="do it")
    prune.set_defaults(run=_prune)


def _share(arguments: argparse.Namespace) -> int:
    from dossier.archive.share import share

    archive, slug = _beat_at(arguments.beat)
    done = share(archive, slug, revision=arguments.revision, target=arguments.out)
    state = "" if done.new else ", as it was"
    print(f"{slug} {done.revision}: {shown(done.path)}, {_megabytes(done.size_bytes)}{state}")
    if done.missing:
        some = ", ".join(done.missing[:3]) + (", ..." if len(done.missing) > 3 else "")
        fail(f"{slug} {done.revision}: left out: {len(done.missing)} renders that are no longer there ({some})")
        return FAILED
    return DONE


def _beat_at(told: str) -> tuple[Archive, str]:
    """The archive and the beat that an argument means: a folder in an archive, or a name in the usual one."""
    from dossier.archive import Archive

    place = Path(told)
    if place.is_dir():
        archive = Archive(place.parent, say=note)
        if place.name in archive.slugs():
            return archive, place.name
    paths.archive_at(ARCHIVE)
    archive = Archive(ARCHIVE, say=note)
    return archive, paths.slug_of(told, archive)


def _prune(arguments: argparse.Namespace) -> int:
    from dossier import pipeline
    from dossier.archive import Archive
    from dossier.archive.prune import prunable, prune

    paths.archive_at(arguments.archive)
    archive = Archive(arguments.archive, say=note)
    listed = prunable(archive, keep=arguments.keep)
    for entry in listed:
        print(f"{entry.slug} {entry.revision}: {len(entry.paths)} renders, frees {_megabytes(entry.freed_bytes)}")
    if not listed:
        print("nothing to free: no older revision has renders")
        return DONE
    freed = _megabytes(sum(entry.freed_bytes for entry in listed))
    print(f"{freed} in all; what newer revisions share with these stays" + ("" if arguments.yes else
          ". Nothing was removed: say --yes to do it"))  # fmt: skip
    if arguments.yes:
        prune(archive, listed)
        pipeline.index(archive)
    return DONE


def _megabytes(size: int) -> str:
    return f"{size / 1e6:.1f} MB"
