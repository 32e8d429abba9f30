"""Three invented beats: their beat.toml, and the score that synthesises their audio.

    slow-ferry        open: a gut-string bass, felted keys, a far drone
    lantern-market    full: six parts in nearly every zone
    night-depot       in between: a long sub bass, sparse keys, a chopped voice
    shelf             no beat: a library of drums that two of them look through

Titles, artists, instruments, origins and rights are all made up, and every sound is computed: no recording, sample or
data from elsewhere is used.  `write` puts them into a folder of the user's; nothing is written into the package.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

SHELF = "shelf"
SLUGS = ("slow-ferry", "lantern-market", "night-depot")

__all__ = ["SHELF", "SLUGS", "write"]


def write(folder: Path, *, progress: Callable[[str], None] | None = None) -> list[Path]:
    """Write the demo beats and their library into `folder`; the beats' folders, in the order of `SLUGS`.

    What is there already is kept: a file that is as it was written is not made again, a file that somebody changed or
    put there is never touched.  A file that is missing, or that an older score wrote and nobody changed, is written
    anew.  Every file appears in one step; an interrupted call can simply be repeated.

    Parameters
    ----------
    folder
        Where the beats go; made if needed.
    progress
        Called with a file's name (`slow-ferry/stems/gut-bass.wav`) before it is made.

    Raises
    ------
    ArchiveError
        The folder cannot be written to.
    """
    from .writing import write_beat

    write_beat(SHELF, folder, progress=progress)
    return [write_beat(slug, folder, progress=progress) for slug in SLUGS]
