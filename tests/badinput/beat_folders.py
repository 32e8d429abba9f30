"""Beat folders and beat.toml files, good, odd and bad.

The files are stand-ins of a few bytes: what reads a beat folder lists audio and never opens it.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

FILES = ("stems/bass.wav", "stems/pad.flac", "drums/kick.wav", "drums/snare.wav", "drums/loops/break_92bpm.wav")
GROOVE = b"MThd\0\0\0\6\0\0\0\1\1\xe0MTrk\0\0\0\x0d\0\x99\x24\x64\x83\x60\x89\x24\0\0\xff\x2f\0"  # one kick


# Every key of beat.toml once, for a folder of `FILES` beside a folder refs/ that holds a.wav.
LOOP = "[[drums]]\nfile = 'drums/loops/break_92bpm.wav'\n"

GOOD_TOML = """
title = "Night  Bus"
artist = "The \\u202eInvented"
id = "night-bus-1"
library = ["drums/loops"]
include = ["*"]
exclude = ["*.flac"]
tempo = 92
meter = "6/8"
key = "F# minor"
first_downbeat = 0.25
swing = 56
target_loudness = -14
intent = "tucked"
voice = "in-stems"
listening_level = 70
[intents]
kick = "forward"
"closed hat" = "level"
[[stems]]
file = "stems/pad.flac"
role = "chords"
gain_db = -3
start = "bar 1"
origin = "played by  A. Nobody"
rights = "own"
[[drums]]
file = "drums"
origin = "folder"
rights = "licensed"
[[drums]]
file = "drums/loops"
kind = "loop"
tempo = 92
[[drums]]
file = "drums/loops/break_92bpm.wav"
tempo = 92
means = "sliced"
slices = [0.0, 0.33, 0.65]
feel = "beat"
plays = { kick = 0.0, "closed hat" = 0.4 }
[[drums]]
file = "drums/kick.wav"
kind = "one shot"
role = "kick"
rights = "cleared"
[kit]
kick = "drums/kick.wav"
[pattern]
steps_per_beat = 2
lines = ["kick |x-x---|", "closed hat |xxxxxx|"]
[pattern.sections.hook]
lines = ["snare |--x---|"]
[[sections]]
name = "verse"
bars = 8
intent = "level"
[[sections]]
name = "hook"
bars = 4
[[sections]]
name = "verse"
bars = 16
[reference]
files = ["../refs/a.wav"]
[policy]
open_below = 0.5
full_above = 1
"""


@dataclass(frozen=True, slots=True)
class BadToml:
    """A beat.toml in a folder of `FILES`; `problems` are (key path, words of its message), in order."""

    name: str
    text: str
    problems: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class BadFolder:
    """A folder that is no beat; `says` are words of its messages."""

    name: str
    make: Callable[[Path], None]
    says: tuple[str, ...]


def fill(folder: Path, *files: str, toml: str | bytes | None = None) -> Path:
    """A beat folder with these stand-ins (`FILES` where none are named)."""
    for name in files or FILES:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"stand-in for " + os.fsencode(name))
    folder.mkdir(parents=True, exist_ok=True)
    if toml is not None:
        (folder / "beat.toml").write_bytes(toml.encode() if isinstance(toml, str) else toml)
    return folder


def with_toml(toml: str | bytes) -> Callable[[Path], None]:
    return lambda folder: fill(folder, toml=toml) and None


def file_instead(folder: Path) -> None:
    folder.write_bytes(b"x")


def loop(path: Path) -> None:
    other = path.with_name("other")
    other.symlink_to(path)
    path.symlink_to(other)


def looping_stems(folder: Path) -> None:
    folder.mkdir()
    loop(folder / "stems")


def groove(content: bytes) -> Callable[[Path], None]:
    return then(lambda folder: (folder / "groove.mid").write_bytes(content))


def groove_asked_for(content: bytes) -> Callable[[Path], None]:
    def make(folder: Path) -> None:
        fill(folder, toml="[pattern]\nmidi = 'groove.mid'")
        (folder / "groove.mid").write_bytes(content)

    return make


def only(*files: str) -> Callable[[Path], None]:
    return lambda folder: fill(folder, *files) and None


def then(*steps: Callable[[Path], object]) -> Callable[[Path], None]:
    """A filled folder, and something done to it."""

    def make(folder: Path) -> None:
        fill(folder)
        for step in steps:
            step(folder)

    return make


def rename(old: str, new: str) -> Callable[[Path], object]:
    return lambda folder: (folder / old).rename(folder / new)


def link(name: str, target: str) -> Callable[[Path], object]:
    return lambda folder: (folder / name).symlink_to(target)


ALLOWED_INTENT = "allowed: forward, level, tucked"
ALLOWED_VOICE = "allowed: expected, in-stems, none"

def bad(name: str, text: str, key: str, words: str) -> BadToml:
    """A beat.toml with one fault."""
    return BadToml(name, text, ((key, words),))


BAD_TOML = (
    bad("title-number", "title = 7", "title", "found 7; allowed: text that is not blank; write it in quotes"),
    bad("title-empty", 'title = ""', "title", "allowed: text that is not blank"),
    bad("title-blank", 'title = " \\t "', "title", "allowed: text that is not blank"),
    bad("title-invisible", 'title = "\\u202e\\u200b"', "title", "no visible character"),
    bad("title-endless", f'title = "{"a" * 500}"', "title", "has 500 characters; allowed: at most 200"),
    bad("artist-list", 'artist = ["a", "b"]', "artist", "found a list; allowed: text"),
    bad("tempo-text", 'tempo = "92"', "tempo", "found '92'; allowed: a number from 20 to 400; write it without"),
    bad("tempo-zero", "tempo = 0", "tempo", "found 0; allowed: a number from 20 to 400"),
    bad("tempo-negative", "tempo = -92.0", "tempo", "found -92.0"),
    bad("tempo-huge", f"tempo = 1{'0' * 400}", "tempo", "more than 30 digits"),
    bad("tempo-nan", "tempo = nan", "tempo", "found nan; allowed: a number from 20 to 400"),
    bad("tempo-infinite", "tempo = inf", "tempo", "found inf"),
    bad("tempo-true", "tempo = true", "tempo", "found true"),
    bad("tempo-date", "tempo = 1979-05-27", "tempo", "found a date or time (1979-05-27)"),
    bad("meter-word", 'meter = "waltz"', "meter", "allowed: a time signature such as '4/4'"),
    bad("meter-line-break", 'meter = "4/4\\n"', "meter", "found '4/4\\u000a'"),
    bad("key-line-break", 'key = "D minor\\n"', "key", "found 'D minor\\u000a'"),
    bad("id-line-break", 'id = "a\\n"', "id", "found 'a\\u000a'"),
    bad("start-line-break", "[[stems]]\nfile = 'stems/bass.wav'\nstart = \"bar 2\\n\"", "stems[0].start", "found"),
    bad("dotted-deep", ".".join("a" * 9) + " = 1", "", "nested too deeply"),
    bad("pattern-escape", '[pattern]\nlines = ["\\u001b[31m |x---|"]', "pattern.lines[0]", "'\\u001b[31m'"),
    bad("pattern-cell-escape", '[pattern]\nlines = ["kick |x\\u009b-|"]', "pattern.lines[0]", "has '\\u009b'"),
    bad("pattern-dense", f"[pattern]\nsteps_per_beat = 24\nlines = {['kick |' + 'x' * 96 + '|'] * 6}",
            "pattern.lines[0]", "576 of them in one bar; allowed: up to 512 events a bar"),
    bad("meter-dash", 'meter = "6-8"', "meter", "did you mean '6/8'?"),
    bad("meter-5-over-3", 'meter = "5/3"', "meter", "found '5/3'"),
    bad("meter-0-over-4", 'meter = "0/4"', "meter", "found '0/4'"),
    bad("meter-number", "meter = 4.4", "meter", "found 4.4"),
    bad("key-short", 'key = "Dm"', "key", "found 'Dm'; allowed: a note from A to G"),
    bad("key-short-hint", 'key = "f♯ min"', "key", "did you mean 'F# minor'?"),
    bad("key-flat-hint", 'key = "B flat major"', "key", "did you mean 'Bb major'?"),
    bad("key-mode", 'key = "D dorian"', "key", "found 'D dorian'"),
    bad("key-h", 'key = "H minor"', "key", "found 'H minor'"),
    bad("downbeat-negative", "first_downbeat = -0.5", "first_downbeat", "allowed: a number from 0 to 600"),
    bad("swing-share", "swing = 0.56", "swing", "allowed: a number from 50 to 75; in percent that is 56"),
    bad("swing-over", "swing = 90", "swing", "allowed: a number from 50 to 75"),
    bad("loudness-positive", "target_loudness = 14", "target_loudness", "allowed: a number from -40 to -5"),
    bad("intent-misspelt", 'intent = "foward"', "intent", f"{ALLOWED_INTENT}; did you mean 'forward'?"),
    bad("intent-case", 'intent = "Level"', "intent", "did you mean 'level'?"),
    bad("intent-list", "intent = []", "intent", f"found an empty list; {ALLOWED_INTENT}"),
    bad("voice-misspelt", 'voice = "instems"', "voice", f"{ALLOWED_VOICE}; did you mean 'in-stems'?"),
    bad("voice-bool", "voice = true", "voice", f"found true; {ALLOWED_VOICE}"),
    bad("voice-empty", 'voice = ""', "voice", ALLOWED_VOICE),
    bad("listening-loud", "listening_level = 140", "listening_level", "allowed: a number from 40 to 100"),
    bad("unknown-key", "tempoo = 92", "tempoo", "is not a known key; did you mean 'tempo'?"),
    bad("unknown-numbered-key", "key0 = 'D minor'", "key0", "is not a known key; known here: title"),
    bad("unknown-far-key", "xyzzy = 92", "xyzzy", "is not a known key; known here: title, artist, tempo"),
    bad("unknown-odd-key", '"a b\\u202e" = 1', '"a b\\u202e"', "is not a known key"),
    bad("unknown-table", "[drum]\nfile = 'x'", "drum", "did you mean 'drums'?"),
    bad("intents-text", 'intents = "level"', "intents", "found 'level'; allowed: a table [intents]"),
    bad("intents-role", '[intents]\nkik = "level"', "intents.kik", "is not a role; allowed: "),
    bad("intents-value", '[intents]\nkick = "loud"', "intents.kick", f"found 'loud'; {ALLOWED_INTENT}"),
    bad("intents-twice", '[intents]\n"open hat" = "level"\nopen-hat = "tucked"', "intents.open-hat", "twice"),
    bad("stems-table", "[stems]\nfile = 'stems/bass.wav'", "stems", "write [[stems]] with two brackets"),
    bad("stems-texts", 'stems = ["stems/bass.wav"]', "stems[0]", "found 'stems/bass.wav'; allowed: a table with"),
    bad("stem-without-file", "[[stems]]\ngain_db = 1", "stems[0].file", "is missing"),
    bad("stem-empty-file", "[[stems]]\nfile = ''", "stems[0].file", "is empty"),
    bad("stem-number-file", "[[stems]]\nfile = 1", "stems[0].file", "found 1; allowed: text"),
    bad("stem-missing", "[[stems]]\nfile = 'stems/bas.wav'", "stems[0].file", "did you mean 'stems/bass.wav'?"),
    bad("stem-folder", "[[stems]]\nfile = 'stems'", "stems[0].file", "is a folder"),
    bad("stem-no-audio", "[[stems]]\nfile = 'beat.toml'", "stems[0].file", "is no audio file by its ending"),
    bad("stem-twice", "[[stems]]\nfile = 'stems/bass.wav'\n[[stems]]\nfile = './stems/../stems/bass.wav'",
            "stems[1].file", "is the same file as stems[0]; list it once"),
    bad("stem-nul", '[[stems]]\nfile = "stems/\\u0000.wav"', "stems[0].file", "name that no file can have"),
    bad("stem-long", f"[[stems]]\nfile = '{'x' * 400}.wav'", "stems[0].file", "name that is too long"),
    bad("stem-gain", "[[stems]]\nfile = 'stems/bass.wav'\ngain_db = 60",
            "stems[0].gain_db", "allowed: a number from -60 to 24 (in the entry of 'stems/bass.wav')"),
    bad("stem-start-word", "[[stems]]\nfile = 'stems/bass.wav'\nstart = 'third bar'",
            "stems[0].start", "allowed: seconds from 0 to 1800, or a bar such as 'bar 3'"),
    bad("stem-start-before", "[[stems]]\nfile = 'stems/bass.wav'\nstart = -1", "stems[0].start", "from 0 to 1800"),
    bad("stem-start-bar", "[[stems]]\nfile = 'stems/bass.wav'\nstart = 'bar 3'", "stems[0].start", "needs tempo"),
    bad("library-text", "library = 'elsewhere'", "library", "put it in brackets"),
    bad("library-missing", "library = ['elsewhere']", "library[0]", "is not there"),
    bad("library-file", "library = ['beat.toml']", "library[0]", "is a file; name the folder"),
    bad("library-all-out", "library = ['drums']\ninclude = ['*piano*']", "library[0]", "that include and exclude let"),
    bad("include-number", "include = [3]", "include[0]", "found 3; allowed: text"),
    bad("exclude-empty", "exclude = ['']", "exclude[0]", "is empty"),
    bad("id-words", "id = 'Night Bus'", "id", "allowed: up to 64 lower-case letters, digits and hyphens"),
    bad("stem-rights", "[[stems]]\nfile = 'stems/bass.wav'\nrights = 'mine'",
            "stems[0].rights", "allowed: cleared, licensed, own, pending, unknown"),
    bad("stem-rights-case", "[[stems]]\nfile = 'stems/bass.wav'\nrights = 'Own'",
            "stems[0].rights", "did you mean 'own'?"),
    bad("stem-origin", "[[stems]]\nfile = 'stems/bass.wav'\norigin = 3", "stems[0].origin", "found 3"),
    bad("stem-gian", "[[stems]]\nfile = 'stems/bass.wav'\ngian_db = 3", "stems[0].gian_db", "did you mean 'gain_db'"),
    bad("drum-missing", "[[drums]]\nfile = 'drums/kik.wav'", "drums[0].file", "did you mean 'drums/kick.wav'?"),
    bad("drum-kind", "[[drums]]\nfile = 'drums/kick.wav'\nkind = 'oneshot'",
            "drums[0].kind", "found 'oneshot'; allowed: loop, one-shot; did you mean 'one-shot'?"),
    bad("drum-role", "[[drums]]\nfile = 'drums/kick.wav'\nrole = 'bass drum'", "drums[0].role", "found 'bass drum'"),
    bad("drum-third", "[[drums]]\nfile = 'drums/kick.wav'\n[[drums]]\nfile = 'drums/snare.wav'\n"
            "[[drums]]\nfile = 'drums/loops'\nrole = 'snar'",
            "drums[2].role", "found 'snar'; allowed: clap, "),
    bad("drum-tempo", "[[drums]]\nfile = 'drums/loops/break_92bpm.wav'\ntempo = 9200", "drums[0].tempo", "found 9200"),
    bad("drum-tempo-of-hit", "[[drums]]\nfile = 'drums/kick.wav'\nkind = 'one shot'\ntempo = 92",
            "drums[0].tempo", "only a loop has a tempo"),
    bad("drum-twice", "[[drums]]\nfile = 'drums/kick.wav'\n[[drums]]\nfile = 'drums/kick.wav'",
            "drums[1].file", "is the same file as drums[0]; list it once"),
    bad("folder-twice", "[[drums]]\nfile = 'drums/loops'\n[[drums]]\nfile = 'drums/loops/'",
            "drums[1].file", "is the same folder as drums[0]"),
    bad("loop-means", f"{LOOP}means = 'chopped'", "drums[0].means", "found 'chopped'; allowed: as it is"),
    bad("loop-feel", f"{LOOP}feel = 'human'", "drums[0].feel", "found 'human'; allowed: beat, own"),
    bad("loop-slices", f"{LOOP}slices = [0.0, -1]", "drums[0].slices[1]", "found -1; allowed: a number from 0 to 3600"),
    bad("loop-slices-number", f"{LOOP}slices = 0.5", "drums[0].slices", "a list of numbers; put it in brackets: [...]"),
    bad("loop-slices-none", f"{LOOP}slices = []", "drums[0].slices", "has 0 entries; allowed: 1 to 256"),
    bad("loop-slices-fall", f"{LOOP}slices = [0.2, 0.9, 0.9]", "drums[0].slices[2]", "0.9 s after 0.9 s"),
    bad("loop-slices-one-shot", f"{LOOP}kind = 'one-shot'\nslices = [0.1]", "drums[0].slices", "given for a one-shot"),
    bad("loop-slices-folder", "[[drums]]\nfile = 'drums/loops'\nslices = [0.1]", "drums[0].slices",
        "is given for a folder; it belongs to a single loop"),
    bad("loop-plays", f"{LOOP}plays = {{ boom = 0.5 }}", "drums[0].plays.boom", "is not a role"),
    bad("loop-plays-text", f"{LOOP}plays = {{ kick = 'first' }}", "drums[0].plays.kick", "found 'first'"),
    bad("drum-is-stem", "[[drums]]\nfile = 'stems/bass.wav'", "drums[0].file", "is a stem too (stems/bass.wav)"),
    bad("kit-role", "[kit]\nkik = 'drums/kick.wav'", "kit.kik", "did you mean 'kick'?"),
    bad("kit-missing", "[kit]\nkick = 'drums/kik.wav'", "kit.kick", "did you mean 'drums/kick.wav'?"),
    bad("kit-stem", "[kit]\nkick = 'stems/bass.wav'", "kit.kick", "is not among the drums of this beat"),
    bad("kit-number", "[kit]\nkick = 1", "kit.kick", "found 1"),
    bad("kit-loop", "[[drums]]\nfile = 'drums/kick.wav'\nkind = 'loop'\n[kit]\nkick = 'drums/kick.wav'",
            "kit.kick", "is said to be a loop; a kit is made of one-shots"),
    bad("kit-twice", "[kit]\nclosed-hat = 'drums/kick.wav'\n'closed hat' = 'drums/snare.wav'",
            'kit."closed hat"', "is pinned twice"),
    bad("pattern-text", 'pattern = "x---"', "pattern", "found 'x---'; allowed: a table with steps_per_beat"),
    bad("pattern-empty", "[pattern]", "pattern", "has neither lines nor midi"),
    bad("pattern-both", "[pattern]\nlines = ['kick |x---|']\nmidi = 'a.mid'", "pattern", "has both lines and midi"),
    bad("pattern-steps", "[pattern]\nsteps_per_beat = 0\nlines = ['kick |x---|']",
            "pattern.steps_per_beat", "allowed: a whole number from 1 to 24"),
    bad("pattern-fraction", "[pattern]\nsteps_per_beat = 4.0\nlines = ['kick |x---|']",
            "pattern.steps_per_beat", "found 4.0; allowed: a whole number"),
    bad("pattern-one-text", "[pattern]\nlines = 'kick |x---|'", "pattern.lines", "put it in brackets"),
    bad("pattern-no-lines", "[pattern]\nlines = []", "pattern.lines", "has 0 entries"),
    bad("pattern-number-line", "[pattern]\nlines = ['kick |x---|', 7]", "pattern.lines[1]", "found 7"),
    bad("pattern-role", "[pattern]\nlines = ['kick |x---|', 'tuba |x---|']", "pattern.lines[1]", "'tuba'"),
    bad("pattern-cell", "[pattern]\nlines = ['kick |x-?-|']", "pattern.lines[0]", "(column 9)"),
    bad("pattern-lengths", "[pattern]\nlines = ['kick |x---|', 'snare |x--|']", "pattern.lines[1]", "3 cells"),
    bad("pattern-endless", f"[pattern]\nlines = ['kick |{'x' * 19_000}|']", "pattern.lines", "4750 quarter notes"),
    bad("pattern-midi-missing", "[pattern]\nmidi = 'grove.mid'", "pattern.midi", "'grove.mid' is not there"),
    bad("pattern-midi-audio", "[pattern]\nmidi = 'drums/kick.wav'", "pattern.midi", "not a readable Standard MIDI"),
    bad("pattern-section", "[pattern.sections.hok]\nlines = ['kick |x---|']\n[[sections]]\nname = 'hook'\nbars = 4",
            "pattern.sections.hok", "did you mean 'hook'?"),
    bad("pattern-section-none", "[pattern.sections.hook]\nlines = ['kick |x---|']",
            "pattern.sections.hook", "of a section that is not listed; none is listed"),
    bad("pattern-section-empty", "[pattern.sections.hook]\n[[sections]]\nname = 'hook'\nbars = 4",
            "pattern.sections.hook", "has neither lines nor midi"),
    bad("pattern-section-key", "[pattern.sections.hook]\nlnes = []\nlines = ['kick |x---|']\n"
            "[[sections]]\nname = 'hook'\nbars = 4",
            "pattern.sections.hook.lnes", "did you mean 'lines'?"),
    bad("section-no-bars", "[[sections]]\nname = 'verse'", "sections[0].bars", "is missing (in the entry of 'verse')"),
    bad("section-no-name", "[[sections]]\nbars = 4", "sections[0].name", "is missing"),
    bad("section-zero-bars", "[[sections]]\nname = 'a'\nbars = 0", "sections[0].bars", "a whole number from 1 to"),
    bad("section-half-bars", "[[sections]]\nname = 'a'\nbars = 7.5", "sections[0].bars", "found 7.5"),
    bad("section-intent", "[[sections]]\nname = 'a'\nbars = 8\nintent = 'shy'", "sections[0].intent", "found 'shy'"),
    bad("taste-number", "taste = 1", "taste", "write it in quotes"),
    bad("taste-missing", "taste = 'own.toml'", "taste", "'own.toml' is not there"),
    bad("taste-audio", "taste = 'stems/bass.wav'", "taste", "is no .toml file"),
    bad("taste-other", "taste = 'beat.toml'", "taste", "is no taste"),
    bad("reference-empty", "[reference]", "reference.files", "is missing"),
    bad("reference-text", "[reference]\nfiles = 'a.wav'", "reference.files", "put it in brackets"),
    bad("reference-missing", "[reference]\nfiles = ['../refs/a.wav']", "reference.files[0]", "is not there"),
    bad("reference-twice", "[reference]\nfiles = ['stems/bass.wav', 'stems/bass.wav']",
            "reference.files[1]", "is named twice"),
    bad("policy-unknown", "[policy]\nopen_blow = 0.5", "policy.open_blow", "did you mean 'open_below'?"),
    bad("policy-far", "[policy]\nzzz = 0.5", "policy.zzz", "allowed: full_above, open_below"),
    bad("policy-text", "[policy]\nopen_below = '0.5'", "policy.open_below", "write it without quotes"),
    bad("policy-nan", "[policy]\nopen_below = nan", "policy.open_below", "found nan"),
    bad("policy-list", "policy = [1]", "policy", "found a list; allowed: a table [policy]"),
    BadToml("many-at-once",
            "tempo = 'fast'\nkey = 'X'\nintent = 1\nextra = 0\n[[stems]]\nfile = 'stems/none.wav'\n"
            "[[drums]]\nkind = 'x'\n[[sections]]\nname = 'a'\nbars = -1\n[policy]\nnope = 1",
            (("extra", ""), ("tempo", ""), ("key", ""), ("intent", ""), ("drums[0].file", "is missing"),
             ("drums[0].kind", ""), ("sections[0].bars", ""), ("stems[0].file", "is not there"), ("policy.nope", ""))),
    bad("syntax", "title = 'a'\ntempo 92\n", "", "is not valid TOML: Expected '='"),
    bad("syntax-line", "title = 'a'\ntempo 92\n", "", "that line is 'tempo 92'"),
    bad("syntax-twice", "tempo = 1\ntempo = 2\n", "", "at line 2"),
    bad("syntax-open-quote", "title = 'a", "", "is not valid TOML"),
    bad("syntax-control", "title = 'a\x07'", "", "is not valid TOML"),
    bad("syntax-nested", "a = " + "[" * 5_000, "", "nested too deeply"),
    bad("syntax-digits", "tempo = " + "9" * 5_000, "", "is not valid TOML"),
    bad("large", "# " + "x" * 2**20, "", "has more than 1 MiB"),
)  # fmt: skip

BAD_FOLDERS = (
    BadFolder("missing", lambda folder: None, ("is not there",)),
    BadFolder("a-file", file_instead, ("is a file, but no audio; give the folder",)),
    BadFolder("loop", loop, ("symbolic link that leads back to itself",)),
    BadFolder("gone", lambda folder: folder.symlink_to("nowhere"), ("link to a file that is gone",)),
    BadFolder("pipe", os.mkfifo, ("is a pipe or socket",)),
    BadFolder("device", lambda folder: folder.symlink_to("/dev/zero"), ("is a device",)),
    BadFolder("nul\0name", lambda folder: None, ("nul\\u0000name", "name that no file can have")),
    BadFolder("x" * 300, lambda folder: None, ("too long",)),
    BadFolder("empty", lambda folder: folder.mkdir(), ("has no stems: put the exported tracks",)),
    BadFolder("drums-only", only("drums/kick.wav"), ("has no stems",)),
    BadFolder("empty-stems", lambda folder: (folder / "stems").mkdir(parents=True), ("has no stems",)),
    BadFolder("stems-beside", only("bass.wav", "pad.wav"), ("found: bass.wav, pad.wav",)),
    BadFolder("stem-of-unread-kind", only("stems/a.wav", "stems/in/P.APE"), ("'in/P.APE' is sound of a kind",)),
    BadFolder("stems-a-file", only("stems"), ("stems is a file; it has to be a folder",)),
    BadFolder("stems-loop", looping_stems, ("stems is a symbolic link",)),
    BadFolder("drums-a-file", only("stems/a.wav", "drums"), ("drums is a file; it has",)),
    BadFolder("stem-gone", then(link("stems/x.wav", "nowhere.wav")), ("stems/x.wav is a link to a file that is gone",)),
    BadFolder("stem-loop", then(lambda folder: loop(folder / "stems/x.wav")), ("stems/x.wav is a symbolic link",)),
    BadFolder("stem-pipe", then(lambda folder: os.mkfifo(folder / "stems/x.wav")), ("stems/x.wav is a pipe",)),
    BadFolder("stem-twice", then(link("stems/x.wav", "bass.wav")), ("stems/x.wav is the same file as stems/bass.wav",)),
    BadFolder("toml-a-folder", then(lambda folder: (folder / "beat.toml").mkdir()), ("beat.toml: is a folder",)),
    BadFolder("toml-gone", then(link("beat.toml", "nowhere")), ("beat.toml: is a link to a file that is gone",)),
    BadFolder("toml-loop", then(link("beat.toml", "beat.toml")), ("beat.toml: is a symbolic link",)),
    BadFolder("toml-pipe", then(lambda folder: os.mkfifo(folder / "beat.toml")), ("beat.toml: is a pipe",)),
    BadFolder("toml-latin1", with_toml("title = 'Übung'".encode("latin-1")), ("is not UTF-8 text (byte 10)",)),
    BadFolder("toml-utf16", with_toml("title = 'a'".encode("utf-16")), ("is not UTF-8 text (byte 1)",)),
    BadFolder("toml-binary", with_toml(bytes(range(128))), ("is not valid TOML",)),
    BadFolder("groove-text", groove(b"hum"), ("'groove.mid' is not a",)),
    BadFolder("groove-smpte", groove(GROOVE.replace(b"\1\xe0", b"\xe7\x28")), ("'groove.mid' counts time in SMPTE",)),
    BadFolder("groove-empty", groove(b""), ("'groove.mid' is not a",)),
    BadFolder("groove-cut", groove(GROOVE[:26]), ("'groove.mid'",)),
    BadFolder("groove-no-drums", groove_asked_for(GROOVE.replace(b"\x99", b"\x90")),
              ("pattern.midi: 'groove.mid' holds no General MIDI percussion",)),
    BadFolder("groove-endless", groove(GROOVE.replace(b"\x0d\0\x99", b"\x10\xff\xff\xff\x7f\x99")), ("quarter notes",)),
    BadFolder("groove-no-beats", groove(GROOVE.replace(b"\x0d\0\x99", b"\x15\0\xff\x58\4\0\2\x18\x08\0\x99")),
              ("'groove.mid'",)),
    BadFolder("groove-large", groove(bytes(2**20 + 1)), ("more than 1 MiB",)),
    BadFolder("groove-pipe", then(lambda folder: os.mkfifo(folder / "groove.mid")), ("'groove.mid' is a pipe",)),
    BadFolder('"><img src=x onerror=alert(1)>', lambda folder: folder.mkdir(), ("has no stems",)),
)  # fmt: skip
