"""What changed from one revision to the next, in words that a producer or a client reads.

Conventions
    One line a change, causes before effects: the beat, its files, its settings, then what came out.  A number that
    rounds to the same figure as before has not changed.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from dossier.archive.standing import in_force
from dossier.model.datafile import BareDossier, BeatInfo, InputFile
from dossier.model.findings import Approach, SectionApproach
from dossier.model.vocabulary import ZONES
from dossier.render.format import listed, number, plain

_LISTED = 4  # names in one line
_LINES = 6  # lines of one kind
_ZONE_STEP = 0.02  # two points: less is not seen on a zone bar

_KINDS = {
    "stem": ("Stem", "Stems"),
    "drum": ("Drum file", "Drum files"),
    "groove": ("Groove", "Grooves"),
    "settings": ("Settings file", "Settings files"),
    "reference": ("Reference", "References"),
}


def changes(previous: BareDossier, now: BareDossier) -> tuple[str, ...]:
    """What is different in `now`, a later dossier of the same beat, in sentences; or that nothing is."""
    lines = [
        *_facts(previous, now),
        *_files(previous.inputs, now.inputs, sifted=_sifted(previous) or _sifted(now)),
        *_settings(previous, now),
        *_advice(previous, now),
        *_drums(previous, now),
        *_levels(previous, now),
    ]
    return tuple(lines) or ("Nothing that was measured or advised has changed.",)


def asked_and_done(previous: BareDossier, now: BareDossier) -> tuple[str, str]:
    """What the answers to `previous` asked to change, and what came of it in `now`; both empty where none did."""
    about = [d for d in in_force(now.decisions) if d.identity == previous.revision.identity and d.status == "to change"]
    if not about:
        return "", ""
    marks = [mark for d in about for mark in d.marks if mark.mark == "to change"]
    words = [*(d.text for d in about), *(mark.note for mark in marks)]
    asked, marked = " ".join(dict.fromkeys(filter(None, words))), [mark.proposal for mark in marks]
    done: list[str] = []
    kept: list[str] = []
    old = {part.id: part for part in previous.balance.parts if part.chosen}
    for part in (p for p in now.balance.parts if p.chosen and p.id in old):
        was, moved = old[part.id], f"gain:{part.id}" in marked
        step, music = part.gain_db - was.gain_db, now.balance.music_gain_db - previous.balance.music_gain_db
        against = number(step - music, sign=True)
        if against.strip("+-\u22120."):
            done.append(f"{part.part} {against} dB against the music")
        elif moved:
            kept.append(part.part)
    if kept:
        those = listed(kept) if len(kept) < len(old) or len(old) < 2 else "the drums"
        done.append(f"{those} as loud against the music as before")
    was_lufs, lufs = previous.balance.mix.integrated_lufs, now.balance.mix.integrated_lufs
    if was_lufs is not None and lufs is not None and number(lufs - was_lufs).strip("\u22120."):
        done.append(f"the whole mix {number(lufs - was_lufs, sign=True)} LU")
    elif any(proposal.startswith("gain:") for proposal in marked):
        done.append("the whole mix as loud as it was")
    for proposal in marked:
        if proposal.startswith("plan:"):
            file = proposal.removeprefix("plan:")
            steps = [[step.label for plan in data.plans if plan.candidate == file for step in plan.steps]
                     for data in (previous, now)]  # fmt: skip
            how = "treated otherwise" if steps[0] != steps[1] else "treated as before"
            done.append(f"{file.rsplit('/', 1)[-1]} {how}")
        elif proposal in ("drums", "approach"):
            same = {p.file for p in old.values()} == {p.file for p in now.balance.parts if p.chosen}
            done.append("the same drums" if same else "other drums")
    said = ", ".join(dict.fromkeys(done)) or "nothing that was asked for has changed"
    return asked, f"{said[:1].upper()}{said[1:]}."


def _facts(previous: BareDossier, now: BareDossier) -> list[str]:
    def facts(beat: BeatInfo) -> dict[str, str]:
        return {
            "Title": beat.title,
            "Artist": beat.artist or "not given",
            "Tempo": f"{plain(beat.tempo_bpm)} BPM",
            "Key": beat.key or "not known",
            "Meter": beat.meter,
            "Swing": f"{plain(100 * beat.swing, 1)} %",
            "First downbeat": f"{number(beat.first_downbeat_s, 3)} s",
            "Length": f"{beat.bars} bars",
            "Intent": beat.intent,
            "Voice": beat.voice,
            "Target loudness": _level(beat.target_lufs, "LUFS"),
            "Listening level": f"{plain(beat.listening_level_db_spl, 1)} dB SPL",
        }

    was = facts(previous.beat)
    return [line for name, new in facts(now.beat).items() for line in _moved(name, was[name], new)]


def _sifted(data: BareDossier) -> bool:
    """Whether files were tried that the data file does not list."""
    return data.candidates_tried > len(data.candidates)


def _files(previous: Sequence[InputFile], now: Sequence[InputFile], *, sifted: bool) -> list[str]:
    """Changes of the files; of a library that is sifted nobody can tell from its best what came and went."""
    lines: list[str] = []
    for kind in [*_KINDS, *sorted({entry.kind for entry in (*previous, *now)} - set(_KINDS))]:
        old = {entry.file: entry for entry in previous if entry.kind == kind}
        new = {entry.file: entry for entry in now if entry.kind == kind}
        gone = [file for file in old if file not in new]
        come = [file for file in new if file not in old]
        renamed: list[tuple[str, str]] = []
        for file in list(come):
            source = next((other for other in gone if old[other].sha256 == new[file].sha256), None)
            if source is not None:
                renamed.append((source, file))
                gone.remove(source)
                come.remove(file)
        both = [(old[file], new[file]) for file in new if file in old]
        one = _KINDS.get(kind, (kind, kind))[0]
        lines += [
            *(_counted(kind, "added", come) if kind != "drum" or not sifted else ()),
            *(_counted(kind, "removed", gone) if kind != "drum" or not sifted else ()),
            *_counted(kind, "changed", [b.file for a, b in both if a.sha256 != b.sha256]),
            *_capped(f"{one} renamed: {a}, now {b}." for a, b in renamed),
            *_capped(line for a, b in both for line in _moved_level(f"Gain of {b.file}", a.gain_db, b.gain_db, "dB")),
            *_capped(line for a, b in both for line in _moved(f"Rights of {b.file}", a.rights, b.rights)),
            *_counted(kind, "no longer readable", [b.file for a, b in both if a.used and not b.used]),
            *_counted(kind, "readable again", [b.file for a, b in both if b.used and not a.used]),
        ]
    return lines


def _settings(previous: BareDossier, now: BareDossier) -> list[str]:
    old = {setting.name: setting.value for setting in previous.settings}
    overridden = {s.name for data in (previous, now) for s in data.settings if s.value != s.default}
    lines = _moved("Taste", _taste(previous), _taste(now))
    by_taste = bool(lines)
    for setting in now.settings:
        if by_taste and setting.name.startswith(("usual_", "all_drums_")) and setting.name not in overridden:
            continue
        unit = f" {setting.unit}" if setting.unit else ""
        was, value = (f"{plain(v, 6)}{unit}" for v in (old.get(setting.name, setting.default), setting.value))
        lines += _moved(f"Setting '{setting.name.replace('_', ' ')}'", was, value)
    return [*_capped(lines), *_moved("Program version", previous.program.version, now.program.version)]


def _taste(data: BareDossier) -> str:
    own = data.taste
    return "none" if own is None else f"{own.name} of {own.made[:10] or 'no date'} ({own.pieces} pieces)"


def _advice(previous: BareDossier, now: BareDossier) -> list[str]:
    lines = _moved("Advice", _way(previous.approach), _way(now.approach))
    sections = {section.name: _way(section) for section in previous.approach.sections}
    moved = [f"{section.name}: {_way(section)}" for section in now.approach.sections
             if sections.get(section.name, _way(section)) != _way(section)]  # fmt: skip
    if moved:
        lines.append(f"Advice by section: {_names(moved, '; ')}.")
    lines += _moved("Fill", _percent(previous.instrumental.fill), _percent(now.instrumental.fill))
    zones = []
    for zone in ZONES:
        after, before = now.instrumental.zones.get(zone.key), previous.instrumental.zones.get(zone.key)
        if after is not None and before is not None and abs(after - before) >= _ZONE_STEP:
            zones.append(f"{zone.label} {_percent(after)} (was {_percent(before)})")
    if zones:
        lines.append(f"Zones: {', '.join(zones)}.")
    return lines


def _drums(previous: BareDossier, now: BareDossier) -> list[str]:
    first = _first(now)
    lines = _moved("First in the ranking", _first(previous) or "none", first) if first else []
    before = [part.file for part in previous.balance.parts if part.chosen]
    after = [part.file for part in now.balance.parts if part.chosen]
    plans = {plan.id: [step.label for step in plan.steps] for plan in previous.plans if plan.helped}
    treated = {plan.id: [step.label for step in plan.steps] for plan in now.plans if plan.helped}
    listed = {
        "Chosen drums, new": [file for file in after if file not in before],
        "Chosen drums, no longer": [file for file in before if file not in after],
        "Treatment changed": [
            plan.candidate for plan in now.plans if plan.id in treated and treated[plan.id] != plans.get(plan.id)
        ],
        "No longer treated": [
            plan.candidate for plan in previous.plans
            if plan.id in plans and plan.id not in treated and plan.candidate in (*after, "kit")
        ],
    }  # fmt: skip
    return [*lines, *(f"{what}: {_names(files)}." for what, files in listed.items() if files)]


def _levels(previous: BareDossier, now: BareDossier) -> list[str]:
    old = {part.id: part for part in previous.balance.parts if part.chosen}
    gains = (
        line for part in now.balance.parts if part.chosen and part.id in old
        for line in _moved_level(f"Gain of {part.part}", old[part.id].gain_db, part.gain_db, "dB")
    )  # fmt: skip
    was, mix = previous.balance.mix, now.balance.mix
    return [
        *_capped(gains),
        *_moved_level("Rough mix", was.integrated_lufs, mix.integrated_lufs, "LUFS"),
        *_moved_level("True peak of the rough mix", was.true_peak_dbtp, mix.true_peak_dbtp, "dBTP"),
    ]


def _first(data: BareDossier) -> str | None:
    ranked = [candidate for candidate in data.candidates if candidate.score is not None]
    best = max(ranked, key=lambda candidate: candidate.score or 0.0, default=None)
    return best.file if best else None


def _way(advice: Approach | SectionApproach) -> str:
    return f"{advice.kind}, {advice.direction}"


def _moved(name: str, old: str, new: str) -> list[str]:
    """One line, or none where it reads as before."""
    return [] if new == old else [f"{name}: {new} (was {old})."]


def _moved_level(name: str, old: float | None, new: float | None, unit: str) -> list[str]:
    return _moved(name, _level(old, unit), _level(new, unit))


def _names(names: Sequence[str], joint: str = ", ") -> str:
    if len(names) <= _LISTED:
        return joint.join(names)
    return f"{joint.join(names[: _LISTED - 1])} and {len(names) - _LISTED + 1} more"


def _counted(kind: str, what: str, files: Sequence[str]) -> list[str]:
    one, many = _KINDS.get(kind, (kind.capitalize(), kind.capitalize()))
    if len(files) > 1:
        return [f"{many} {what} ({len(files)}): {_names(files)}."]
    return [f"{one} {what}: {file}." for file in files]


def _capped(lines: Iterable[str]) -> list[str]:
    lines = list(lines)
    if len(lines) <= _LINES:
        return lines
    return [*lines[: _LINES - 1], f"And {len(lines) - _LINES + 1} more of that kind."]


def _percent(share: float) -> str:
    return f"{number(100 * share, 0)} %"


def _level(value: float | None, unit: str) -> str:
    return "not measurable" if value is None else f"{number(value)} {unit}"
