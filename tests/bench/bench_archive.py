"""An archive of many beats: how long its page takes to make, what in it takes the time, and how large it is.

    PYTHONPATH=tests python tests/bench/bench_archive.py [beats] [revisions] [data file to repeat]

The beats are the tests' invented dossier with other names and stems, or the data file that is given, repeated.
"""

from __future__ import annotations

import cProfile
import pstats
import sys
import tempfile
import time
from pathlib import Path

from factory import decision, dossier, hash_of
from msgspec.structs import replace

from dossier import pipeline
from dossier.archive import Archive, dataformat
from dossier.model.datafile import DossierData


def write_archive(root: Path, beats: int, revisions: int, like: DossierData) -> Archive:
    """Data files and small pages, written as `publish` lays them out (which flushes each to the disk)."""
    for number in range(beats):
        slug = f"{like.beat.slug}-{number:03d}"
        folder = root / slug
        folder.mkdir(parents=True)
        inputs = tuple(replace(entry, sha256=hash_of(f"{number} {entry.file}")) for entry in like.inputs)
        marks = []
        for count in range(1, revisions + 1):
            made = f"2026-{1 + count:02d}-{1 + number % 28:02d}T10:00:00Z"
            mark = hash_of(f"{slug} {count}")
            previous = f"r{count - 1:03d}" if count > 1 else None
            data = replace(
                like, beat=replace(like.beat, slug=slug, title=f"{like.beat.title} {number}"), inputs=inputs,
                revision=replace(like.revision, id=f"r{count:03d}", made=made, identity=mark, previous=previous),
            )  # fmt: skip
            (folder / f"{slug}-r{count:03d}.json").write_bytes(dataformat.encode(data))
            (folder / f"{slug}-r{count:03d}.html").write_text("<!doctype html><title>page</title>")
            (folder / f"{slug}-r{count:03d}").mkdir()
            marks.append((f"r{count:03d}", mark))
        told = replace(decision(), revision=marks[-1][0], identity=marks[-1][1])
        (folder / "decisions.jsonl").write_bytes(dataformat.encode(told).replace(b"\n", b" ") + b"\n")
    return Archive(root)


def main() -> None:
    beats = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    revisions = int(sys.argv[2]) if len(sys.argv) > 2 else 5
    like = dataformat.read_data(Path(sys.argv[3]).read_bytes()) if len(sys.argv) > 3 else dossier()
    with tempfile.TemporaryDirectory() as place:
        archive = write_archive(Path(place), beats, revisions, like)
        for name in ("first", "again"):
            began, cpu = time.perf_counter(), time.process_time()
            profile = cProfile.Profile()
            if name == "again":
                profile.enable()
            page = pipeline.index(Archive(archive.root))
            profile.disable()
            print(f"{beats} beats x {revisions} revisions, {name}: index in {time.perf_counter() - began:.2f} s, "
                  f"{time.process_time() - cpu:.2f} s of CPU; page {page.stat().st_size / 1e6:.2f} MB, "
                  f"archive.json {(archive.root / 'archive.json').stat().st_size / 1e6:.2f} MB")  # fmt: skip
        pstats.Stats(profile).sort_stats("cumtime").print_stats(25)


if __name__ == "__main__":
    main()
