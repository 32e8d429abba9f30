"""`dossier learn`: the user's own usual levels, from pieces that they finished and gains that they changed."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from dossier import paths
from dossier.cli.output import ARCHIVE, ARCHIVE_HELP, DONE, FAILED, USAGE, Commands, fail, note, now, say
from dossier.errors import AudioError, BeatError, DossierError
from dossier.files import why_unreadable
from dossier.paths import name_of, shown
from dossier.terminal import Progress

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dossier.model.usual import Learnt


def add(commands: Commands) -> None:
    learn = commands.add_parser(
        "learn", help="your own usual levels, from mixes that you finished and gains that you changed",
        description="Measure how loud you set drums against the music, in folders of finished mixes (each the stems of "
        "music and drums as they were exported) and in the gains that decisions changed, and write it as a file that "
        "builds follow from then on.",
    )  # fmt: skip
    learn.add_argument("folders", nargs="*", type=Path, metavar="FOLDER", help="a finished mix, or a folder of them")
    learn.add_argument("-o", "--out", type=Path, default=None, metavar="FILE",
                       help="the file to write (default: taste.toml, beside the archive)")  # fmt: skip
    learn.add_argument("--archive", type=Path, default=None, metavar="DIR", help=ARCHIVE_HELP.replace(
        "%(default)s", str(ARCHIVE)))  # fmt: skip
    learn.add_argument("--replace", action="store_true",
                       help="where the file was edited, keep that one beside it under another name")  # fmt: skip
    learn.set_defaults(run=_learn)


def _learn(arguments: argparse.Namespace) -> int:
    from dossier.archive import Archive
    from dossier.beatfile import taste
    from dossier.cache import Cache
    from dossier.decide.policy import DEFAULTS
    from dossier.decide.taste import doubts, learn
    from dossier.memo import Memo
    from dossier.stages import finished

    if arguments.archive is not None:
        paths.archive_at(arguments.archive)
    archive = arguments.archive or ARCHIVE
    kept_in = Archive(archive, say=note) if archive.is_dir() else None
    decided = finished.decided(kept_in) if kept_in else []
    ears = finished.preferred(kept_in) if kept_in else {}
    target = arguments.out or taste.beside(archive)
    taste.write(target, None, over=arguments.replace)
    heard, lost = [], 0
    with Progress(0, note=None) as progress:
        for folder in arguments.folders:
            try:
                places = list(finished.pieces_in(folder))
            except OSError as error:
                raise DossierError(f"{shown(folder)}: {why_unreadable(error)}") from None
            if not places:
                raise DossierError(f"{shown(folder)}: holds no finished mixes: a folder each, with stems as exported")
            for place in places:
                progress.item(name_of(place))("measuring")
                try:
                    one = finished.measure_piece(place, Memo(Cache()), DEFAULTS)
                except (AudioError, BeatError) as error:
                    lost += 1
                    with progress.aside():
                        fail(str(error))
                    continue
                heard.append(one)
                with progress.aside():
                    say("\n    ".join([f"{one.heard.name}: {'; '.join(one.taken)}", *one.notes]))
    kept, copies = finished.distinct(heard)
    pieces = [one.heard for one in kept]
    mixed = {piece.name.casefold() for piece in pieces}
    pieces += [piece for piece in decided if piece.name.casefold() not in mixed]
    for remark in copies:
        say(remark)
    if len(pieces) < DEFAULTS["taste_fewest"]:
        few = f"{len(pieces)} piece{'s' if len(pieces) != 1 else ''} with drums"
        fail(f"{few}; from {DEFAULTS['taste_fewest']:.0f} on they say something of your taste. Nothing was written: "
             "add finished mixes, or record the gains that you changed with `dossier decide`")  # fmt: skip
        return USAGE
    for doubt in doubts(pieces, DEFAULTS):
        fail(doubt)
    counted = {piece.name.casefold() for piece in pieces}
    ears = {name: level for name, level in ears.items() if name.casefold() not in counted}
    learnt = learn(pieces, DEFAULTS, ears=ears)
    aside = taste.write(target, taste.text(learnt, made=now()), over=arguments.replace)
    _print_learnt(learnt)
    print(f"{shown(target)}: from {len(pieces)} pieces" + (f"; the one before is now {shown(aside)}" if aside else ""))
    return FAILED if lost else DONE


def _print_learnt(learnt: Sequence[Learnt]) -> None:
    from dossier.decide.taste import by_ear

    for one in learnt:
        held = "too few pieces: as usual beside all drums" if one.level_lu is None else f"held {one.level_lu:+.1f} LU"
        say(f"    {one.role or 'all drums':12s} found {one.found_lu:+6.1f} LU in {len(one.pieces):3d}; {held}")
        if told := by_ear(one):
            say(f"    {'':12s} {told}")
