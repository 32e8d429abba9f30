"""The words of beat.toml: which keys there are, what each may hold, and its JSON Schema.

Conventions
    The tables are declared once, as typed structures with their limits and descriptions.  The JSON Schema (draft
    2020-12) that editors use and the checks of `dossier.beatfile.validate` both follow from that declaration.  Limits
    are common practice (no source) unless a source stands beside them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Annotated, Any, Literal, TypeVar, get_args

import msgspec
from msgspec import UNSET, Meta, UnsetType

from dossier.model.notes import key_meant
from dossier.model.vocabulary import Feel, Intent, Means, Rights, Voice

# A hyphen may be written as a space.
RoleWord = Literal[
    "kick", "snare", "clap", "rim", "closed-hat", "closed hat", "open-hat", "open hat", "ride", "crash", "tom",
    "shaker", "percussion",
]  # fmt: skip
KindWord = Literal["loop", "one-shot", "one shot"]

T = TypeVar("T")
D = TypeVar("D")

MAX_SECTION_BARS = 9_999
MAX_LINES = 200
MAX_LINE_LENGTH = 20_000
POLICY_LIMIT = 1e9

_ROLE_NAMES = {"propertyNames": {"enum": [*get_args(RoleWord)]}}


def suggest_meter(text: str) -> str | None:
    """The meter that was probably meant: '4 / 4', '4-4', '4:4' and '44' are '4/4'."""
    found = re.fullmatch(r"\s*(\d{1,2}?)\s*[/:\-\s]?\s*(2|4|8|16)\s*", text)
    return f"{int(found[1])}/{found[2]}" if found and 1 <= int(found[1]) <= 32 else None


FilePath = Annotated[str, Meta(min_length=1, max_length=1024)]
Origin = Annotated[
    str, Meta(max_length=500, description="where it comes from: who played it, which pack, which record; never judged")
]
RightsWord = Annotated[Rights, Meta(description="state of its rights as you know it; unknown if not given")]
IntentWord = Annotated[Intent, Meta(description="how drums sit: forward leads, level sits beside, tucked lies under")]
VoiceWord = Annotated[
    Voice,
    Meta(description="a singer or rapper to come: none, expected (room is kept free), or in-stems; if not given, "
         "expected"),
]  # fmt: skip
StepsPerBeat = Annotated[int, Meta(ge=1, le=24, description="cells in a beat of the meter; 4 if not given")]
Lines = Annotated[
    list[Annotated[str, Meta(max_length=MAX_LINE_LENGTH)]],
    Meta(
        min_length=1, max_length=MAX_LINES,
        description="drum tablature, one voice a line: x hit, X accent, o ghost, - rest, | bar line (only drawn)",
        examples=[["kick       |x-----x-x-------|", "snare      |----X-------X--o|"]],
    ),
]  # fmt: skip
Midi = Annotated[
    FilePath, Meta(description="a Standard MIDI File with General MIDI percussion, relative to the beat folder")
]
Tempo = Annotated[float, Meta(ge=20, le=400, description="quarter notes a minute (BPM)", examples=[92.0])]
Downbeat = Annotated[
    float, Meta(ge=0, le=600, description="seconds from the start of the stems to beat one of bar one")
]
Second = Annotated[float, Meta(ge=0, le=3600)]
Target = Annotated[
    float, Meta(ge=-40, le=-5, description="integrated loudness of the finished mix in LUFS; -16 if not given")
]
Listening = Annotated[
    float, Meta(ge=40, le=100, description="level at which the mix is heard, in dB SPL; 75 if not given")
]


Glob = Annotated[str, Meta(min_length=1, max_length=200)]
Start = (
    Annotated[float, Meta(ge=0, le=1800)]
    | Annotated[
        str,
        Meta(pattern=r"^bar [1-9][0-9]{0,3}$", extra={"allowed": "seconds from 0 to 1800, or a bar such as 'bar 3'"}),
    ]
)


class StemEntry(msgspec.Struct, forbid_unknown_fields=True):
    """One exported track without drums.  Files in stems/ that are not listed are used too, with defaults."""

    file: Annotated[FilePath, Meta(description="relative to the beat folder", examples=["stems/pad.wav"])]
    role: Annotated[str, Meta(max_length=60, description="what it plays, in your own words", examples=["bass"])] = ""
    gain_db: Annotated[float, Meta(ge=-60, le=24, description="gain of this stem in dB; 0 if not given")] = 0.0
    start: Annotated[
        Start,
        Meta(
            description="where it begins: seconds, or 'bar 3' (needs tempo); by its time reference, or 0, if not given",
            examples=["bar 3", 5.25],
        ),
    ] | UnsetType = UNSET  # fmt: skip
    origin: Origin = ""
    rights: RightsWord = "unknown"


class DrumEntry(msgspec.Struct, forbid_unknown_fields=True):
    """A candidate, or a folder of candidates.  Files in drums/ that are not listed are used too, with defaults."""

    file: Annotated[
        FilePath,
        Meta(
            description="a file or a folder (all audio in it), relative to the beat folder or elsewhere",
            examples=["drums/kick.wav", "../../library/hats"],
        ),
    ]
    kind: Annotated[KindWord, Meta(description="if not given, the sound decides")] | UnsetType = UNSET
    role: Annotated[RoleWord, Meta(description="if not given, the sound decides")] | UnsetType = UNSET
    tempo: Annotated[float, Meta(ge=20, le=400, description="BPM of a loop")] | UnsetType = UNSET
    means: Annotated[
        Means, Meta(description="how a loop is brought to the beat's tempo; if not given, as suits it best here")
    ] | UnsetType = UNSET  # fmt: skip
    slices: Annotated[
        list[Second],
        Meta(
            min_length=1, max_length=256, examples=[[0.0, 0.33, 0.65]],
            description="where a loop is cut, seconds from its start; if not given, at its hits",
        ),
    ] = []  # fmt: skip
    feel: Annotated[
        Feel, Meta(description="of a sliced loop: own keeps its swing, beat gives it the beat's; own if not given")
    ] = "own"
    plays: Annotated[
        dict[RoleWord, Second],
        Meta(
            description="which slice plays a role when a loop is re-laid to the pattern: a time in it, in seconds",
            extra_json_schema=_ROLE_NAMES,
        ),
    ] = {}
    origin: Origin = ""
    rights: RightsWord = "unknown"


class SectionPattern(msgspec.Struct, forbid_unknown_fields=True):
    """The pattern of the sections of one name: tablature or MIDI."""

    steps_per_beat: StepsPerBeat | UnsetType = UNSET
    lines: Lines | UnsetType = UNSET
    midi: Midi | UnsetType = UNSET


class PatternTable(SectionPattern, forbid_unknown_fields=True):
    """What the drums play: tablature or MIDI.  Without it groove.mid is used, or a plain pattern is assumed."""

    sections: Annotated[
        dict[str, SectionPattern], Meta(description="patterns of single sections, by the section's name")
    ] = {}


class SectionEntry(msgspec.Struct, forbid_unknown_fields=True):
    """A run of bars; sections follow one another from the first downbeat, in the order given."""

    name: Annotated[str, Meta(min_length=1, max_length=80, description="a name may return", examples=["verse"])]
    bars: Annotated[int, Meta(ge=1, le=MAX_SECTION_BARS, description="length in bars")]
    intent: IntentWord | UnsetType = UNSET


class ReferenceTable(msgspec.Struct, forbid_unknown_fields=True):
    """Finished music whose spectrum stands for 'full'."""

    files: Annotated[list[FilePath], Meta(min_length=1, max_length=50, description="audio files")]


class BeatTable(msgspec.Struct, forbid_unknown_fields=True):
    """beat.toml: what is known of one beat.  Every key is optional; what is missing is estimated and marked so."""

    title: Annotated[
        str,
        Meta(
            max_length=200, pattern=r"\S", description="the folder's name if not given", examples=["Lantern Market"],
            extra={"allowed": "text that is not blank"},
        ),
    ] | UnsetType = UNSET  # fmt: skip
    artist: Annotated[str, Meta(max_length=200)] = ""
    tempo: Tempo | UnsetType = UNSET
    id: Annotated[
        str,
        Meta(
            pattern=r"^[a-z0-9][a-z0-9-]{0,63}$", examples=["lantern-market-2026"],
            description="tells this beat from others of its name; keep it when the folder or the title changes",
            extra={"allowed": "up to 64 lower-case letters, digits and hyphens"},
        ),
    ] | UnsetType = UNSET  # fmt: skip
    meter: Annotated[
        str,
        Meta(
            pattern=r"^([1-9]|[12][0-9]|3[0-2])/(2|4|8|16)$",
            description="time signature; read from the sound if not given",
            extra={"allowed": "a time signature such as '4/4', '3/4' or '6/8' (1-32 over 2, 4, 8 or 16)",
                   "suggest": suggest_meter},
        ),
    ] | UnsetType = UNSET  # fmt: skip
    key: Annotated[
        str,
        Meta(
            pattern=r"^[A-G][#b]? (major|minor)$", examples=["D minor", "F# major"],
            description="a note from A to G with # or b, then major or minor",
            extra={"allowed": "a note from A to G, with # or b where needed, then major or minor, such as 'D minor'",
                   "suggest": key_meant},
        ),
    ] | UnsetType = UNSET  # fmt: skip
    first_downbeat: Downbeat | UnsetType = UNSET
    swing: Annotated[
        float,
        Meta(
            ge=50, le=75, extra={"percent": True},
            description="percent of the eighth at which its second sixteenth falls: 50 straight, 66.7 triplet",
        ),
    ] | UnsetType = UNSET  # fmt: skip
    target_loudness: Target | UnsetType = UNSET
    intent: IntentWord = "level"
    voice: VoiceWord = "expected"
    listening_level: Listening | UnsetType = UNSET
    taste: Annotated[
        FilePath,
        Meta(description="the user's own usual levels, as `dossier learn` writes them; if not given, taste.toml beside "
             "the archive, if it is there"),
    ] | UnsetType = UNSET  # fmt: skip
    intents: Annotated[
        dict[RoleWord, IntentWord], Meta(description="intent of single roles", extra_json_schema=_ROLE_NAMES)
    ] = {}
    stems: Annotated[list[StemEntry], Meta(max_length=500)] = []
    drums: Annotated[list[DrumEntry], Meta(max_length=20_000)] = []
    library: Annotated[
        list[FilePath],
        Meta(
            max_length=50, examples=[["~/drums"]],
            description="folders of drums outside the beat, with all that is nested in them; shared by beats",
        ),
    ] = []  # fmt: skip
    include: Annotated[
        list[Glob],
        Meta(max_length=100, examples=[["*kick*", "hats/*"]], description="of the library, only what these match"),
    ] = []  # fmt: skip
    exclude: Annotated[
        list[Glob], Meta(max_length=100, description="of the library, nothing that these globs match")
    ] = []  # fmt: skip
    kit: Annotated[
        dict[RoleWord, FilePath],
        Meta(description="the one-shot that a role must use: the file of a candidate", extra_json_schema=_ROLE_NAMES),
    ] = {}
    pattern: PatternTable | UnsetType = UNSET
    sections: Annotated[list[SectionEntry], Meta(max_length=500)] = []
    reference: ReferenceTable | UnsetType = UNSET
    policy: Annotated[
        dict[str, Annotated[float, Meta(ge=-POLICY_LIMIT, le=POLICY_LIMIT)]],
        Meta(description="thresholds and weights of the decisions, by name"),
    ] = {}


def stated(value: T | UnsetType, default: D) -> T | D:
    """What a key says, or a default where it says nothing."""
    return default if isinstance(value, UnsetType) else value


def meter_of(table: BeatTable) -> tuple[int, int] | None:
    """The stated meter: beats, and the note that counts as one."""
    beats, _, unit = stated(table.meter, "").partition("/")
    return (int(beats), int(unit)) if unit else None


def json_schema(policy_names: Iterable[str] | None = None) -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of beat.toml; with `policy_names`, [policy] takes no others."""
    made = msgspec.json.schema(BeatTable)
    definitions = dict(made["$defs"])
    root = definitions.pop("BeatTable")
    for definition in (root, *definitions.values()):
        if not definition["required"]:
            del definition["required"]
    root["title"] = "beat.toml"
    if policy_names is not None:
        root["properties"]["policy"]["propertyNames"] = {"enum": sorted(policy_names)}
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **root, "$defs": definitions}
