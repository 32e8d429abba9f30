"""Print how kind and role are told apart by sound alone, with the files' names hidden.

    python tests/label_confusion.py [--wrong]

Sets: every labelled sound of the Debian package sonic-pi-samples (CC0), and the drum kits of fluid-soundfont-gm
rendered note by note with fluidsynth (every sound once; kits share most of their notes).  `--wrong` names what was
taken for something else.  The figures are those of a table fitted with these sets among others: `tests/fit_roles.py`
prints what is left when a whole set is kept out of the fit.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from labelled_sounds import GROUP_NAMES, GROUPS, Labelled, cc0, installed, kits

from dossier.measure import hits


def table(title: str, sounds: Iterable[Labelled], *, wrong: bool) -> tuple[int, int, int, int]:
    """Print one set's confusions; (roles right, roles, kinds right, kinds)."""
    counts = {row: dict.fromkeys((*GROUP_NAMES, "loop"), 0) for row in (*GROUP_NAMES, "loop")}
    exact = roles = role_right = kinds = kind_right = 0
    mistaken = []
    for sound in sounds:
        found = hits.measure(sound.samples, sound.rate_hz)
        kinds += 1
        kind_right += found.kind == sound.kind
        row = "loop" if sound.role is None else GROUPS[sound.role]
        column = "loop" if found.role is None else GROUPS[found.role]
        counts[row][column] += 1
        if sound.role is not None:
            roles += 1
            role_right += row == column
            exact += found.role == sound.role
        if row != column:
            taken = f"{sound.role or 'loop'} taken for {found.role or 'loop'}"
            mistaken.append(f"    {sound.name}: {taken} ({found.role_confidence:.2f})")
    print(f"{title}: {kinds} sounds")
    print(" " * 18 + "".join(f"{column:>16}" for column in (*GROUP_NAMES, "loop")))
    for row, columns in counts.items():
        print(f"  {row:16}" + "".join(f"{count:16d}" for count in columns.values()))
    print(
        f"  family of roles {role_right}/{roles} = {role_right / max(roles, 1):.1%}, exact {exact / max(roles, 1):.1%}"
    )
    print(f"  kind {kind_right}/{kinds} = {kind_right / max(kinds, 1):.1%}")
    if wrong:
        print("\n".join(mistaken))
    return role_right, roles, kind_right, kinds


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--wrong", action="store_true", help="name the sounds that were taken for something else")
    arguments = parser.parse_args()
    missing = installed()
    if missing:
        print("cannot be run without " + ", ".join(missing), file=sys.stderr)
        return 1
    first = table("CC0 sounds", cc0(), wrong=arguments.wrong)
    second = table("General MIDI kits", kits("FluidR3_GM.sf2", "kit"), wrong=arguments.wrong)
    role_right, roles, kind_right, kinds = (a + b for a, b in zip(first, second, strict=True))
    print(f"both: family of roles {role_right / roles:.1%} of {roles}, kind {kind_right / kinds:.1%} of {kinds}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
