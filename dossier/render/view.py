"""The whole page in words: every number becomes a text here and in the `view_*` modules beside this one.

Findings bring their own sentences; the views only word numbers.  Templates place texts: they neither round nor convert.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from markupsafe import Markup

from dossier.model.datafile import DossierData
from dossier.model.page import PageAssets, Preview
from dossier.model.vocabulary import ZONE_KEYS
from dossier.render import charts, glossary
from dossier.render import format as fmt
from dossier.render.trim import Trimmed
from dossier.render.view_drums import DrumsView, drums_view
from dossier.render.view_levels import LevelsView, levels_view
from dossier.render.view_low_end import LowEndView, low_end_view
from dossier.render.view_method import MethodView, method_view
from dossier.render.view_record import RecordView, record_view
from dossier.render.view_room import RoomView, room_view
from dossier.render.view_treatments import TreatmentsView, treatments_view, used_files


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
    in_short: tuple[str, ...]
    reasons: tuple[str, ...]
    uncertain: str
    changes: tuple[str, ...]
    changes_title: str
    sections: tuple[tuple[str, str, str], ...]  # section, approach, reason
    what_if: tuple[tuple[str, str], ...]  # text, outcome


@dataclass(frozen=True, slots=True)
class PlayerView:
    sounds: tuple[Preview, ...]
    layers: tuple[Preview, ...]
    where: str


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


def facts(data: DossierData) -> tuple[tuple[str, str], ...]:
    beat = data.beat

    def sourced(value: str, field: str) -> str:
        source = beat.sources.get(field)
        return f"{value} ({source})" if source in {"estimated", "assumed"} else value

    return (
        ("tempo", sourced(f"{fmt.plain(beat.tempo_bpm)}{fmt.NBSP}BPM", "tempo_bpm")),
        ("key", sourced(beat.key, "key") if beat.key else "none found"),
        ("meter", sourced(beat.meter, "meter")),
        ("length", f"{fmt.clock(beat.duration_s)}, {fmt.count(beat.bars, 'bar')}"),
    )


def head_figures(data: DossierData) -> tuple[Figure, ...]:
    room, mix, approach = data.instrumental, data.balance.mix, data.approach

    def zone(label: str, key: str) -> Figure:
        note = f"{fmt.percent(room.zones.get(key))} taken, {glossary.zone_range(key)}"
        return Figure(label, glossary.zone(key), note, "zone")

    kind = fmt.capital(glossary.APPROACH_WORDS.get(approach.kind, approach.kind))
    loud = Figure("rough mix", fmt.lufs(mix.integrated_lufs), f"true peak {fmt.dbtp(mix.true_peak_dbtp)}", "LUFS")
    return (
        Figure("fill", fmt.percent(room.fill), "of a full mix is already taken", "fill"),
        zone("roomiest zone", room.roomiest_zone),
        zone("fullest zone", room.fullest_zone),
        Figure("approach", kind, approach.direction, "approach"),
        loud if mix.integrated_lufs is not None else Figure("rough mix", "none", "no drums were chosen"),
    )


def in_short(data: DossierData) -> tuple[str, ...]:
    """What to do, in three or four lines."""
    lines = []
    said = [f"{part.part} {fmt.file_name(part.file)} at {fmt.db(part.gain_db, sign=True)}"
            for part in data.balance.parts if part.chosen]  # fmt: skip
    known = {part.file for part in data.balance.parts if part.chosen}
    said += [f"{glossary.role(c.role)} {c.name}".strip() for c in data.candidates if c.chosen and c.file not in known]
    if said:
        lines.append(f"Use {fmt.listed(said)}.")
    used = used_files(data)
    helped = [plan for plan in data.plans if plan.helped and plan.steps and plan.candidate in used]
    for plan in helped[:3]:
        steps = fmt.listed(step.label for step in plan.steps)
        lines.append(f"Make {fmt.file_name(plan.candidate)} {plan.direction}: {steps}.")
    if len(helped) > 3:
        lines.append(f"{fmt.capital(fmt.count(len(helped) - 3, 'further treatment'))} under Treatments.")
    return tuple(lines)


def head_view(data: DossierData) -> HeadView:
    approach, revision = data.approach, data.revision
    zones = [(glossary.zone(key), data.instrumental.zones.get(key, 0.0)) for key in ZONE_KEYS]
    said = fmt.listed(f"{name} {fmt.percent(share)}" for name, share in zones)
    return HeadView(
        title=data.beat.title, artist=data.beat.artist, revision=revision.id, made=fmt.day(revision.made),
        facts=facts(data), verdict=approach.verdict, figures=head_figures(data),
        zones=charts.bars(zones, label=f"Taken by zone: {said}"),
        in_short=in_short(data), reasons=approach.reasons, uncertain=approach.uncertain or "",
        changes=revision.changes,
        changes_title=f"What changed since {revision.previous}" if revision.previous else "What changed",
        sections=tuple((s.name, glossary.approach(s.kind, s.direction), s.reason) for s in approach.sections),
        what_if=tuple(
            (each.text, f"fill {fmt.percent(each.fill)}, {glossary.approach(each.kind, each.direction)}")
            for each in approach.what_would_change_it
        ),
    )  # fmt: skip


def player_view(data: DossierData, assets: PageAssets) -> PlayerView:
    layers = tuple(sound for sound in assets.previews if sound.group == "layer")
    bar_s = data.occupancy.slot_s * data.occupancy.slots_per_bar
    if not layers or bar_s <= 0:
        return PlayerView(assets.previews, layers, "")
    first = round((layers[0].start_s - data.occupancy.first_slot_s) / bar_s) + 1
    last = first + max(1, round(layers[0].duration_s / bar_s)) - 1
    return PlayerView(assets.previews, layers, f"bar {first}" if first == last else f"bars {first}\u2013{last}")


def page_view(trimmed: Trimmed, assets: PageAssets, *, has_constants: bool = False) -> PageView:
    """Every text of the page, from the data file and what is embedded beside it."""
    data = trimmed.data
    return PageView(
        head=head_view(data), room=room_view(data), drums=drums_view(trimmed, assets),
        treatments=treatments_view(data, assets), levels=levels_view(data, assets, has_constants=has_constants),
        low_end=low_end_view(data), record=record_view(data, assets.standing),
        method=method_view(data, inputs_left_out=trimmed.inputs), player=player_view(data, assets),
        terms=glossary.terms(glossary.settings_of(data)),
    )  # fmt: skip
