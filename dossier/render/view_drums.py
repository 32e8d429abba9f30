"""Loop against kit, and every candidate in a line, its figures one step further in."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from types import SimpleNamespace

from markupsafe import Markup

from dossier.model.datafile import DossierData
from dossier.model.findings import BalancePart, Candidate, Fit
from dossier.model.page import PageAssets
from dossier.model.vocabulary import ROLES
from dossier.render import charts, glossary
from dossier.render import format as fmt
from dossier.render.trim import Trimmed, by_score
from dossier.render.view_first import covering, level_words, spread

CUTS_DB = 40.0  # of a mark's height


def sides(data: DossierData) -> Markup | None:
    """The best loop and the best kit as stacked bars."""
    best = next(iter(by_score(c for c in data.candidates if c.kind == "loop" and c.fit)), None)
    rows, music = [], data.instrumental.fill
    for name, fit in (("loop", best.fit if best else None), ("kit", data.kit.fit if data.kit else None)):
        if fit is not None:
            rows.append(charts.Stack(name, "", music, fit.room_filled + fit.over))
    if len(rows) < 2:
        return None
    said = fmt.listed(f"with the {row.name} {fmt.percent(row.music + row.drums)}" for row in rows)
    return charts.stacks(rows, label=f"How full the beat is: {said}")


def row_of(c: Candidate, sounds: dict[str, str], layers: set[str], data: DossierData) -> SimpleNamespace:
    part = next((p for p in data.balance.parts if p.chosen and p.file == c.file), None) if c.chosen else None
    by = covering(data, c.file) if c.chosen else ""
    return SimpleNamespace(
        id=c.file, name=fmt.file_name(c.file), chosen=c.chosen, sound=sounds.get(c.file, ""), members=(),
        grade=graded(c.chosen, c.grade), level=level_words(c.level_lu), means=means_of(c, layers),
        why=f"{by} covers it" if by else c.why or (c.problems[0] if c.problems else c.reason.rstrip(".")),
        score=fmt.number(c.score, 2), terms=terms_words(c.terms),
        details=[line for line in map(fmt.sentence, details(c, part)) if line], cuts=cuts(c, data),
        slices=f"slices = [{', '.join(fmt.number(hit.time_s, 3) for hit in c.hits)}]",
    )  # fmt: skip


def terms_words(terms: Mapping[str, float]) -> str:
    """The terms that count for something, with their signs."""
    said = {name: fmt.number(value, 2, sign=True) for name, value in terms.items()}
    return ", ".join(f"{name} {value}" for name, value in said.items() if value.strip("0."))


def cuts(c: Candidate, data: DossierData) -> Markup | None:
    """Where a loop is cut, a row a role: what is found there, and how loud."""
    if not c.hits:
        return None
    length_s = next((entry.duration_s for entry in data.inputs if entry.file == c.file), None)
    end = length_s or c.hits[-1].time_s or 1.0
    rows, said = [], []
    for role in ROLES:
        own = [hit for hit in c.hits if hit.role == role]
        if own:
            marks = [(hit.time_s / end, min(1.0, max(0.0, 1.0 + hit.level_db / CUTS_DB))) for hit in own]
            rows.append((glossary.role(role), str(len(own)), marks))
            said.append(f"{glossary.role(role)} at {fmt.listed(f'{hit.time_s:.2f}' for hit in own)} s")
    return charts.hits(rows, label=f"Where it is cut: {'; '.join(said)}")


def graded(chosen: bool, grade: str | None) -> str:
    return ", ".join(filter(None, ("chosen" if chosen else "", grade)))


def means_of(c: Candidate, layers: set[str]) -> list[tuple[str, str, str]]:
    """The ways to bring a loop to the tempo: name, what it costs, and its sound where there is one; like with like."""
    found: dict[tuple[str, str], list[str]] = {}
    for one in c.means:
        sound = f"means:{one.means}:{c.file}"
        key = (one.why, sound if sound in layers else "")
        found.setdefault(key, []).append(f"{one.means}{' (chosen)' if one.chosen else ''}")
    return [(fmt.listed(names), why, sound) for (why, sound), names in found.items()]


def details(c: Candidate, part: BalancePart | None) -> list[str]:
    """`part`: of a chosen drum, whose figures are those beside the other drums."""
    own = (("integrated loudness", c.integrated_lufs, fmt.lufs), ("one hit", c.one_hit_lufs, fmt.lufs),
           ("true peak", c.true_peak_dbtp, fmt.dbtp), ("crest factor", c.crest_factor_db, fmt.db),
           ("length", c.effective_length_s, fmt.seconds))  # fmt: skip
    known = [f"{name} {say(value)}" for name, value, say in own if value is not None]
    if c.pitch_hz and c.pitch_note:
        known.append(f"pitch {fmt.hz(c.pitch_hz)} ({fmt.notes(c.pitch_note)})")
    counts = Counter(hit.role for hit in c.hits).most_common()
    plays = f"One pass: {fmt.listed(fmt.count(n, glossary.role(role)) for role, n in counts)}" if counts else ""
    rights = f"{fmt.capital(glossary.rights(c.rights))}{f'; origin: {c.origin}' if c.origin else ''}"
    return [c.reason, *c.problems, c.loop.note if c.loop else "", heard_words(part or c.fit, beside=part is not None),
            plays, f"The file by itself: {', '.join(known)}" if known else "", rights,
            glossary.LOOKED_WORDS.get(c.looked_at, ""), f"File: {c.file}"]  # fmt: skip


def heard_words(found: Fit | BalancePart | None, *, beside: bool) -> str:
    """What is heard of it, with the state in which that is measured."""
    if found is None:
        return ""
    state = "Beside the other drums" if beside else "Alone over the music"
    return (f"{state}: overlap {fmt.small_percent(found.overlap)}, audible share {fmt.percent(found.audible_share)}, "
            f"lift {fmt.lu(found.lift_lu, sign=True)}")  # fmt: skip


def kit_row(data: DossierData, sounding: bool) -> SimpleNamespace | None:
    kit = data.kit
    if kit is None:
        return None
    chosen = {c.file for c in data.candidates if c.chosen}
    is_chosen = {m.file for m in kit.members} <= chosen
    missing = fmt.listed(glossary.role(r) for r in kit.missing_roles)
    return SimpleNamespace(
        id="kit", name="kit of one-shots", chosen=is_chosen, grade=graded(is_chosen, kit.grade), level="",
        sound=("treated" if is_chosen else "other") if sounding else "", means=(), cuts=None,
        why=kit.why or kit.reason.rstrip("."), score=fmt.number(kit.score, 2),
        terms=terms_words(kit.terms),
        details=[*([f"No file was found for {missing}."] if missing else []), fmt.sentence(kit.reason),
                 fmt.sentence(heard_words(kit.fit, beside=False))],
        members=[(glossary.role(m.role), m.file, fmt.db(m.gain_db, sign=True), spread(m.gain_range_db))
                 for m in kit.members],
    )  # fmt: skip


def drums_view(trimmed: Trimmed, assets: PageAssets) -> SimpleNamespace:
    data = trimmed.data
    sounds = {s.id.removeprefix("candidate:"): s.id for s in assets.previews if s.id.startswith("candidate:")}
    layers = {s.id for s in assets.previews}
    sounds |= {p.file: f"part:{p.id}" for p in data.balance.parts if p.chosen and p.id in layers}

    def rows_of(found: Iterable[Candidate]) -> list[SimpleNamespace]:
        return [row_of(c, sounds, layers, data) for c in by_score(found)]

    groups = []
    loops = rows_of(c for c in data.candidates if c.kind == "loop")
    kit = kit_row(data, bool(assets.previews))
    if kit is not None and data.kit is not None:
        better = [c for c in data.candidates if c.kind == "loop" and (c.score or -99.0) >= data.kit.score]
        loops.insert(len(better), kit)
    named = [("Loops and the kit", loops, trimmed.rankings["loop"])]
    for role in (*ROLES, None):
        found = rows_of(c for c in data.candidates if c.kind == "one-shot" and c.role == role)
        named.append((fmt.capital(glossary.role(role)) or "No role found", found, trimmed.rankings[role]))
    for title, rows, more in named:
        note = f"{fmt.count(more, 'more file')} that fit no better in the data file." if more else ""
        if rows or more:
            groups.append(SimpleNamespace(title=title, rows=rows, left_out=fmt.capital(note)))
    looked = data.looked
    line = f"{fmt.capital(fmt.count(looked.files, 'file'))}, {looked.placed} tried in this beat"
    if looked.coarsely:
        line += f", {looked.coarsely} left after a coarse look"
    if looked.unreadable:
        line += f", {looked.unreadable} could not be read"
    counts = Counter(str(c.grade) for c in data.candidates if c.grade and not c.chosen)
    grades = {"fits well": ("fits well", "fit well"), "workable": ("is workable", "are workable"),
              "poor": ("is poor", "are poor")}  # fmt: skip
    said = [f"{counts[grade]} {words[counts[grade] > 1]}" for grade, words in grades.items() if counts[grade]]
    if said:
        line += f"; of those not chosen {fmt.listed(said)}"
    return SimpleNamespace(line=f"{line}.", groups=groups, sides=sides(data))
