"""Labelled open drum sounds that a Debian system can have: real ones, and a General MIDI kit played note by note.

Labels come from the names of files and instruments and from the General MIDI Level 1 percussion map (notes 35 to 81;
MEM).  Nothing is copied into the project: the packages are listed at `installed`.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import mido
import numpy as np
import soundfile

from dossier.measure.file_names import role_from_name

CC0_FOLDER = Path("/usr/share/sonic-pi/samples")
SOUNDFONTS = Path("/usr/share/sounds/sf2")
PATCHES = Path("/usr/share/midi/freepats/Drum_000")
DRUM_KITS = Path("/usr/share/hydrogen/data/drumkits")
# What is left out of a fit together: kits of one maker, and small kits of one sort.
_SETS = {
    "acoustic kits": ("BJA_Pacific", "ColomboAcousticDrumkit", "ForzeeStereo", "Millo-Drums_v.1", "Millo_MultiLayered2",
                      "Millo_MultiLayered3"),
    "rock and hand drums": ("GMRockKit", "Gimme A Hand 1.0", "The Black Pearl 1.0"),
    "electronic kits": ("Audiophob", "ElectricEmpireKit", "HardElectro1", "TR808EmulationKit", "VariBreaks"),
    "west African drums": ("circAfrique v4",),
}  # fmt: skip
# A soundfont of the same samples is left out with the one that it stems from.
SOUNDFONT_SETS = {"FluidR3_GM.sf2": "FluidR3_GM.sf2", "MuseScore_General_Lite.sf3": "FluidR3_GM.sf2",
                  "TimGM6mb.sf2": "TimGM6mb.sf2", "OPL-3_FM_128M.sf2": "OPL-3_FM_128M.sf2"}  # fmt: skip
KITS = {"standard": 0, "room": 8, "power": 16, "electronic": 24, "analogue": 25, "jazz": 32, "brush": 40}

GM_ROLES = {
    35: "kick", 36: "kick", 37: "rim", 38: "snare", 39: "clap", 40: "snare", 41: "tom", 42: "closed-hat", 43: "tom",
    44: "closed-hat", 45: "tom", 46: "open-hat", 47: "tom", 48: "tom", 49: "crash", 50: "tom", 51: "ride", 52: "crash",
    53: "ride", 54: "percussion", 55: "crash", 56: "percussion", 57: "crash", 58: "percussion", 59: "ride",
    60: "percussion", 61: "percussion", 62: "percussion", 63: "percussion", 64: "percussion", 65: "percussion",
    66: "percussion", 67: "percussion", 68: "percussion", 69: "shaker", 70: "shaker", 73: "percussion",
    74: "percussion", 75: "percussion", 76: "percussion", 77: "percussion", 78: "percussion", 79: "percussion",
    80: "percussion", 81: "percussion",
}  # fmt: skip

GROUPS = {
    "kick": "kick", "snare": "snare-clap", "clap": "snare-clap", "rim": "snare-clap", "closed-hat": "hat-cymbal",
    "open-hat": "hat-cymbal", "ride": "hat-cymbal", "crash": "hat-cymbal", "tom": "tom-percussion",
    "shaker": "tom-percussion", "percussion": "tom-percussion",
}  # fmt: skip
GROUP_NAMES = ("kick", "snare-clap", "hat-cymbal", "tom-percussion")


@dataclass(frozen=True)
class Labelled:
    source: str
    name: str
    kind: str
    role: str | None
    samples: np.ndarray
    rate_hz: int


def label(stem: str) -> tuple[str, str | None] | None:
    """(kind, role) that a CC0 file's name states, None where it states none."""
    if stem.startswith("loop_"):
        return "loop", None
    if stem.startswith("bd_") or stem.startswith("drum_bass") or stem.endswith("_kick"):
        return "one-shot", "kick"
    if stem.startswith("sn_") or "snare" in stem:
        return "one-shot", "snare"
    if stem.startswith("perc_snap"):
        return "one-shot", "clap"
    if stem in ("drum_cymbal_closed", "drum_cymbal_pedal"):
        return "one-shot", "closed-hat"
    if stem == "drum_cymbal_open":
        return "one-shot", "open-hat"
    if "cymbal" in stem or "splash" in stem:
        return "one-shot", "crash"
    if "_tom" in stem:
        return "one-shot", "tom"
    if stem.startswith(("perc_", "tabla_")) or stem in ("drum_cowbell", "elec_triangle", "elec_wood", "elec_bell"):
        return "one-shot", "percussion"
    return None


def cc0() -> Iterator[Labelled]:
    for path in sorted(CC0_FOLDER.glob("*.flac")):
        found = label(path.stem)
        if found is not None:
            samples, rate = soundfile.read(path, dtype="float32", always_2d=True)
            yield Labelled("cc0", path.stem, found[0], found[1], samples, rate)


