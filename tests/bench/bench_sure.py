"""Whether drawn settings, judged from stored powers, agree with a beat that is really ranked again under them.

    python tests/bench/bench_sure.py BEAT... [--draws N]

Each of the first N draws goes into the beat's [policy] and listening level, and everything from the scene on is done
anew: placed, ranked, the kit chosen, the approach decided.  Printed: how often kind and direction agree, and how often
they are what the beat is told without a draw.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from msgspec.structs import replace

from dossier import inputs, stages
from dossier.cache import Cache
from dossier.decide import sensitivity
from dossier.model.beat import Beat
from dossier.stages.choice import approach_of
from dossier.stages.sensitivity import decided, drawn_over, draws


def under(beat: Beat, draw: sensitivity.Draw, intent: str, usual: dict[str, float]) -> Beat:
    """The beat with a draw's settings."""
    moved = {name: value for name, value in draw.policy.items() if name.startswith("weight_")}
    moved |= {"reference_tilt_db": draw.tilt_db, "masking_moved_db": draw.masking_db}
    for role, by in draw.levels_db.items():
        name = f"all_drums_{intent}_lu" if role is None else f"usual_{role.replace('-', '_')}_lu"
        moved[name] = usual[name] + by
    level = (usual["listening_level"] if beat.listening_level_db_spl is None else beat.listening_level_db_spl)
    return replace(beat, policy={**beat.policy, **moved}, listening_level_db_spl=level + draw.listening_db)


def main() -> None:
    arguments = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    arguments.add_argument("beats", type=Path, nargs="+")
    arguments.add_argument("--draws", type=int, default=10)
    asked = arguments.parse_args()
    agreed = total = 0
    with tempfile.TemporaryDirectory() as folder:
        cache = Cache(Path(folder))
        for path in asked.beats:
            beat = inputs.load(path)

            def ranked(one: Beat) -> tuple:
                analysis, memo = stages.analyse(one, cache, lambda _: None)
                ranking = stages.rank(analysis, memo)
                return analysis, ranking, approach_of(analysis.here, analysis.room, ranking, memo)

            started = time.perf_counter()
            analysis, ranking, approach = ranked(beat)
            rank_s, started = time.perf_counter() - started, time.perf_counter()
            sides, frames = drawn_over(analysis.here, ranking)
            drawn = draws(analysis.here, sides)
            found = [words for words, _ in decided(analysis.here, sides, frames, drawn)]
            drawn_s = time.perf_counter() - started
            told = sensitivity.words(approach.kind, approach.direction)
            again = []
            for draw in drawn[: asked.draws]:
                _, _, other = ranked(under(beat, draw, beat.intent, dict(analysis.here.policy)))
                again.append(sensitivity.words(other.kind, other.direction))
            same = [a == b for a, b in zip(found, again, strict=False)]
            agreed, total = agreed + sum(same), total + len(same)
            print(f"{path.name}: told {told}; {found.count(told)} of {len(found)} draws hold; ranked again "
                  f"{sum(same)} of {len(same)} agree with their draw, {again.count(told)} hold; "
                  f"ranking {rank_s:.1f} s, draws {drawn_s:.1f} s")  # fmt: skip
            for a, b in zip(found, again, strict=False):
                if a != b:
                    print(f"    drawn {a}, ranked again {b}")
    print(f"all: {agreed} of {total} agree")


if __name__ == "__main__":
    main()
