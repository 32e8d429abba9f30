"""The whole page in words: every number becomes a text here and in the `view_*` modules beside this one.

Findings bring their own sentences; what is added here only words numbers.  Nothing below this stage rounds, converts
or chooses: the templates put texts in their places.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from markupsafe import Markup

from dossier.model.datafile import DossierData
from dossier.model.page import PageAssets, Preview
from dossier.model.vocabulary import ZONE_KEYS
from dossier.render import plots, words
from dossier.render.trim import Trimmed
from dossier.render.view_drums import DrumsView, drums_view
from dossier.render.view_levels import LevelsView, LowEndView, levels_view, low_end_view
from dossier.render.view_plans import TreatmentsView, treatments_view, used_files
from dossier.render.view_record import MethodView, RecordView, method_view, record_view
from dossier.render.view_room import RoomView, room_view


@dataclass(frozen=True, slots=True)
class Figure:
    """One of the five figures of the head."""

    label: str
    value: str
    note: str
    term: str = ""


@dataclass(frozen=True, slots=True)
class HeadView:
    title: str
    artist: str
    revision: str
    made: str
    facts: tuple[tuple[str, str], ...]
    verdict: str
    figures: tuple[Figure, ...]
    zones: Markup
    zones_note: str
    in_short: tuple[str, ...]
    reasons: tuple[str, ...]
    uncertain: str
    changes: tuple[str, ...]
    changes_title: str
    sections: tuple[tuple[str, str, str], ...]  # section, approach, reason
    what_if: tuple[tuple[str, str], ...]  # text, outcome
    waiting: str


@dataclass(frozen=True, slots=True)
class PlayerView:
    sounds: tuple[Preview, ...]
    layers: tuple[Preview, ...]
    where: str
    absent: str


@dataclass(frozen=True, slots=True)
class PageView:
    head: HeadView
    room: RoomView
    drums: DrumsView
    treatments: TreatmentsView
    levels: LevelsView
    low_end: LowEndView
    record: RecordView
    method: MethodView
    player: PlayerView
    terms: Mapping[str, str]


def approach_words(kind: str, direction: str) -> str:
    """`separate one-shots, leaner`."""
    return f"{words.APPROACH_WORDS.get(kind, kind)}, {direction}"


def facts(data: DossierData) -> tuple[tuple[str, str], ...]:
    beat = data.beat

    def sourced(value: str, field: str) -> str:
        source = beat.sources.get(field)
        return f"{value} ({source})" if source in {"estimated", "assumed", "tag"} else value

    tempo = f"{words.number(beat.tempo_bpm, 1).removesuffix('.0')}{words.NBSP}BPM"
    return (
        ("tempo", sourced(tempo, "tempo_bpm")),
        ("key", sourced(beat.key, "key") if beat.key else "none found"),
        ("meter", sourced(beat.meter, "meter")),
        ("length", f"{words.clock(beat.duration_s)}, {words.count(beat.bars, 'bar')}"),
    )


def head_figures(data: DossierData) -> tuple[Figure, ...]:
    room, mix, approach = data.instrumental, data.balance.mix, data.approach

    def taken(key: str) -> str:
        return f"{words.percent(room.zones.get(key))} taken, {words.zone_range(key)}"

    if mix.integrated_lufs is None:
        loud = Figure("rough mix", "none", "no drums were chosen")
    else:
        loud = Figure(
            "rough mix", words.lufs(mix.integrated_lufs), f"true peak {words.dbtp(mix.true_peak_dbtp)}", "LUFS"
        )
    return (
        Figure("fill", words.percent(room.fill), "of a full mix is already taken", "fill"),
        Figure("roomiest zone", words.zone(room.roomiest_zone), taken(room.roomiest_zone), "zone"),
        Figure("fullest zone", words.zone(room.fullest_zone), taken(room.fullest_zone), "zone"),
        Figure(
            "approach",
            words.capital(words.APPROACH_WORDS.get(approach.kind, approach.kind)),
            approach.direction,
            "approach",
        ),
        loud,
    )


def short_name(file: str) -> str:
    """A file without its folders."""
    return file.rsplit("/", 1)[-1]


def in_short(data: DossierData) -> tuple[str, ...]:
    """What to do, in three or four lines."""
    lines = []
    said = [f"{part.part} {short_name(part.file)} at {words.db(part.gain_db, sign=True)}"
            for part in data.balance.parts if part.chosen]  # fmt: skip
    known = {part.file for part in data.balance.parts if part.chosen}
    said += [f"{words.role(c.role)} {c.name}".strip() for c in data.candidates if c.chosen and c.file not in known]
    if said:
        lines.append(f"Use {words.listed(said)}.")
    used = used_files(data)
    helped = [plan for plan in data.plans if plan.helped and plan.steps and plan.candidate in used]
    for plan in helped[:3]:
        steps = words.listed(step.label for step in plan.steps)
        lines.append(f"Make {short_name(plan.candidate)} {plan.direction}: {steps}.")
    if len(helped) > 3:
        lines.append(f"{words.capital(words.count(len(helped) - 3, 'further treatment'))} under Treatments.")
    return tuple(lines)


def head_view(data: DossierData, record: RecordView) -> HeadView:
    approach, revision = data.approach, data.revision
    zones = [(words.zone(key), data.instrumental.zones.get(key, 0.0)) for key in ZONE_KEYS]
    what_if = []
    for each in approach.what_would_change_it:
        outcome = f"fill {words.percent(each.fill)}, {approach_words(each.kind, each.direction)}"
        what_if.append((each.text, outcome))
    return HeadView(
        title=data.beat.title,
        artist=data.beat.artist,
        revision=revision.id,
        made=words.day(revision.made),
        facts=facts(data),
        verdict=approach.verdict,
        figures=head_figures(data),
        zones=plots.bars(
            zones, label="Taken by zone: " + words.listed(f"{name} {words.percent(v)}" for name, v in zones)
        ),
        zones_note="Per cent of each zone that the instrumental takes.",
        in_short=in_short(data),
        reasons=approach.reasons,
        uncertain=approach.uncertain or "",
        changes=revision.changes,
        changes_title=f"What changed since {revision.previous}" if revision.previous else "What changed",
        sections=tuple((s.name, approach_words(s.kind, s.direction), s.reason) for s in approach.sections),
        what_if=tuple(what_if),
        waiting=record.waiting,
    )


def player_view(data: DossierData, assets: PageAssets) -> PlayerView:
    sounds = assets.previews
    layers = tuple(p for p in sounds if p.group == "layer")
    where = ""
    if layers:
        occupancy = data.occupancy
        bar_s = occupancy.slot_s * occupancy.slots_per_bar
        first = round((layers[0].start_s - occupancy.first_slot_s) / bar_s) + 1 if bar_s > 0 else 1
        last = first + max(1, round(layers[0].duration_s / bar_s)) - 1 if bar_s > 0 else 1
        where = f"bar {first}" if first == last else f"bars {first}\u2013{last}"
    return PlayerView(
        sounds=sounds, layers=layers, where=where,
        absent="" if sounds else "No sound is embedded in this page.",
    )  # fmt: skip


def page_view(trimmed: Trimmed, assets: PageAssets, *, has_constants: bool = False) -> PageView:
    """Every text of the page, from the data file and what is embedded beside it."""
    data = trimmed.data
    record = record_view(data)
    return PageView(
        head=head_view(data, record), room=room_view(data), drums=drums_view(trimmed, assets),
        treatments=treatments_view(data, assets), levels=levels_view(data, assets, has_constants=has_constants),
        low_end=low_end_view(data), record=record,
        method=method_view(data, inputs_left_out=trimmed.inputs), player=player_view(data, assets),
        terms=words.TERMS,
    )  # fmt: skip
