"""Kick and bass; what is left in mono, on small speakers and at a low level."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import SimpleNamespace

from markupsafe import Markup

from dossier.model.datafile import DossierData
from dossier.model.findings import LowEnd, Translation
from dossier.model.vocabulary import ZONE_KEYS, ZONES
from dossier.render import charts, glossary, tables
from dossier.render import format as fmt
from dossier.render.map_axes import frequency_ticks
from dossier.render.svg import Tick
from dossier.render.tables import Cell, Column, Table

_SHOWN_HZ = 600.0
_BASS_TOP_HZ = next(zone.high_hz for zone in ZONES if zone.key == "bass")


def _facts(low: LowEnd) -> tuple[tuple[str, str], ...]:
    cents = "" if low.kick_cents_from_key is None else (
        f", {fmt.number(low.kick_cents_from_key, 0, sign=True)} cents from the nearest note of the key"
    )  # fmt: skip
    note = fmt.notes(low.kick_note or "")
    pitched = low.kick_pitch_hz and note
    alignment = "not measured"
    if low.polarity is not None and low.delay_ms is not None:
        turn = "polarity inverted" if low.polarity == "invert" else "polarity as it is"
        when = "later" if low.delay_ms > 0 else "earlier"
        move = "not moved" if abs(low.delay_ms) < 0.005 else f"{fmt.number(abs(low.delay_ms), 2, unit='ms')} {when}"
        alignment = f"{turn}, {move}: {fmt.db(low.delay_gain_db, sign=True)} of low end"
    return (
        ("kick", low.kick or "none"),
        ("bass", low.bass_stem or "none found"),
        ("kick covered by the bass in sub", fmt.percent(low.overlap_sub)),
        ("kick covered by it in the bass zone", fmt.percent(low.overlap_bass)),
        (f"heard of the kick below {fmt.hz(_BASS_TOP_HZ)}", fmt.percent(low.kick_share)),
        ("kick's pitch", f"{fmt.hz(low.kick_pitch_hz)} ({note}{cents})" if pitched else "unpitched"),
        ("kick rings", fmt.MISSING if low.kick_rings_ms is None else fmt.number(low.kick_rings_ms, 0, unit="ms") + (
            "" if low.kick_gap_ms is None else f", shortest gap {fmt.number(low.kick_gap_ms, 0, unit='ms')}")),
        ("bass notes", fmt.notes(fmt.listed(low.bass_notes)) or fmt.MISSING),
        ("best alignment of the kick", alignment),
    )


def _remedies(low: LowEnd) -> Table | None:
    columns = (
        Column("remedy", numeric=False), Column("how much", numeric=False),
        Column("heard of the kick"), Column("bass lost"), Column("file", numeric=False),
    )  # fmt: skip
    rows = [
        (Cell(fmt.capital(r.name)), Cell(r.label.removeprefix(r.name).strip()), tables.share(r.kick_share),
         tables.share(r.bass_lost, small=True), Cell(r.render or fmt.MISSING))
        for r in low.remedies
    ]  # fmt: skip
    caption = "Ways to let kick and bass share the low end, computed in this beat"
    return tables.table("remedies", caption, columns, rows) if rows else None


def _parts(translation: Translation, settings: Mapping[str, float]) -> Table | None:
    speaker, quiet = settings.get("small_speaker_hz"), settings.get("quiet_db")
    columns = (
        Column("part", numeric=False), Column("lost in mono", unit="LU"),
        Column("left on a small speaker" if speaker is None else f"left above {fmt.hz(speaker)}"),
        Column("left when played quietly" if quiet is None else f"left {fmt.plain(quiet)}{fmt.NBSP}dB quieter"),
    )  # fmt: skip
    rows = [
        (Cell(fmt.capital(p.part)), tables.level(p.mono_loss_lu),
         tables.share(p.small_speaker_share and min(1.0, p.small_speaker_share)), tables.share(p.quiet_share))
        for p in translation.parts
    ]  # fmt: skip
    caption = "Each part in mono, on a small speaker and played quietly"
    return tables.table("translation", caption, columns, rows) if rows else None


def _mono(translation: Translation) -> Table | None:
    columns = (Column("zone", numeric=False), Column("lost in mono", unit="LU"))
    rows = [
        (Cell(glossary.zone(key), note=glossary.zone_range(key)),
         tables.level(translation.mono_zones.get(key)))
        for key in ZONE_KEYS
    ]  # fmt: skip
    caption = "What the mix loses in mono, by zone"
    return tables.table("mono-zones", caption, columns, rows) if translation.mono_zones else None


def spectra(low: LowEnd, band_hz: Sequence[float]) -> Markup | None:
    """Kick and bass over each other, up to the low mids."""
    shown = sum(hz <= _SHOWN_HZ for hz in band_hz)
    if not low.kick_spectrum_db or len(low.kick_spectrum_db) != len(band_hz) or not shown:
        return None
    sides = {"kick": low.kick_spectrum_db[:shown], "bass": low.bass_spectrum_db[:shown]}
    ticks = [Tick(t.at, t.text) for t in frequency_ticks(band_hz[:shown])]
    return charts.curve_plot(
        {name: [(i + 0.5, level) for i, level in enumerate(levels)] for name, levels in sides.items()},
        label="Level by band of kick and bass while the kick plays.", x_end=float(shown), x_ticks=ticks, x_title="",
        top=max(max(levels) for levels in sides.values()), y_title="level by band, dB under the loudest",
    )  # fmt: skip


def low_end_view(data: DossierData) -> SimpleNamespace:
    low, translation, settings = data.low_end, data.translation, glossary.settings_of(data)
    used = {part.file for part in data.balance.parts if part.chosen}
    share, covered = (low.kick_share if low else None), settings.get("low_end_covered_share")
    trouble = bool(low and low.kick in used and share is not None and covered is not None and share < covered)
    if trouble and low:
        fix = next((s for s in low.sentences if s.startswith("Best fix")), "")
        line = f"Kick and bass collide. {fix}".strip()
    else:
        travels = translation.sentences[0] if translation and translation.sentences else "Nothing to check."
        line = "Kick and bass leave each other room." if low and low.kick in used else travels
    return SimpleNamespace(
        line=line, trouble=trouble, sentences=[fmt.notes(s) for s in (low.sentences if low else ())],
        facts=_facts(low) if low else (), remedies=_remedies(low) if low else None,
        parts=_parts(translation, settings) if translation else None,
        spectra=spectra(low, data.occupancy.band_hz) if low else None,
        mono=_mono(translation) if translation else None,
    )  # fmt: skip
