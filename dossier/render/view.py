"""The whole page in words, here and in the `view_*` modules beside this one.

Findings bring their own sentences; the views only word numbers.  What the data file holds ready to read, templates
take from there (`data`), wording single numbers by `format` (`fmt`) and `glossary` (`words`); they never calculate.
A view is a `SimpleNamespace`: only templates read it, and Jinja's StrictUndefined holds them to its names.
"""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace

from markupsafe import Markup

from dossier.model.datafile import DossierData
from dossier.model.page import PageAssets, Preview
from dossier.model.vocabulary import ZONE_KEYS
from dossier.render import charts, glossary
from dossier.render import format as fmt
from dossier.render.trim import Trimmed
from dossier.render.view_drums import drums_view
from dossier.render.view_levels import levels_view
from dossier.render.view_low_end import low_end_view
from dossier.render.view_method import method_view
from dossier.render.view_record import record_view
from dossier.render.view_room import room_view
from dossier.render.view_treatments import treatments_view, used_files


def facts(data: DossierData) -> tuple[tuple[str, str], ...]:
    beat = data.beat

    def sourced(value: str, field: str) -> str:
        source = beat.sources.get(field)
        return f"{value} ({source})" if source in {"estimated", "assumed", "tag"} else value

    return (
        ("tempo", sourced(f"{fmt.plain(beat.tempo_bpm)}{fmt.NBSP}BPM", "tempo_bpm")),
        ("key", sourced(beat.key, "key") if beat.key else "none found"),
        ("meter", sourced(beat.meter, "meter")),
        ("length", f"{fmt.clock(beat.duration_s)}, {fmt.count(beat.bars, 'bar')}"),
    )


def head_figures(data: DossierData) -> tuple[tuple[str, str, str, str], ...]:
    """The five figures of the head: label, value, note and, where the label is one, its term."""
    room, mix, approach = data.instrumental, data.balance.mix, data.approach

    def zone(label: str, key: str) -> tuple[str, str, str, str]:
        taken = fmt.percent(room.zones.get(key))
        return label, glossary.zone(key), f"{taken} taken, {glossary.zone_range(key)}", "zone"

    kind = fmt.capital(glossary.APPROACH_WORDS.get(approach.kind, approach.kind))
    loud = ("rough mix", fmt.lufs(mix.integrated_lufs), f"true peak {fmt.dbtp(mix.true_peak_dbtp)}", "LUFS")
    return (
        ("fill", fmt.percent(room.fill), "of a full mix is already taken", "fill"),
        zone("roomiest zone", room.roomiest_zone),
        zone("fullest zone", room.fullest_zone),
        ("approach", kind, approach.direction, "approach"),
        loud if mix.integrated_lufs is not None else ("rough mix", "none", "no drums were chosen", ""),
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


def zone_bars(data: DossierData) -> Markup:
    zones = [(glossary.zone(key), data.instrumental.zones.get(key, 0.0)) for key in ZONE_KEYS]
    return charts.bars(zones, label=f"Taken by zone: {fmt.listed(f'{n} {fmt.percent(share)}' for n, share in zones)}")


def excerpt_bars(data: DossierData, layers: Sequence[Preview]) -> str:
    """Which bars the listening excerpt covers."""
    bar_s = data.occupancy.slot_s * data.occupancy.slots_per_bar
    if not layers or bar_s <= 0:
        return ""
    first = round((layers[0].start_s - data.occupancy.first_slot_s) / bar_s) + 1
    last = first + max(1, round(layers[0].duration_s / bar_s)) - 1
    return f"bar {first}" if first == last else f"bars {first}\u2013{last}"


def page_view(trimmed: Trimmed, assets: PageAssets, *, has_constants: bool = False) -> SimpleNamespace:
    """Every text of the page that the data file does not hold as it is to be read."""
    data = trimmed.data
    layers = [sound for sound in assets.previews if sound.group == "layer"]
    return SimpleNamespace(
        facts=facts(data), figures=head_figures(data), zones=zone_bars(data), in_short=in_short(data),
        room=room_view(data), drums=drums_view(trimmed, assets), treatments=treatments_view(data, assets),
        levels=levels_view(data, assets, has_constants=has_constants), low_end=low_end_view(data),
        record=record_view(data, assets.standing), method=method_view(data, inputs_left_out=trimmed.inputs),
        sounds=assets.previews, layers=layers, where=excerpt_bars(data, layers),
        terms=glossary.terms(glossary.settings_of(data)),
    )  # fmt: skip
