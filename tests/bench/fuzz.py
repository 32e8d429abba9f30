"""Mutations of good inputs, thousands of them: each is read or refused in words, in bounded time and memory.

    PYTHONPATH=tests python tests/bench/fuzz.py [--count 1000] [--seed 1] [--kinds wav,flac,toml]

One line a kind: how many were read, how many refused, the slowest in milliseconds.  Anything else that is raised is a
fault: it is printed with the seed and the mutation that lead to it, the input is kept in a temporary folder, and the
exit code is 1.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import factory
import numpy as np
from badinput import audio_files, beat_folders
from badinput.responses import GOOD

from dossier import audio, beatfile
from dossier.archive.dataformat import encode, read_data
from dossier.archive.decisions import read_log, read_response
from dossier.arrange import midi
from dossier.arrange.pattern import PatternError
from dossier.errors import DossierError
from dossier.model.beat import Pattern, PatternHit

Act = Callable[[bytes, Path], object]
SLOWEST_S = 20.0
EDGES = (0, 1, 0x7F, 0x80, 0xFF)
WIDE = (0, 1, 2**15, 2**16 - 1, 2**31 - 1, 2**31, 2**32 - 1)
WORDS = (
    b"nan", b"inf", b"-1", b"1e999", b"9" * 400, b"true", b"null", b'""', b"[]", b"{}", b"\\u0000", b"\xff", b"\0",
    b"\xef\xbb\xbf", b"'''", b'"""', b"[" * 99, b"a." * 99, b"\r", b"\n", b"../", b"/dev/zero", b"=", b"#",
)  # fmt: skip


def mutated(whole: bytes, rng: random.Random) -> tuple[bytes, str]:
    """One to four mutations, most of them near the start, where headers are."""
    made, told = bytearray(whole), []
    for _ in range(rng.choice((1, 1, 1, 2, 4))):
        size = max(1, len(made))
        at = min(int(size * rng.random() ** rng.choice((1, 4, 8))), size - 1)
        how = rng.choice(("flip", "byte", "wide", "cut", "drop", "twice", "zeros", "noise", "word", "swap"))
        told.append(f"{how}@{at}")
        length = rng.choice((1, 2, 4, 16, 256))
        match how:
            case "flip" if made:
                made[at] ^= 1 << rng.randrange(8)
            case "byte":
                made[at : at + 1] = bytes([rng.choice(EDGES)])
            case "wide":
                made[at : at + 4] = rng.choice(WIDE).to_bytes(4, rng.choice(("little", "big")))
            case "cut":
                del made[at:]
            case "drop":
                del made[at : at + length]
            case "twice":
                made[at:at] = made[at : at + length] * rng.choice((1, 1, 50))
            case "zeros":
                made[at : at + length] = bytes(length)
            case "noise":
                made[at : at + length] = rng.randbytes(length)
            case "word":
                made[at : at + length] = rng.choice(WORDS)
            case "swap":
                here, there = slice(at, at + length), slice(other := rng.randrange(size), other + length)
                made[here], made[there] = made[there], made[here]
    return bytes(made), " ".join(told)


def read_audio(suffix: str) -> Act:
    def act(content: bytes, folder: Path) -> None:
        path = folder / f"x{suffix}"
        path.write_bytes(content)
        samples = audio.read(path, shown_as=path.name).samples
        assert np.isfinite(samples).all()
        audio.read_tags(path)

    return act


def read_toml(content: bytes, folder: Path) -> object:
    (folder / "beat.toml").write_bytes(content)
    return beatfile.load(folder)


def read_midi(content: bytes, folder: Path) -> object:
    (folder / "groove.mid").write_bytes(content)
    (folder / "beat.toml").unlink(missing_ok=True)
    beatfile.load(folder)
    return midi.read(content)


def kinds() -> dict[str, tuple[bytes, Act]]:
    """A good input of each kind and what reads it."""
    sound = audio_files.noise(frames=6_000)
    coded = {
        "wav": ("WAV", "PCM_24"), "rf64": ("RF64", "PCM_16"), "flac": ("FLAC", "PCM_16"), "aiff": ("AIFF", "PCM_16"),
        "mp3": ("MP3", "MPEG_LAYER_III"), "ogg": ("OGG", "VORBIS"), "opus": ("OGG", "OPUS"),
    }  # fmt: skip
    data, log = factory.dossier(bars=1), json.dumps({
        "id": "d0001", "made": "2026-03-02T09:00:00Z", "revision": "r001", "identity": "cd" * 32, "by": "Mara Example",
        "status": "note", "text": "x",
    }).encode() + b"\n"  # fmt: skip
    kicks = tuple(PatternHit("kick", float(beat), 0.8) for beat in range(8))
    groove = midi.write(Pattern(kicks, 8.0, "x"), tempo_bpm=92.0, meter=(4, 4))
    toml = beat_folders.GOOD_TOML.split("[reference]")[0].encode()
    return {
        **{name: (audio_files.encoded(sound, *how), read_audio("." + name)) for name, how in coded.items()},
        "midi": (groove, read_midi), "toml": (toml, read_toml),
        "data": (encode(data), lambda content, _: read_data(content)),
        "response": (GOOD, lambda content, _: read_response(content)),
        "log": (log * 3, lambda content, _: read_log(content)),
    }  # fmt: skip


def fuzz(name: str, whole: bytes, act: Act, *, count: int, seed: int) -> list[str]:
    """Faults of one kind, in words; a line on the rest is printed."""
    seen: Counter[str] = Counter()
    faults: list[str] = []
    slowest = 0.0
    with tempfile.TemporaryDirectory() as made:
        folder = beat_folders.fill(Path(made) / "x")
        act(whole, folder)  # unchanged, it is good
        for number in range(count):
            content, how = mutated(whole, random.Random(f"{name} {seed} {number}"))
            begun = time.perf_counter()
            try:
                act(content, folder)
                seen["read"] += 1
            except (DossierError, PatternError) as error:
                seen["refused"] += 1
                if not str(error) or "\x1b" in str(error) or len(str(error)) > 20_000:
                    faults.append(f"{name} {number} ({how}): says {str(error)[:80]!r}")
            except Exception as error:
                kept = Path(tempfile.mkdtemp(prefix="dossier-fuzz-")) / f"{name}-{seed}-{number}"
                kept.write_bytes(content)
                faults.append(f"{name} {number} ({how}): {type(error).__name__}: {str(error)[:200]} ({kept})")
            slowest = max(slowest, time.perf_counter() - begun)
    if slowest > SLOWEST_S:
        faults.append(f"{name}: one took {slowest:.1f} s")
    counts = f"{seen['read']:6} read {seen['refused']:6} refused {len(faults):4} faults"
    print(f"{name:9} {counts}, slowest {1e3 * slowest:.0f} ms")
    return faults


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=1_000, help="mutations a kind")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kinds", default="", help="separated by commas (default: all)")
    told = parser.parse_args(argv)
    all_kinds = kinds()
    wanted = told.kinds.split(",") if told.kinds else list(all_kinds)
    faults = [fault for name in wanted for fault in fuzz(name, *all_kinds[name], count=told.count, seed=told.seed)]
    print("\n".join(faults) or f"no fault in {told.count * len(wanted)} mutations")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
