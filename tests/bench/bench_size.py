"""What the archive of a 3-minute beat takes on the disk, and what a change of words adds; fails above the limits.

    python tests/bench/bench_size.py [SECONDS [CANDIDATES]]

The beat is that of `bench_dossier.py`; `du` counts what lies there, a hard link once.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from bench_dossier import CANDIDATES, SECONDS, SETTINGS, build, write

WHOLE_MB, WORDS_MB = 100.0, 6.0
REWORDED = 'artist = "Nobody Inparticular"\n[[stems]]\nfile = "stems/stem-0.wav"\norigin = "played"\nrights = "own"\n'


def on_disk_mb(folder: Path) -> float:
    told = subprocess.run(["du", "-s", "-B1", folder], capture_output=True, text=True, check=True)
    return int(told.stdout.split()[0]) / 1e6


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else SECONDS
    candidates = int(sys.argv[2]) if len(sys.argv) > 2 else CANDIDATES
    with tempfile.TemporaryDirectory() as root:
        beat, out, cache = Path(root, "long-table"), Path(root, "site"), Path(root, "cache")
        write(beat, seconds, candidates)
        build(beat, out, cache)
        whole = on_disk_mb(out)
        reworded = SETTINGS.replace("Long Table", "Longer Table").replace("[pattern]", f"{REWORDED}[pattern]")
        (beat / "beat.toml").write_text(reworded, encoding="utf-8")
        build(beat, out, cache)
        more = on_disk_mb(out) - whole
        kept = sorted(out.glob("*/*-r*.json"), key=lambda path: path.stat().st_mtime)
        new = [path for path in (out / kept[-1].parent).rglob("*") if path.is_file() and path.stat().st_nlink == 1]
        for path in sorted(new, key=lambda path: -path.stat().st_size)[:12]:
            print(f"{path.stat().st_size / 1e6:8.2f} MB added by words alone: {path.relative_to(out)}")
    print(f"{seconds:g} s of music: {whole:.1f} MB (at most {WHOLE_MB:g}); a change of words: {more:.1f} MB "
          f"(at most {WORDS_MB:g}); {len(kept)} revisions")  # fmt: skip
    if len(kept) != 2 or whole > WHOLE_MB or more > WORDS_MB:
        sys.exit(1)


if __name__ == "__main__":
    main()
