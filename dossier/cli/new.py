"""`dossier new`: a beat.toml to begin with, from what lies in a folder or in one bounced file."""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from shlex import quote

from dossier.cli.output import DONE, FAILED, Commands, add_given, fail, given_of, note
from dossier.errors import BeatError, Problem
from dossier.paths import name_of, shown
from dossier.terminal import Progress


def add(commands: Commands) -> None:
    new = commands.add_parser("new", help="write a beat.toml: what was found and estimated, as comments to correct")
    new.add_argument("place", type=Path, metavar="FOLDER|FILE",
                     help="a beat folder, or one bounced file, which gets a folder of its name beside it")  # fmt: skip
    add_given(new)
    new.add_argument("--print", action="store_true", help="only show it; nothing is written")
    new.set_defaults(run=_new)


def _new(arguments: argparse.Namespace) -> int:
    from dossier import files, inputs
    from dossier.beatfile import CONFIG_NAME
    from dossier.beatfile.draft import draft, home_relative
    from dossier.cache import Cache
    from dossier.stages.overview import overview

    place, given = arguments.place, given_of(arguments, 1)
    bounce = place.is_file()
    folder = place.with_suffix("") if bounce else place
    if not arguments.print:
        _refuse(folder, CONFIG_NAME, bounce)
    with Progress(1, note=None) as progress:
        beat = inputs.load(place, given)
        found = overview(beat, Cache(), progress.item(name_of(place)))
    stems = [os.path.relpath(stem.path, Path(os.path.abspath(folder))) for stem in found.beat.stems]
    text = draft(
        found, stem_files=[Path(stem).as_posix() for stem in stems], include=given.include, exclude=given.exclude,
        library=[home_relative(path) for path in beat.libraries], stem_hashes=inputs.stem_hashes(found.beat),
    )  # fmt: skip
    if arguments.print:
        print(text, end="")
    else:
        files.make_folder(folder)
        files.write_new(folder / CONFIG_NAME, text.encode())
        print(f"wrote {shown(folder / CONFIG_NAME)}\nRead it, correct it, then: dossier build {quote(shown(folder))}")
    for what in found.left_out:
        fail(f"left out: {what}")
    for told in found.notes[not found.beat.config_files :]:  # the first says that there is no beat.toml
        note(f"note: {told}")
    return FAILED if found.left_out else DONE


def _refuse(folder: Path, config: str, bounce: bool) -> None:
    """Nothing that is there is written over, nor taken for part of a bounce."""
    from dossier.beatfile.listing import named

    there = [name for wanted in (config, *(("stems", "drums") if bounce else ())) for name in named(folder, wanted)]
    if there:
        raise BeatError([Problem(shown(folder), "", f"holds {there[0]} already, which stays as it is; --print shows "
                                 "what would be written")])  # fmt: skip
