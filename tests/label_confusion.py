"""Print how kind and role are told apart by sound alone, with the files' names hidden.

    python tests/label_confusion.py [--wrong]

Roles are told by a table that was fitted without the set a sound belongs to (`tests/fit_roles.py`), kinds by
`dossier.measure.hits`.  The sets are those of `tests/labelled_sounds.py`.  `--wrong` names what was taken for something
else.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from fit_roles import MADE_OF_EACH, left_out, rows_of, share, synthesised
from labelled_sounds import GROUPS, cc0, installed, recorded

from dossier.measure import hits
from dossier.model.vocabulary import ROLES


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--wrong", action="store_true", help="name the sounds that were taken for something else")
    arguments = parser.parse_args()
    missing = installed()
    if missing:
        print("cannot be run without " + ", ".join(missing), file=sys.stderr)
        return 1
    told = left_out(rows_of([*recorded(), *synthesised(1, MADE_OF_EACH)]))
    every = [pair for pairs in told.values() for pair in pairs]
    counts = Counter((role, found) for _, role, found in every)
    print(" " * 12 + "".join(f"{role[:11]:>12}" for role in ROLES))
    for role in ROLES:
        print(f"{role:12}" + "".join(f"{counts[role, found]:12d}" for found in ROLES))
    for source, pairs in told.items():
        print(f"{source}: {share(pairs)}")
        for name, role, found in pairs if arguments.wrong else ():
            if GROUPS[role] != GROUPS[found]:
                print(f"    {name}: {role} taken for {found}")
    print(f"all, each set left out of the fit: {share(every)}")
    kinds = [(sound.kind, hits.measure(sound.samples, sound.rate_hz).kind) for sound in cc0()]
    right = sum(kind == found for kind, found in kinds)
    print(f"kind, CC0 sounds: {right}/{len(kinds)} = {right / len(kinds):.1%}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
