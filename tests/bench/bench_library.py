"""A library of one-shots: memory, time to measure against decoding, a second beat, ranking, and the same winners.

    PYTHONPATH=tests:tests/stages python tests/bench/bench_library.py [files] [loops] [folder to keep it in]

The library is made by the bench from real sounds, each retuned, shortened and turned down by seeded amounts.  Winners:
of 500 files, ranked as usual and with every file looked at closely, the best of each role and the kit.  The machine's
other work moves CPU seconds too: decoding is timed before and after, and ratios count.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile as sf
import test_library
from common_beats import instrumental, write_beat
from msgspec.structs import replace

from dossier import audio, inputs, stages
from dossier.cache import Cache
from dossier.memo import Memo
from dossier.model.beat import Given
from dossier.model.parts import Ranking
from dossier.stages import candidates, library, ranking, seen_drums

ALL = {"closely_per_role": 1e9, "sifted_loops": 1e9, "closely_loops": 1e9}


def winners(found: Ranking) -> tuple[dict[str, str], dict[str, str]]:
    best: dict[str, str] = {}
    for item in (*found.loops, *found.one_shots):
        if item.closely:
            best.setdefault(item.part.role or "loop", item.drum.name)
    return best, {m.role: m.file for m in found.kit.members} if found.kit else {}


def write_library(folder: Path, files: int, loops: int) -> None:
    test_library.ONE_SHOTS, test_library.LOOPS = files, loops
    test_library.write_library(folder)


def same_winners(root: Path) -> None:
    write_library(root / "some", 500, 0)
    beat = write_beat(root / "beat-500", instrumental("open", 126.0, bars=4), {}, bpm=126.0)
    loaded = inputs.load(beat, Given(drums=(root / "some",)))
    told = []
    for policy in ({}, ALL):
        analysis, memo = stages.analyse(replace(loaded, policy=policy), Cache(root / "cache-500"), lambda _: None)
        drums = {drum.name: drum for drum in analysis.drums}
        found = ranking.rank(analysis, memo)
        told.append(winners(found))
        if policy:
            for role, name in told[-1][0].items():
                group = [d for d in analysis.drums if d.kind == "one-shot" and d.role == role]
                scores = library.coarse_scores(group, role, analysis.here, analysis.groove)  # type: ignore[arg-type]
                own = scores[[d.name for d in group].index(name)]
                closely = {i.drum.name: i.score for i in found.one_shots}
                both = np.corrcoef(scores, [closely[d.name] for d in group])[0, 1] if len(group) > 2 else 1.0
                print(f"  {role}: winner {name} is number {1 + sum(s > own for s in scores)} of {len(group)} in the "
                      f"coarse order; correlation {both:.3f}")  # fmt: skip
        assert drums
    print(f"same best of each role: {told[0][0] == told[1][0]}; same kit: {told[0][1] == told[1][1]}")
    print("  differing:", {r: (n, told[0][0].get(r)) for r, n in told[1][0].items() if told[0][0].get(r) != n})


def decoding(paths: list[Path]) -> float:
    """CPU seconds a file."""
    began = time.process_time()
    for path in paths:
        sf.read(path, dtype="float32")
    return (time.process_time() - began) / len(paths)


def main() -> None:
    files = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    loops = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    with tempfile.TemporaryDirectory() as place:
        root = Path(place)
        same_winners(root)
        lib = Path(sys.argv[3]) if len(sys.argv) > 3 else root / "lib"
        if not lib.exists():
            write_library(lib, files, loops)
        paths = sorted(lib.rglob("*.wav"))
        few = paths[:: max(1, len(paths) // 1000)]
        cache, given = Cache(root / "cache"), Given(drums=(lib,))
        for name, bpm in (("first", 126.0), ("second", 98.0)):
            audio.digests.clear()  # as another run would find it
            beat = write_beat(root / name, instrumental("open", bpm, bars=8), {}, bpm=bpm)
            decoded = decoding(few)
            began, cpu = time.perf_counter(), time.process_time()
            loaded = inputs.load(beat, given)
            with inputs.digests_kept(cache):
                inputs.identity_of(loaded)
            found = time.process_time() - cpu
            drums, _, _ = seen_drums.read_drums(candidates.pinned(loaded), Memo(cache), lambda _: None, few=200)
            read, read_cpu = time.perf_counter() - began, time.process_time() - cpu
            decoded = (decoded + decoding(few)) / 2
            print(f"{name} beat: {len(drums)} drums known after {read:.1f} s, {read_cpu:.1f} s of CPU\n"
                  f"  a file {1e3 * read_cpu / files:.2f} ms, {read_cpu / files / decoded:.1f} x decoding "
                  f"({1e3 * decoded:.2f} ms); of that listing and digests {found / files / decoded:.1f} x")  # fmt: skip
            analysis, memo = stages.analyse(loaded, cache, lambda _: None)
            began, cpu = time.perf_counter(), time.process_time()
            library.sift(analysis.drums, analysis.here, analysis.groove, frozenset())
            print(f"  sifting: {time.perf_counter() - began:.1f} s, {time.process_time() - cpu:.1f} s of CPU")
            for what in ("ranking", "ranking again, what is left being measured"):
                began, cpu = time.perf_counter(), time.process_time()
                ranked = stages.rank(analysis, memo)
                print(f"  {what}: {time.perf_counter() - began:.1f} s, {time.process_time() - cpu:.1f} s of CPU; "
                      f"{len(ranked.one_shots)} looked at closely")  # fmt: skip
                memo = memo.within("again")
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            print(f"  peak memory {peak:.0f} MiB", flush=True)


if __name__ == "__main__":
    main()
