"""The map's fold: how full the music is, by band, bar, section and zone."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from dossier.model.datafile import DossierData
from dossier.model.vocabulary import ZONE_KEYS, ZONES
from dossier.render import charts, glossary, tables
from dossier.render import format as fmt
from dossier.render.map_axes import array, zone_means
from dossier.render.map_figures import map_drawing, map_label, map_views
from dossier.render.tables import Cell, Column, Table


def line(data: DossierData) -> str:
    room = data.instrumental
    said = (f"Fullest in the {glossary.zone(room.fullest_zone)} ({glossary.zone_range(room.fullest_zone)}), most space "
            f"in the {glossary.zone(room.roomiest_zone)} ({glossary.zone_range(room.roomiest_zone)})")  # fmt: skip
    fullest = max(room.sections, key=lambda s: s.fill, default=None)
    return f"{said}; the {fullest.name} is the fullest part." if fullest and len(room.sections) > 1 else f"{said}."


def section_table(data: DossierData) -> Table:
    columns = [Column("section", numeric=False), Column("bars", numeric=False), Column("full")]
    columns += [Column(zone.label) for zone in ZONES]
    rows: list[list[Cell]] = []
    sections = data.instrumental.sections
    for s in sections if len(sections) > 1 or any(s.bars < data.beat.bars for s in sections) else ():
        last = s.first_bar + s.bars - 1
        span = str(s.first_bar) if s.bars == 1 else f"{s.first_bar}\u2013{last}"
        rows.append([Cell(s.name), Cell(span, s.first_bar, tone="span"), tables.share(s.fill)])
        rows[-1] += [tables.share(s.zones.get(key)) for key in ZONE_KEYS]
    whole = [Cell("whole beat", tone="total"), Cell(f"1\u2013{data.beat.bars}", 1, tone="span")]
    whole += [tables.share(data.instrumental.fill)]
    rows.append(whole + [tables.share(data.instrumental.zones.get(key)) for key in ZONE_KEYS])
    return tables.table("room-by-section", "How full each section is, of what finished mixes carry", columns, rows)


def bar_table(data: DossierData) -> Table:
    """The map as a table: bars down, zones across."""
    occupancy, fills = data.occupancy, data.instrumental.bars
    means = zone_means(array(occupancy.instrumental), occupancy.band_zone, occupancy.slots_per_bar)
    columns = [Column("bar", numeric=False), Column("full"), *(Column(zone.label) for zone in ZONES)]
    rows = []
    for bar in range(means.shape[1]):
        cells = [Cell(str(bar + 1), bar + 1), tables.share(fills[bar] if bar < len(fills) else None)]
        shares = (float(v) for v in means[:, bar])
        rows.append(cells + [tables.share(None if np.isnan(v) else round(v, 4)) for v in shares])
    return tables.table("room-by-bar", "The map as a table: how full each zone is, by bar", columns, rows)


def width_table(data: DossierData) -> Table | None:
    if not data.instrumental.width:
        return None
    columns = (Column("zone", numeric=False), Column("side to mid", unit="dB"), Column("correlation"),
               Column("lost in mono", unit="LU"))  # fmt: skip
    rows = []
    for key in (*ZONE_KEYS, "whole"):
        zone = data.instrumental.width.get(key)
        if zone is not None:
            name = Cell("whole" if key == "whole" else glossary.zone(key), note=glossary.zone_range(key))
            rows.append((name, tables.level(zone.side_to_mid_db),
                         tables.level(zone.correlation, digits=2), tables.level(zone.mono_loss_lu)))  # fmt: skip
    return tables.table("room-width", "Stereo image of the music by zone", columns, rows)


def room_view(data: DossierData) -> SimpleNamespace:
    bands = data.occupancy.band_hz
    note = (f"Across: bars, one column a sixteenth note. Up: {fmt.count(len(bands), 'band')} of hearing, "
            f"{fmt.hz(bands[0])} to {fmt.hz(bands[-1])}.") if bands else "The map is empty."  # fmt: skip
    strip = [charts.Stack(s.name, "", s.fill) for s in data.instrumental.sections]
    said = fmt.listed(f"{row.name} {fmt.percent(row.music)}" for row in strip)
    return SimpleNamespace(
        line=line(data), views=map_views(data), note=note, label=map_label(data), drawing=map_drawing(data),
        strip=charts.stacks(strip, label=f"How full each section is: {said}", key=False),
        sections=section_table(data), bars=bar_table(data), width=width_table(data), left=data.room_left,
    )  # fmt: skip
