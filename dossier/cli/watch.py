"""`dossier build --watch`: build again when what a beat is made of has changed and settled.

Conventions
    A change counts once nothing has changed for `SETTLED_S`, so a stem that is still being exported is left in peace.
    What lies in the archive or is hidden does not count.  One line a build; the first Ctrl-C ends the watch.
    The taste beside the archive may not be there yet, and its folder may hold anything, so it alone is looked at.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from dossier import inputs
from dossier.beatfile import taste
from dossier.cli.output import note
from dossier.errors import DossierError
from dossier.model.beat import Given

SETTLED_S = 1.0


def watch(places: Sequence[Path], given: Given, archive: Path, build: Callable[[Path], None]) -> None:
    """Call `build` for each beat whose files have settled, until interrupted; `build` names its own errors.

    Raises DossierError where the extra `watch` is not installed.
    """
    try:
        from watchfiles import watch as changes_in
    except ImportError:
        raise DossierError("--watch needs the extra 'watch': pip install 'dossier[watch]'") from None
    first = True  # the watch stands before anything is built: what changes meanwhile is not missed
    homes = {place: _homes(place, given, archive) for place in places}
    own = taste.beside(archive)
    followed = _state(own)
    while True:
        there = sorted({home for of_beat in homes.values() for home in of_beat if home.exists()})
        changed: set[Path] = set()
        for found in changes_in(
            *there, debounce=int(SETTLED_S * 1000), rust_timeout=int(SETTLED_S * 1000), yield_on_timeout=True,
            raise_interrupt=True, watch_filter=None,
        ):  # fmt: skip
            changed |= {Path(path) for _, path in found}
            now_followed = _state(own)
            every = first or now_followed != followed
            if found or not (changed or every):
                continue
            due = [place for place in places if every or _concerns(changed, place, homes[place], archive)]
            changed.clear()
            followed = now_followed
            for place in due:
                build(place)
            if first:
                note(f"watching {len(places)} beat{'s' if len(places) > 1 else ''}; Ctrl-C ends it")
                first = False
            now = {place: _homes(place, given, archive) for place in places}
            if now != homes:  # beat.toml names other folders
                homes = now
                break


def _state(path: Path) -> tuple[int, int] | None:
    """What changes with a file's content; None where there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size


def _homes(place: Path, given: Given, archive: Path) -> tuple[Path, ...]:
    """The folders in which a beat's files lie, as far as that can be told."""
    own = Path(os.path.abspath(place.parent if place.is_file() else place))
    try:
        beat = inputs.load(place, given)
    except DossierError:
        return own, *(Path(os.path.abspath(path)) for path in given.drums)
    files = [*(stem.path for stem in beat.stems), *(drum.path for drum in beat.drums)]
    files += [*(path for path in beat.config_files if path != taste.beside(archive)), *beat.references]
    known = [own, *beat.libraries]
    elsewhere = {path.parent for path in files if not any(home in path.parents for home in known)}
    return *known, *sorted(elsewhere)


def _concerns(changed: Iterable[Path], place: Path, homes: Sequence[Path], archive: Path) -> bool:
    """Whether a change is one of a beat's own: for a bounce in its folder, of that file alone."""
    own, out = Path(os.path.abspath(place)), Path(os.path.abspath(archive))

    def counts(path: Path) -> bool:
        home = next((home for home in homes[::-1] if home == path or home in path.parents), None)
        if home is None or out == path or out in path.parents:
            return False
        if any(part.startswith(".") for part in path.relative_to(home).parts):
            return False
        return home == own or home != homes[0] or path == own

    return any(map(counts, changed))
