"""Section 2: the candidates, how each fits this beat and why; the pattern; what room is left."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from types import SimpleNamespace

from dossier.model.datafile import DossierData, PatternInfo
from dossier.model.findings import Candidate, Fit, Kit
from dossier.model.measures import LoopHit
from dossier.model.page import PageAssets
from dossier.model.vocabulary import ROLES, ZONE_KEYS
from dossier.render import charts, glossary, tables
from dossier.render import format as fmt
from dossier.render.map_axes import beats_per_bar
from dossier.render.tables import Cell
from dossier.render.trim import Trimmed, by_score


def fit_cells(score: float | None, fit: Fit | None, gain_db: float | None) -> tuple[Cell, ...]:
    return (
        tables.level(score, digits=2),
        tables.share(fit.room_filled if fit else None, small=True),
        tables.share(fit.overlap if fit else None, small=True),
        tables.share(fit.audible_share if fit else None),
        tables.level(fit.lift_lu if fit else None, sign=True),
        tables.level(gain_db, sign=True),
    )


def score_terms(terms: Mapping[str, float], largest: float) -> list[tuple[str, str, float]]:
    """The weighted parts of a score: label, text and share of the largest term in the table, -1 to 1."""
    return [
        (fmt.capital(name), fmt.number(value, 2, sign=True), value / largest if largest else 0.0)
        for name, value in terms.items()
    ]


def loop_sentence(candidate: Candidate) -> str:
    loop = candidate.loop
    if loop is None:
        return ""
    methods = {"as it is": "Played as it is", "repitch": "Repitched", "stretch": "Stretched", "sliced": "Sliced",
               "re-laid": "Re-laid"}  # fmt: skip
    method = methods.get(loop.method, loop.method)
    start = "" if loop.source_tempo_bpm is None else f" from {fmt.number(loop.source_tempo_bpm, 1)}{fmt.NBSP}BPM"
    text = f"{method}{start}, tempo {fmt.number(loop.change_percent, 1, sign=True, unit='%')}"
    if loop.semitones:
        text += f", pitch {fmt.number(loop.semitones, 2, sign=True)} semitones"
    text += f", {fmt.number(loop.beats, 0)} beats a pass."
    poor = " A poor match for this tempo." if loop.poor_match else ""
    return f"{text}{poor} {loop.note}".strip()


def details(candidate: Candidate) -> tuple[str, ...]:
    """What else is known of a file, in sentences."""
    return tuple(filter(None, (
        loop_sentence(candidate), fit_sentence(candidate.fit), hits_sentence(candidate.hits), own_sentence(candidate)
    )))  # fmt: skip


def fit_sentence(fit: Fit | None) -> str:
    if fit is None:
        return ""
    tuning = "not asked (unpitched)" if fit.tuning_match is None else fmt.percent(fit.tuning_match)
    return (
        f"Spill {fmt.small_percent(fit.spill)}, instrumental buried {fmt.small_percent(fit.buried)}, tempo match "
        f"{fmt.percent(fit.tempo_match)}, tuning match {tuning}, mono loss {fmt.lu(fit.mono_loss_lu)}."
    )


def own_sentence(c: Candidate) -> str:
    figures = (
        ("integrated loudness", c.integrated_lufs, fmt.lufs), ("one hit", c.one_hit_lufs, fmt.lufs),
        ("true peak", c.true_peak_dbtp, fmt.dbtp), ("crest factor", c.crest_factor_db, fmt.db),
        ("length", c.effective_length_s, fmt.seconds),
    )  # fmt: skip
    known = [f"{name} {say(value)}" for name, value, say in figures if value is not None]
    if c.pitch_hz and c.pitch_note:
        known.append(f"pitch {fmt.hz(c.pitch_hz)} ({c.pitch_note})")
    return f"On its own: {', '.join(known)}." if known else ""


def hits_sentence(hits: Sequence[LoopHit]) -> str:
    """What a loop plays, so that it can be compared with a kit part by part."""
    counts = Counter(hit.role for hit in hits).most_common()
    return f"One pass plays {fmt.listed(f'{n} {glossary.role(role)}' for role, n in counts)}." if hits else ""


def sound_of(file: str, data: DossierData, sounds: frozenset[str]) -> str | None:
    """Id of the sound that plays a drum: its layer in the rough mix, else its own preview."""
    layers = [part.id for part in data.balance.parts if part.chosen and part.file == file]
    return next((name for name in (*layers, f"candidate:{file}") if name in sounds), None)


def candidate_row(candidate: Candidate, largest: float, preview: str | None) -> SimpleNamespace:
    """A row of a ranking.  `preview`: id of its sound; empty: the rough mix; None: it cannot be heard here."""
    return SimpleNamespace(
        id=candidate.file, name=candidate.name, kind=candidate.kind, role=glossary.role(candidate.role),
        chosen=candidate.chosen, rights=candidate.rights, origin=candidate.origin, members=(),
        looked_at=glossary.LOOKED_WORDS.get(candidate.looked_at, candidate.looked_at),
        reason=fmt.sentence(candidate.reason), cells=fit_cells(candidate.score, candidate.fit, candidate.gain_db),
        terms=score_terms(candidate.terms, largest), details=details(candidate),
        problems=[fmt.sentence(p) for p in candidate.problems], preview=preview,
    )  # fmt: skip


def kit_row(data: DossierData, kit: Kit, chosen: bool, largest: float, preview: str | None) -> SimpleNamespace:
    rights = {c.file: c.rights for c in data.candidates}
    states = [rights.get(member.file, "unknown") for member in kit.members]
    worst_first = ("unknown", "pending", "licensed", "cleared", "own")
    missing = fmt.listed(glossary.role(r) for r in kit.missing_roles)
    return SimpleNamespace(
        id="kit", name="Kit of one-shots", kind="kit", role="kit", chosen=chosen, origin="", problems=(),
        rights=min(states, key=worst_first.index, default="unknown"),
        looked_at=glossary.LOOKED_WORDS["closely"], reason=fmt.sentence(kit.reason),
        cells=fit_cells(kit.score, kit.fit, None), terms=score_terms(kit.terms, largest), preview=preview,
        details=(f"No file was found for {missing}.",) if missing else (),
        members=tuple(
            (fmt.capital(glossary.role(m.role)), m.file, fmt.db(m.gain_db, sign=True), fmt.sentence(m.reason))
            for m in kit.members
        ),
    )  # fmt: skip


def ranking(caption: str, rows: list[SimpleNamespace], left_out: int) -> SimpleNamespace:
    verb = "stands" if left_out == 1 else "stand"
    note = f"{fmt.count(left_out, 'more file')} of lower score {verb} in the data file." if left_out else ""
    return SimpleNamespace(caption=caption, rows=rows, left_out=fmt.capital(note))


def pattern_view(pattern: PatternInfo) -> SimpleNamespace:
    rows = [(glossary.role(row.role), row.cells) for row in pattern.rows]
    where = f"In the {pattern.section}" if pattern.section else "Throughout"
    source = "assumed, because none was given" if pattern.assumed else f"from {pattern.source}"
    beats = pattern.steps / max(1, pattern.steps_per_beat)
    wide = max((len(row.role) for row in pattern.rows), default=0)
    said = fmt.listed(f"{name} {fmt.count(sum(v > 0 for v in cells), 'hit')}" for name, cells in rows)
    return SimpleNamespace(
        title=f"{where}: {source}",
        note=pattern.note,
        drawing=charts.pattern_drawing(
            rows,
            steps_per_beat=pattern.steps_per_beat,
            label=f"Pattern of {fmt.number(beats, 0)} beats with {fmt.count(len(rows), 'part')}: {said}",
        ),
        tablature="\n".join(f"{row.role:<{wide}} |{''.join(map(_stroke, row.cells))}|" for row in pattern.rows),
    )


def _stroke(velocity: float) -> str:
    """Drum tablature: `-` rest, `o` soft, `x` hit, `X` accent (common practice, no source)."""
    return "-" if velocity <= 0 else "o" if velocity < 0.45 else "x" if velocity < 0.95 else "X"


def room_left_view(data: DossierData) -> SimpleNamespace | None:
    left = data.room_left
    if left is None:
        return None
    zones = [(glossary.zone(key), left.zones.get(key, 0.0)) for key in ZONE_KEYS]
    said = fmt.listed(f"{name} {fmt.percent(value)}" for name, value in zones)
    per_beat = max(1, len(left.slots) // beats_per_bar(data.beat.meter))
    slots = [(str(i // per_beat + 1) if i % per_beat == 0 else "", value) for i, value in enumerate(left.slots)]
    low, high = (fmt.percent(pick(left.slots, default=0.0)) for pick in (min, max))
    return SimpleNamespace(
        sentence=left.sentence,
        ideas=left.ideas,
        zones=charts.bars(zones, label=f"Room left by zone: {said}", class_="bars room"),
        slots=charts.bars(
            slots, label=f"Room left by sixteenth of the bar, {low} to {high}", class_="bars room narrow", step=40.0
        ),
    )


def summary(data: DossierData) -> str:
    looked = data.looked
    text = (
        f"Of {fmt.count(looked.files, 'drum file')}, {looked.measured} were measured on their own and "
        f"{looked.placed} laid in the beat and measured there."
    )
    if looked.unreadable:
        text += f" {fmt.capital(fmt.count(looked.unreadable, 'file'))} could not be read."
    return text


def drums_view(trimmed: Trimmed, assets: PageAssets) -> SimpleNamespace:
    data = trimmed.data
    sounds = frozenset(preview.id for preview in assets.previews)
    terms = [abs(v) for c in data.candidates for v in c.terms.values()]
    terms += [abs(v) for v in data.kit.terms.values()] if data.kit else []
    largest = max(terms, default=0.0)

    def rows_of(found: Iterable[Candidate]) -> list[SimpleNamespace]:
        return [candidate_row(c, largest, sound_of(c.file, data, sounds)) for c in by_score(found)]

    loops = by_score(c for c in data.candidates if c.kind == "loop")
    kit_chosen = any(c.chosen and c.kind == "one-shot" for c in data.candidates)
    heard = "" if kit_chosen and "instrumental" in sounds else None
    together = rows_of(loops)
    if data.kit is not None:
        score = data.kit.score
        place = sum(c.score is not None and c.score >= score for c in loops)
        together.insert(place, kit_row(data, data.kit, kit_chosen, largest, heard))
    roles = []
    for role in (*ROLES, None):
        rows = rows_of(c for c in data.candidates if c.kind == "one-shot" and c.role == role)
        if rows:
            name = glossary.role(role) or "no role found"
            roles.append(ranking(fmt.capital(name), rows, trimmed.rankings[role]))
    every = [*together, *(row for group in roles for row in group.rows)]
    states = sorted({row.rights for row in every}, key=list(glossary.RIGHTS_WORDS).index)
    return SimpleNamespace(
        summary=summary(data) if data.candidates else "",
        together=ranking("Loops and the kit, side by side", together, trimmed.rankings["loop"]) if together else None,
        by_role=tuple(roles),
        kinds=tuple(dict.fromkeys(row.kind for row in every)),
        rights=states,
        patterns=tuple(pattern_view(p) for p in data.patterns),
        room_left=room_left_view(data),
    )
