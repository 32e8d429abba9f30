"""A beat folder and its beat.toml, read and checked: the one door from what the user wrote to a `Beat`.

Conventions
    One bounced file is a beat too, of the file's name; nothing beside it is looked at.
    All problems are reported at once, each with its file, key path, what was found and what is allowed.  A folder needs
    no beat.toml: stems/**, drums/** and groove.mid are taken as they lie, and the rest is estimated later.
    Audio files are found here (`dossier.beatfile.sources`) and opened elsewhere (`dossier.audio`).
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, cast

from msgspec import UnsetType

from dossier.arrange import midi
from dossier.arrange.pattern import PatternError, parse_lines
from dossier.beatfile import taste, toml
from dossier.beatfile.listing import is_audio, locate, named, state_of
from dossier.beatfile.schema import BeatTable, SectionPattern, json_schema, meter_of, stated
from dossier.beatfile.sources import find_sources, hyphened
from dossier.beatfile.validate import Ledger, check, join
from dossier.errors import UnusableFileError
from dossier.files import FOLDER, leads_out, read_bounded, why_unreadable
from dossier.model.beat import NOTHING_GIVEN, Beat, Given, Pattern, Section
from dossier.model.usual import Taste
from dossier.model.vocabulary import Intent, Role
from dossier.names import clean, did_you_mean, printable, slug

__all__ = ["json_schema", "load"]

CONFIG_NAME = "beat.toml"
GROOVE_NAME = "groove.mid"
MAX_CONFIG_BYTES = 2**20  # about the size of a beat.toml that lists ten thousand drums
MAX_MIDI_BYTES = 2**20  # a groove of some bars has a few kilobytes
MAX_PATTERN_BEATS = 4_096.0  # quarter notes: half an hour at 137 BPM, longer than any pattern


def load(place: Path, *, known_policy: Mapping[str, float] | None = None, given: Given = NOTHING_GIVEN) -> Beat:
    """Read a beat folder (stems/, drums/ and, if there is one, beat.toml) or one bounced file, and what is given to it.

    [policy] may override the names in `known_policy`, or any name where that is None.  Raises BeatError with every
    problem found.  The files that a `Beat` lists exist; whether they decode is not known yet.
    """
    return _Loader(Path(place), known_policy, given).beat()


class _Loader:
    def __init__(self, place: Path, known_policy: Mapping[str, float] | None, given: Given) -> None:
        whole = Path(os.path.abspath(place))
        self.bounce = whole if state_of(whole) is None and is_audio(whole.name) else None
        self.folder = whole if self.bounce is None else whole.parent
        self.known_policy = known_policy
        self.given = given
        self.ledger = Ledger(printable(whole.name or str(place)), CONFIG_NAME)
        self.config_files: list[Path] = []

    def beat(self) -> Beat:
        if self.bounce is None:
            self.check_folder()
        document = self.document() if self.bounce is None else None
        self.ledger.close()
        table = check(document or {}, self.ledger.about_key, BeatTable)
        title = self.title(table)
        if document is None:
            what = "as --name says" if self.given.name else f"the {'folder' if self.bounce is None else 'file'}'s name"
            self.ledger.notes.append(f"there is no {CONFIG_NAME}: the title is {what}")
        meter = meter_of(table)
        sources = find_sources(self.folder, table, self.ledger, given=self.given, bounce=self.bounce)
        sections = self.sections(table)
        pattern, section_patterns = self.patterns(table, meter or (4, 4), [section.name for section in sections])
        beat = Beat(
            folder=self.folder, slug=slug(self.given.name or title), title=title, artist=clean(table.artist),
            id=stated(table.id, ""), libraries=sources.libraries, stems=sources.stems, drums=sources.drums,
            kit_pins=sources.kit_pins, references=sources.references, tempo_bpm=stated(table.tempo, None), meter=meter,
            key=stated(table.key, None), first_downbeat_s=stated(table.first_downbeat, None),
            swing=None if isinstance(table.swing, UnsetType) else table.swing / 100.0,
            target_lufs=stated(table.target_loudness, None), listening_level_db_spl=stated(table.listening_level, None),
            intent=table.intent, voice=table.voice, role_intents=self.intents(table), policy=self.policy(table),
            pattern=pattern, section_patterns=section_patterns, sections=sections, taste=self.taste(table),
            config_files=tuple(self.config_files), notes=tuple(self.ledger.notes),
        )  # fmt: skip
        self.ledger.close()
        return beat

    def check_folder(self) -> None:
        why = state_of(self.folder)
        if why is None:
            self.ledger.about_folder("is a file, but no audio; give the folder of the beat, or one bounce of it")
        elif why != FOLDER:
            self.ledger.about_folder(why.removesuffix(", not a file"))
        else:
            try:
                os.stat(self.folder / ".")  # may one look inside,
                os.scandir(self.folder).close()  # and see the names?
            except OSError as error:
                self.ledger.about_folder(why_unreadable(error))
        self.ledger.close()

    def document(self) -> dict[str, Any] | None:
        """The parsed beat.toml; None where there is none, or, with a problem reported, where it cannot be parsed."""
        path = self.folder / next(iter(named(self.folder, CONFIG_NAME)), CONFIG_NAME)
        if not os.path.lexists(path):
            return None
        self.config_files.append(path)
        raw, why = self.content(path, MAX_CONFIG_BYTES, "list folders of drums rather than each of their files")
        if why:
            self.ledger.about_key("", why)
            return None
        try:
            return toml.parsed(raw)
        except UnusableFileError as error:
            self.ledger.about_key("", str(error))
            return None

    def content(self, path: Path, limit: int, advice: str) -> tuple[bytes, str]:
        """The bytes of a small file, or none and the reason.  A link out of the beat is not followed."""
        try:
            if path.is_symlink() and path.parent == self.folder and leads_out(path, self.folder):
                raise UnusableFileError("is a link that leads out of the beat; put the file itself there")
            return read_bounded(path, limit), ""
        except UnusableFileError as error:
            return b"", f"{error}; {advice}" if "is read" in str(error) else str(error)

    def title(self, table: BeatTable) -> str:
        if isinstance(table.title, UnsetType):
            name = self.folder.name if self.bounce is None else self.bounce.stem
            return clean(self.given.name) or clean(name) or "beat"
        title = clean(table.title)
        if not title:
            self.ledger.about_key("title", "has no visible character; allowed: text that is not blank")
        return title

    def sections(self, table: BeatTable) -> tuple[Section, ...]:
        sections: list[Section] = []
        bar = 0
        for index, entry in enumerate(table.sections):
            name = clean(entry.name)
            if entry.name and not name:
                self.ledger.about_key(f"sections[{index}].name", "has no visible character; allowed: a name")
            sections.append(Section(name=name, first_bar=bar, bars=entry.bars, intent=stated(entry.intent, None)))
            bar += entry.bars
        return tuple(sections)

    def patterns(
        self, table: BeatTable, meter: tuple[int, int], section_names: list[str]
    ) -> tuple[Pattern | None, dict[str, Pattern]]:
        groove = self.folder / next(iter(named(self.folder, GROOVE_NAME)), GROOVE_NAME)
        main: Pattern | None = None
        sections: dict[str, Pattern] = {}
        steps = 4
        if not isinstance(table.pattern, UnsetType):
            steps = stated(table.pattern.steps_per_beat, steps)
            main = self.pattern("pattern", table.pattern, steps, meter, needed=not table.pattern.sections)
            for name, entry in table.pattern.sections.items():
                key = join("pattern.sections", name)
                if clean(name) not in section_names:
                    known = f"; the sections are: {', '.join(section_names)}" if section_names else "; none is listed"
                    hint = did_you_mean(name, section_names)
                    self.ledger.about_key(key, f"is the pattern of a section that is not listed{known}{hint}")
                made = self.pattern(key, entry, stated(entry.steps_per_beat, steps), meter, needed=True)
                if made is not None:
                    sections[clean(name)] = made
        if self.bounce is None and os.path.lexists(groove):
            if not isinstance(table.pattern, UnsetType) and (table.pattern.lines or table.pattern.midi):
                if groove not in self.config_files:
                    self.ledger.notes.append(f"{GROOVE_NAME} is not used, because beat.toml names a pattern")
            else:
                main = self.midi(groove, self.ledger.about_folder, meter, asked_for=False)
        return main, sections

    def pattern(
        self, key: str, entry: SectionPattern, steps: int, meter: tuple[int, int], *, needed: bool
    ) -> Pattern | None:
        """The pattern that a table gives, as lines or as MIDI."""
        lines, midi = stated(entry.lines, None), stated(entry.midi, None)
        if lines is not None and midi is not None:
            self.ledger.about_key(key, "has both lines and midi; keep one of the two")
            return None
        if midi is not None:
            return self.midi(
                locate(self.folder, midi), lambda message: self.ledger.about_key(f"{key}.midi", message), meter
            )
        if lines is None:
            if needed and not any(problem.key.startswith(key) for problem in self.ledger.problems):
                self.ledger.about_key(key, "has neither lines nor midi; allowed: one of the two")
            return None
        try:
            made = parse_lines(lines, steps_per_beat=steps, source=CONFIG_NAME, meter=meter)
        except PatternError as error:
            for line, column, message in error.places:
                self.ledger.about_key(f"{key}.lines[{line - 1}]", f"{message} (column {column})")
            return None
        return _bounded(made, lambda message: self.ledger.about_key(f"{key}.lines", message))

    def midi(
        self, path: Path, report: Callable[[str], None], meter: tuple[int, int], *, asked_for: bool = True
    ) -> Pattern | None:
        """The pattern of a MIDI file; without drums in it, one that nobody asked for is only noted."""

        def about(message: str) -> None:
            report(f"'{printable(path.name)}' {message}")

        raw, why = self.content(path, MAX_MIDI_BYTES, "export only the groove")
        if why:
            about(why)
            return None
        if path not in self.config_files:
            self.config_files.append(path)
        try:
            made = midi.read(raw, source=printable(path.name), meter=meter)
        except midi.NoDrumsError as error:
            if asked_for:
                about(error.places[0][2])
            else:
                why = f"{printable(path.name)} {error.places[0][2]}"
                self.ledger.notes.append(f"{why}: it is left out, and a plain pattern is assumed")
            return None
        except PatternError as error:
            for _, _, message in error.places:
                about(message)
            return None
        except (ArithmeticError, ValueError, OSError) as error:  # what a damaged file leads to
            about(f"is not a readable Standard MIDI File ({type(error).__name__})")
            return None
        return _bounded(made, about)

    def taste(self, table: BeatTable) -> Taste | None:
        """The taste that beat.toml names, else the one that lies beside the archive."""
        told, path = stated(table.taste, None), None
        if told is not None:
            path = locate(self.folder, told)
        elif self.given.archive is not None and os.path.lexists(own := taste.beside(self.given.archive)):
            path = own
        if path is None:
            return None
        name = printable(path.name)

        def wrong(key: str, message: str) -> None:
            place = f"'{name}' {f'{key}: ' if key else ''}{message}"
            if told is None:
                self.ledger.about_folder(f"the taste {place}")
            else:
                self.ledger.about_key("taste", place)

        raw, why = self.content(path, taste.MAX_BYTES, "a taste is smaller")
        why = why or ("" if path.suffix == ".toml" else "is no .toml file; allowed: one that `dossier learn` wrote")
        if why:
            wrong("", why)
            return None
        self.config_files.append(path)
        return taste.read(raw, name, wrong)

    def intents(self, table: BeatTable) -> dict[Role, Intent]:
        intents: dict[Role, Intent] = {}
        for word, intent in table.intents.items():
            role = cast(Role, hyphened(word))
            if role in intents:
                self.ledger.about_key(join("intents", word), f"is given twice, as '{role}' and with a space")
            intents[role] = intent
        return intents

    def policy(self, table: BeatTable) -> dict[str, float]:
        for name in table.policy:
            if self.known_policy is not None and name not in self.known_policy:
                hint = did_you_mean(name, self.known_policy)
                allowed = f"; allowed: {', '.join(sorted(self.known_policy))}" if not hint else ""
                self.ledger.about_key(join("policy", name), f"is not a known setting{allowed}{hint}")
        return dict(table.policy)


def _bounded(pattern: Pattern, about: Callable[[str], None]) -> Pattern | None:
    if 0 < pattern.length_beats <= MAX_PATTERN_BEATS:
        return pattern
    about(f"is {pattern.length_beats:.6g} quarter notes long; allowed: up to {MAX_PATTERN_BEATS:.0f}")
    return None
