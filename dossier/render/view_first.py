"""The first screen and the recipe: what a reader with one minute hears, sees, sets and answers."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
from markupsafe import Markup

from dossier.model.datafile import DossierData, PatternInfo
from dossier.model.findings import BalancePart
from dossier.model.page import PageAssets
from dossier.model.vocabulary import ZONE_KEYS
from dossier.render import charts, glossary
from dossier.render import format as fmt
from dossier.render.map_axes import array

_STATES = {"open": "space", "part filled": "a little space"}


def facts(data: DossierData) -> str:
    beat = data.beat
    said = (
        ("tempo_bpm", f"{fmt.plain(beat.tempo_bpm)}{fmt.NBSP}BPM"), ("key", fmt.notes(beat.key or "no key found")),
        ("meter", beat.meter), ("", f"{fmt.count(beat.bars, 'bar')}, {fmt.clock(beat.duration_s)}"),
    )  # fmt: skip
    words = [f"{text} ({beat.sources[key]})" if beat.sources.get(key) in {"estimated", "assumed", "tag"} else text
             for key, text in said]  # fmt: skip
    return ", ".join([*words, f"{data.revision.id}, {fmt.day(data.revision.made)}"])


def zone_drums(data: DossierData) -> dict[str, float]:
    """What the chosen drums add to each zone, a share of what finished mixes carry."""
    occupancy, zones = data.occupancy, data.instrumental.zones
    music, both = array(occupancy.instrumental), array(occupancy.with_drums)
    if not both.size or not occupancy.reference_sone:
        return {}
    weights = np.asarray(occupancy.reference_sone)
    names = np.asarray(occupancy.band_zone)
    out = {}
    for key in ZONE_KEYS:
        rows = names == key
        without, whole = (float(weights[rows] @ m[rows].mean(axis=1)) for m in (music, both))
        if without > 0:
            out[key] = max(0.0, zones.get(key, 0.0) * (whole / without - 1.0))
    return out


def zones_drawing(data: DossierData) -> Markup:
    added, shares, states = zone_drums(data), data.instrumental.zones, data.instrumental.zone_states
    rows = []
    for key in ZONE_KEYS:
        music, drums = shares.get(key, 0.0), added.get(key, 0.0)
        state = states.get(key, "")
        word = "over-full" if state in _STATES and music + drums > 1.0 else _STATES.get(state, state)
        kept = data.instrumental.kept.get(key, 0.0)
        rows.append(charts.Stack(glossary.zone(key), glossary.zone_range(key), music, drums, kept, word))
    said = fmt.listed(f"{row.name} {row.word} ({fmt.percent(row.music + row.drums)})" for row in rows)
    return charts.stacks(rows, label=f"How full each zone is with the chosen drums, against finished mixes: {said}")


def level_words(level_lu: float | None) -> str:
    """`3.2 LU under the music`, empty where there is no level."""
    if level_lu is None:
        return ""
    if not fmt.number(level_lu).strip("0."):
        return "as loud as the music"
    return f"{fmt.lu(abs(level_lu))} {'over' if level_lu > 0 else 'under'} the music"


def recipe_view(data: DossierData, assets: PageAssets) -> SimpleNamespace:
    sounds = {sound.id for sound in assets.previews}
    rights = {f.file: f.rights for f in data.inputs}
    graded = {c.file: graded_words(c.grade, c.why, covering(data, c.file)) for c in data.candidates}
    loudest = max((p for p in data.balance.parts if p.chosen and p.level_lu is not None),
                  key=lambda p: p.level_lu or 0.0, default=None)  # fmt: skip
    status = {p.id: p.status for p in assets.standing.proposals}
    rows = []
    for part in (p for p in data.balance.parts if p.chosen):
        plan = next((p for p in data.plans if p.candidate == part.file and p.helped and part.treated), None)
        steps = [step.label for step in plan.steps if step.treatment != "output level"] if plan else []
        right = rights.get(part.file, "unknown")
        words = [] if right in glossary.RIGHTS_SETTLED else [glossary.rights(right)]
        words.append(status.get(f"gain:{part.id}", "awaiting answer"))
        rows.append(SimpleNamespace(
            part=fmt.capital(part.part), sound=f"part:{part.id}" if part.id in sounds else "",
            file=part.cycle_file or fmt.file_name(part.file),
            raw=", ".join(_from(part, data)) if part.cycle_file else "",
            gain=fmt.db(part.gain_db, sign=True), usual=spread(part.gain_range_db), level=beside(part, loudest),
            treatment=fmt.capital(", then ".join(steps)) if steps else "As it is",
            words=fmt.capital(graded.get(part.file) or part.advice), status=fmt.capital(", ".join(words)),
        ))  # fmt: skip
    music = data.balance.music_gain_db
    return SimpleNamespace(
        rows=rows, patterns=[pattern_view(p) for p in data.patterns], to_music=[c.text for c in data.balance.covered],
        music=fmt.db(music, sign=True) if fmt.number(music).strip("0.") else "",
    )  # fmt: skip


def covering(data: DossierData, file: str) -> str:
    """What covers a chosen drum, by name; empty where less than usual is not heard of it."""
    parts = {part.id: part for part in data.balance.parts if part.chosen}
    found = (one.by for one in data.balance.covered if one.part in parts and parts[one.part].file == file)
    by = next(found, "")
    return parts[by].part if by in parts else fmt.file_name(by).rsplit(".", 1)[0]


def graded_words(grade: str | None, why: str, by: str) -> str:
    """`workable: little is heard where a kick works`, `workable, but wide-pad covers it`."""
    return ", but ".join(filter(None, (grade, f"{by} covers it"))) if by else ": ".join(filter(None, (grade, why)))


def beside(part: BalancePart, loudest: BalancePart | None) -> str:
    """`17.4 LU under the music, 13.8 LU under the kick`: against the music and the loudest drum."""
    said = level_words(part.level_lu)
    if part is loudest or loudest is None or loudest.level_lu is None or part.level_lu is None:
        return said
    return f"{said}, {fmt.lu(loudest.level_lu - part.level_lu)} under the {loudest.part}"


def _from(part: BalancePart, data: DossierData) -> list[str]:
    """Where the file to drag in comes from, how much it is lowered, and its long version."""
    said = [f"from {fmt.file_name(part.file)}"]
    if part.cycle_file in data.lowered:
        said.append(f"lowered by {fmt.db(data.lowered[part.cycle_file])} to stay below full scale")
    return [*said, f"whole beat: {part.full_file}"] if part.full_file else said


def spread(range_db: tuple[float, float] | None) -> str:
    """`-11 to -7 is usual`: where else people would set a gain."""
    if range_db is None:
        return ""
    low, high = (fmt.number(end, 0, sign=True) for end in range_db)
    return "" if low == high else f"{low} to {high} is usual"


def pattern_view(pattern: PatternInfo) -> SimpleNamespace:
    rows = [(glossary.role(row.role), row.cells) for row in pattern.rows]
    where = f"Pattern in the {pattern.section}" if pattern.section else "Pattern"
    said = fmt.listed(f"{name} {fmt.count(sum(v > 0 for v in cells), 'hit')}" for name, cells in rows)
    return SimpleNamespace(
        title=f"{where}, {'assumed' if pattern.assumed else f'from {pattern.source}'}", note=pattern.note,
        drawing=charts.pattern_drawing(rows, steps_per_beat=pattern.steps_per_beat, label=f"{where}: {said}"),
    )  # fmt: skip


def hear(data: DossierData, assets: PageAssets) -> list[tuple[str, str]]:
    """The listening switches: value and label."""
    groups = {sound.group for sound in assets.previews}
    if "layer" not in groups:
        return []
    found = [("music", "music")]
    if any(part.chosen for part in data.balance.parts):
        if "untreated" in groups:
            found.append(("untreated", "drums as they are"))
        found.append(("treated", "drums treated" if "untreated" in groups else "with drums"))
    if "other" in groups:
        loop = any(p.role is None for p in data.balance.parts if not p.chosen)
        found.append(("other", f"the {'loop' if loop else 'kit'} instead"))
    return found


def where(data: DossierData, assets: PageAssets) -> str:
    """Which bars the listening excerpt covers, in which section."""
    bar_s = data.occupancy.slot_s * data.occupancy.slots_per_bar
    if not assets.previews or bar_s <= 0:
        return ""
    sound = assets.previews[0]
    first = round((sound.start_s - data.occupancy.first_slot_s) / bar_s) + 1
    last = first + max(1, round(sound.duration_s / bar_s)) - 1
    inside = [s.name for s in data.instrumental.sections if s.first_bar <= first < s.first_bar + s.bars]
    bars = f"Bar {first}" if first == last else f"Bars {first}\u2013{last}"
    return f"{bars}{f', {inside[0]}' if inside and len(data.instrumental.sections) > 1 else ''}."
