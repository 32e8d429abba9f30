"""What changed from one revision to the next, in words that a producer or a client reads.

Conventions
    A line a change, the cause before its effects: what the beat is, which files went in, which settings, then what came
    out of it.  A number that rounds to the same figure as before has not changed.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from dossier.model.datafile import DossierData, InputFile
from dossier.model.findings import Approach
from dossier.model.vocabulary import ZONES
from dossier.render.format import number, plain

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


def changes(previous: DossierData, now: DossierData) -> tuple[str, ...]:
    """What is different in `now`, in sentences; one that says so where nothing is.

    Parameters
    ----------
    previous, now : DossierData
        Two dossiers of one beat, the older first.
    """
    lines = [
        *_facts(previous, now),
        *_files(previous.inputs, now.inputs),
        *_settings(previous, now),
        *_advice(previous, now),
        *_drums(previous, now),
        *_levels(previous, now),
    ]
    return tuple(lines) or ("Nothing that was measured or advised has changed.",)


def _facts(previous: DossierData, now: DossierData) -> list[str]:
    was, beat = previous.beat, now.beat
    pairs: Sequence[tuple[str, str, str]] = (
        ("Title", was.title, beat.title),
        ("Artist", was.artist or "not given", beat.artist or "not given"),
        ("Tempo", f"{plain(was.tempo_bpm, 2)} BPM", f"{plain(beat.tempo_bpm, 2)} BPM"),
        ("Key", was.key or "not known", beat.key or "not known"),
        ("Meter", was.meter, beat.meter),
        ("Swing", f"{plain(100 * was.swing, 1)} %", f"{plain(100 * beat.swing, 1)} %"),
        ("First downbeat", f"{number(was.first_downbeat_s, 3)} s", f"{number(beat.first_downbeat_s, 3)} s"),
        ("Length", f"{was.bars} bars", f"{beat.bars} bars"),
        ("Intent", was.intent, beat.intent),
        ("Target loudness", _level(was.target_lufs, "LUFS"), _level(beat.target_lufs, "LUFS")),
        ("Listening level", f"{plain(was.listening_level_db_spl, 1)} dB SPL",
         f"{plain(beat.listening_level_db_spl, 1)} dB SPL"),
    )  # fmt: skip
    return [_now_was(name, new, old) for name, old, new in pairs if old != new]


def _files(previous: Sequence[InputFile], now: Sequence[InputFile]) -> list[str]:
    lines: list[str] = []
    kinds = [*_KINDS, *sorted({entry.kind for entry in (*previous, *now)} - set(_KINDS))]
    for kind in kinds:
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
        other = [after.file for before, after in both if before.sha256 != after.sha256]
        lines += [
            *_counted(kind, "added", come),
            *_counted(kind, "removed", gone),
            *_counted(kind, "changed", other),
            *_capped([f"{_KINDS.get(kind, (kind, kind))[0]} renamed: {a}, now {b}." for a, b in renamed]),
            *_capped([_now_was(f"Gain of {after.file}", _level(after.gain_db, "dB"), _level(before.gain_db, "dB"))
                      for before, after in both if _level(before.gain_db, "dB") != _level(after.gain_db, "dB")]),
            *_capped([_now_was(f"Rights of {after.file}", after.rights, before.rights)
                      for before, after in both if before.rights != after.rights]),
            *_counted(kind, "no longer readable", [b.file for a, b in both if a.used and not b.used]),
            *_counted(kind, "readable again", [b.file for a, b in both if b.used and not a.used]),
        ]  # fmt: skip
    return lines


def _settings(previous: DossierData, now: DossierData) -> list[str]:
    old = {setting.name: setting for setting in previous.settings}
    lines = []
    for setting in now.settings:
        before = old.get(setting.name)
        value = before.value if before else setting.default
        if value != setting.value:
            unit = f" {setting.unit}" if setting.unit else ""
            name = setting.name.replace("_", " ")
            lines.append(_now_was(f"Setting '{name}'", f"{plain(setting.value, 6)}{unit}", f"{plain(value, 6)}{unit}"))
    lines = _capped(lines)
    if previous.program.version != now.program.version:
        lines.append(_now_was("Program version", now.program.version, previous.program.version))
    return lines


def _advice(previous: DossierData, now: DossierData) -> list[str]:
    lines = []
    old, new = _approach(previous.approach), _approach(now.approach)
    if old != new:
        lines.append(_now_was("Advice", new, old))
    sections = {section.name: section for section in previous.approach.sections}
    moved = []
    for section in now.approach.sections:
        before = sections.get(section.name)
        if before and (before.kind, before.direction) != (section.kind, section.direction):
            moved.append(f"{section.name}: {section.kind}, {section.direction}")
    if moved:
        lines.append(f"Advice by section: {_names(moved, '; ')}.")
    fill, was = _percent(now.instrumental.fill), _percent(previous.instrumental.fill)
    if fill != was:
        lines.append(_now_was("Fill", fill, was))
    zones = []
    for zone in ZONES:
        after, earlier = now.instrumental.zones.get(zone.key), previous.instrumental.zones.get(zone.key)
        if after is not None and earlier is not None and abs(after - earlier) >= _ZONE_STEP:
            zones.append(f"{zone.label} {_percent(after)} (was {_percent(earlier)})")
    if zones:
        lines.append(f"Zones: {', '.join(zones)}.")
    return lines


def _drums(previous: DossierData, now: DossierData) -> list[str]:
    lines = []
    old, new = _first(previous), _first(now)
    if old != new and new is not None:
        lines.append(_now_was("First in the ranking", new, old or "none"))
    before = [part.file for part in previous.balance.parts if part.chosen]
    after = [part.file for part in now.balance.parts if part.chosen]
    come = [file for file in after if file not in before]
    gone = [file for file in before if file not in after]
    if come:
        lines.append(f"Chosen drums, new: {_names(come)}.")
    if gone:
        lines.append(f"Chosen drums, no longer: {_names(gone)}.")
    plans = {plan.id: [step.label for step in plan.steps] for plan in previous.plans if plan.helped}
    treated = {plan.id: [step.label for step in plan.steps] for plan in now.plans if plan.helped}
    moved = [plan.candidate for plan in now.plans if plan.id in treated and treated[plan.id] != plans.get(plan.id)]
    if moved:
        lines.append(f"Treatment changed: {_names(moved)}.")
    dropped = [plan.candidate for plan in previous.plans
               if plan.id in plans and plan.id not in treated and plan.candidate in (*after, "kit")]  # fmt: skip
    if dropped:
        lines.append(f"No longer treated: {_names(dropped)}.")
    return lines


def _levels(previous: DossierData, now: DossierData) -> list[str]:
    old = {part.id: part for part in previous.balance.parts if part.chosen}
    gains = []
    for part in now.balance.parts:
        before = old.get(part.id) if part.chosen else None
        if before and _level(before.gain_db, "dB") != _level(part.gain_db, "dB"):
            gains.append(_now_was(f"Gain of {part.part}", _level(part.gain_db, "dB"), _level(before.gain_db, "dB")))
    lines = _capped(gains)
    mix, was = now.balance.mix, previous.balance.mix
    if _level(mix.integrated_lufs, "LUFS") != _level(was.integrated_lufs, "LUFS"):
        lines.append(_now_was("Rough mix", _level(mix.integrated_lufs, "LUFS"), _level(was.integrated_lufs, "LUFS")))
    if _level(mix.true_peak_dbtp, "dBTP") != _level(was.true_peak_dbtp, "dBTP"):
        peak, before_peak = _level(mix.true_peak_dbtp, "dBTP"), _level(was.true_peak_dbtp, "dBTP")
        lines.append(_now_was("True peak of the rough mix", peak, before_peak))
    return lines


def _first(data: DossierData) -> str | None:
    ranked = [candidate for candidate in data.candidates if candidate.score is not None]
    best = max(ranked, key=lambda candidate: candidate.score or 0.0, default=None)
    return best.file if best else None


def _approach(approach: Approach) -> str:
    return f"{approach.kind}, {approach.direction}"


def _now_was(name: str, new: str, old: str) -> str:
    return f"{name}: {new} (was {old})."


def _names(names: Iterable[str], joint: str = ", ") -> str:
    names = list(names)
    if len(names) <= _LISTED:
        return joint.join(names)
    return f"{joint.join(names[: _LISTED - 1])} and {len(names) - _LISTED + 1} more"


def _counted(kind: str, what: str, files: Sequence[str]) -> list[str]:
    if not files:
        return []
    one, many = _KINDS.get(kind, (kind.capitalize(), kind.capitalize()))
    if len(files) == 1:
        return [f"{one} {what}: {files[0]}."]
    return [f"{many} {what} ({len(files)}): {_names(files)}."]


def _capped(lines: list[str]) -> list[str]:
    if len(lines) <= _LINES:
        return lines
    return [*lines[: _LINES - 1], f"And {len(lines) - _LINES + 1} more of that kind."]


def _percent(share: float) -> str:
    return f"{number(100 * share, 0)} %"


def _level(value: float | None, unit: str) -> str:
    return "not measurable" if value is None else f"{number(value)} {unit}"