def kit(soundfont: str, program: int, source: str, *, velocity: int = 100, reverb: bool = False) -> Iterator[Labelled]:
    """Every note of a GM kit, four seconds each, as fluidsynth plays it."""
    rate, apart_s = 44100, 4.0
    song = mido.MidiFile(ticks_per_beat=480)
    track = mido.MidiTrack()
    song.tracks.append(track)
    track.append(mido.MetaMessage("set_tempo", tempo=500000))  # 960 ticks a second
    track.append(mido.Message("program_change", channel=9, program=program, time=0))
    for index, note in enumerate(GM_ROLES):
        track.append(mido.Message("note_on", channel=9, note=note, velocity=velocity, time=48 if not index else 2880))
        track.append(mido.Message("note_off", channel=9, note=note, velocity=0, time=960))
    track.append(mido.MetaMessage("end_of_track", time=2880))
    with tempfile.TemporaryDirectory() as folder:
        midi, wave = Path(folder) / "kit.mid", Path(folder) / "kit.wav"
        song.save(midi)
        command = f"fluidsynth -ni -g 0.5 -R {int(reverb)} -C 0 -r {rate} -F".split()
        files = [str(wave), str(next(SOUNDFONTS.parent.glob(f"sf?/{soundfont}"))), str(midi)]
        subprocess.run([*command, *files], check=True, capture_output=True)
        samples, _ = soundfile.read(wave, dtype="float32", always_2d=True)
    for index, (note, role) in enumerate(GM_ROLES.items()):
        first = int((0.045 + index * apart_s) * rate)
        sound = samples[first : first + int(apart_s * rate) - 400]
        if len(sound) and np.abs(sound).max() > 1e-4:
            yield Labelled(source, f"{soundfont}/{program}/{note}", "one-shot", role, sound, rate)


def kits(soundfont: str, source: str) -> Iterator[Labelled]:
    """The kits of a soundfont, every sound once: kits share most of their notes."""
    seen: set[bytes] = set()
    for program in KITS.values():
        for sound in kit(soundfont, program, source):
            key = sound.samples[:20000].tobytes()
            if key not in seen:
                seen.add(key)
                yield sound


def patches() -> Iterator[Labelled]:
    """The percussion patches of `freepats`, in the GUS patch format: 239 bytes of headers, then a sample's own 96."""
    for path in sorted(PATCHES.glob("*.pat")):
        role = GM_ROLES.get(int(path.name[:3]))
        if role is None:
            continue
        data = path.read_bytes()
        head = data[239:335]
        size, rate = int.from_bytes(head[8:12], "little"), int.from_bytes(head[20:22], "little")
        wide, unsigned = head[55] & 1, head[55] & 2
        code = ("<u2" if unsigned else "<i2") if wide else ("u1" if unsigned else "i1")
        values = np.frombuffer(data[335 : 335 + size], code).astype(np.float32)
        half = 32768.0 if wide else 128.0
        samples = (values - half if unsigned else values) / half
        yield Labelled("freepats", f"freepats/{path.stem}", "one-shot", role, samples[:, None], rate)


def drum_kits() -> Iterator[Labelled]:
    """Instruments of the kits in `hydrogen-drumkits` and `hydrogen-data`: the loudest layer and one in the middle.

    An instrument's name states its role; what is half open, choked, rolled, without its wires or a ride's bell is no
    clear case of a role and left out.
    """
    for source, folders in _SETS.items():
        for folder in (DRUM_KITS / name for name in folders):
            tree = ET.fromstring(re.sub(rb'xmlns="[^"]*"', b"", (folder / "drumkit.xml").read_bytes()))
            for number, instrument in enumerate(tree.iter("instrument")):
                name = (instrument.findtext("name") or "").split("(")[0].strip()
                role: str | None = role_from_name(re.sub(r"Opened|\bOp\b", "open", name))
                if role is None and re.search(r"\bstick\b", name, re.IGNORECASE):
                    role = "rim"
                unclear = r"semi|free|swish|choke|roll|(?<!cow)bell$|ride bell|crash/ride|cymbal \d"
                if role is None or re.search(unclear, name, re.IGNORECASE):
                    continue
                layers = [e.text for e in instrument.iter("filename") if e.text and not re.search("empty|Off", e.text)]
                for file in dict.fromkeys([*layers[-1:], *layers[len(layers) // 2 :][:1]]):
                    if not (folder / file).is_file():
                        continue
                    samples, rate = soundfile.read(folder / file, dtype="float32", always_2d=True)
                    if len(samples) and np.abs(samples).max() > 1e-4:
                        yield Labelled(source, f"{folder.name}/{number} {file}", "one-shot", role, samples, rate)


def recorded() -> Iterator[Labelled]:
    """Every labelled sound of the packages, each with the set that it is left out with."""
    yield from cc0()
    yield from patches()
    yield from drum_kits()
    for font, source in SOUNDFONT_SETS.items():
        yield from kits(font, source)
        yield from kit(font, 0, source, velocity=60, reverb=True)


def installed() -> list[str]:
    """What is missing for the sets, in words; empty when nothing is."""
    places = {
        "sonic-pi-samples (CC0)": CC0_FOLDER, "freepats": PATCHES, "hydrogen-drumkits": DRUM_KITS / "Audiophob",
        "hydrogen-data": DRUM_KITS / "GMRockKit", "fluid-soundfont-gm": SOUNDFONTS / "FluidR3_GM.sf2",
        "timgm6mb-soundfont": SOUNDFONTS / "TimGM6mb.sf2", "opl3-soundfont": SOUNDFONTS / "OPL-3_FM_128M.sf2",
        "musescore-general-soundfont-small": SOUNDFONTS.parent / "sf3" / "MuseScore_General_Lite.sf3",
    }  # fmt: skip
    missing = [f"package {name}" for name, place in places.items() if not place.exists()]
    return missing if shutil.which("fluidsynth") else [*missing, "program fluidsynth"]
