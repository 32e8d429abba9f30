"""Everything that `dossier measure` measures of a 180 s stereo stem, as a ratio to ffmpeg's ebur128 with true peak.

    python tests/bench/bench_measure.py

The two alternate; the median of the ratios is printed.  Bar: 1.3.  Imports are not counted, starting ffmpeg is.
"""

from __future__ import annotations

import shutil
import statistics
import subprocess
import tempfile
from functools import partial
from pathlib import Path

from bench_measure_loudness import RATE, TURNS, seconds_of, sounds

from dossier import audio
from dossier.model.beat import DrumFile
from dossier.stages.candidates import measure_file


def everything(path: Path) -> None:
    info = audio.read_info(path, shown_as=path.name)
    drum = DrumFile(file=path.name, path=path)
    measure_file(info.clip, drum=drum, channels=info.channels, bit_depth=info.bit_depth)


def scan(ffmpeg: str, path: Path) -> None:
    command = [ffmpeg, "-nostats", "-i", str(path), "-af", "ebur128=peak=true", "-f", "null", "-"]
    subprocess.run(command, check=True, capture_output=True)


def main() -> None:
    ffmpeg = shutil.which("ffmpeg")
    if ffmpeg is None:
        import imageio_ffmpeg

        ffmpeg = imageio_ffmpeg.get_ffmpeg_exe()
    for name, samples in sounds(180).items():
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "stem.wav"
            path.write_bytes(audio.wav_bytes(samples, RATE))
            everything(path)
            ours, theirs = partial(everything, path), partial(scan, ffmpeg, path)
            ratios = [seconds_of(ours) / seconds_of(theirs) for _ in range(TURNS)]
        print(f"{name:12s} everything / ffmpeg {statistics.median(ratios):.2f} (bar 1.3)")


if __name__ == "__main__":
    main()
