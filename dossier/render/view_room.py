"""Section 2: how full the instrumental is, by band, bar, section and zone.

Conventions: maps are `(bands, slots)` shares of the reference, row 0 the lowest band; positions along the bands are in
band widths (0 = lower edge of the lowest band), found by interpolating the logarithm of the centre frequencies.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from dossier.model.datafile import DossierData, Occupancy
from dossier.model.vocabulary import ZONE_KEYS, ZONES
from dossier.render import colour, svg, tables, words
from dossier.render.tables import Cell, Column, Table

Values = npt.NDArray[np.float64]

FULL_SCALE = 1.25  # share of the reference at the dark end of the occupancy scale
_TOPS = (0.05, 0.1, 0.2, 0.3, 0.5, 0.75, 1.0)  # ends that the scales of overlap and change may have
_TICKS_HZ = (50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0, 10000.0)


@dataclass(frozen=True, slots=True)
class MapView:
    """One way to look at the map."""

    id: str
    label: str
    explanation: str
    scale: str  # a name of `colour.NAMES`
    low: float
    high: float
    low_text: str
    high_text: str
    unit: str  # ends the sentence "64 % ..."
    absent: str = ""  # why it cannot be shown

    @property
    def gradient(self) -> str:
        """The scale as a CSS gradient, for the legend."""
        return ", ".join(code for _, code in colour.stops(self.scale, 8))

    @property
    def gradient_dark(self) -> str:
        return ", ".join(code for _, code in colour.stops(f"{self.scale}-dark", 8))


@dataclass(frozen=True, slots=True)
class RoomView:
    summary: tuple[str, ...]
    views: tuple[MapView, ...]
    absent: str  # why some of them cannot be shown
    map_label: str
    map_drawing: Markup
    map_note: str
    sections: Table
    bars: Table
    width: Table | None
    no_width: str


def band_position(hz: float, centres: Sequence[float]) -> float:
    """Where a frequency lies along the bands, in band widths from the lower edge of the lowest band."""
    at = np.log(np.asarray(centres, dtype=np.float64))
    return float(np.interp(np.log(hz), at, np.arange(len(centres)) + 0.5, left=0.0, right=float(len(centres))))


def frequency_ticks(centres: Sequence[float]) -> tuple[svg.Tick, ...]:
    low, high = centres[0], centres[-1]
    return tuple(svg.Tick(band_position(f, centres), words.hz(f)) for f in _TICKS_HZ if low <= f <= high)


def zone_edges(band_zone: Sequence[str]) -> tuple[int, ...]:
    """Bands at which a new zone begins."""
    return tuple(i for i in range(1, len(band_zone)) if band_zone[i] != band_zone[i - 1])


def zone_names(band_zone: Sequence[str]) -> tuple[svg.Tick, ...]:
    out = []
    for key in ZONE_KEYS:
        rows = [i for i, name in enumerate(band_zone) if name == key]
        if rows:
            out.append(svg.Tick((rows[0] + rows[-1] + 1) / 2, words.zone(key)))
    return tuple(out)


def beats_per_bar(meter: str) -> int:
    """Upper figure of the meter; 4 where it cannot be read."""
    head = meter.split("/")[0]
    return int(head) if head.isascii() and head.isdigit() and int(head) > 0 else 4


def bar_ticks(bars: int, per_bar: int) -> tuple[svg.Tick, ...]:
    every = next((n for n in (1, 2, 4, 8, 16, 32) if bars / n <= 26), 64)
    return tuple(svg.Tick(i * per_bar, str(i + 1)) for i in range(0, bars, every))


def array(rows: tuple[tuple[float, ...], ...]) -> Values:
    return np.asarray(rows, dtype=np.float64) if rows else np.zeros((0, 0))


def merged(values: Values, every: int) -> Values:
    """Means of each `every` neighbouring columns; an odd rest keeps its own mean."""
    starts = np.arange(0, values.shape[1], every)
    counts = np.diff([*starts, values.shape[1]])
    return np.asarray(np.add.reduceat(values, starts, axis=1) / counts) if every > 1 else values


def indices(values: Values, low: float, high: float) -> npt.NDArray[np.uint8]:
    """Values to palette entries 0-252 between the ends of a scale, in 63 steps: finer ones would not be seen."""
    return 4 * np.rint(63 * np.clip((values - low) / (high - low), 0.0, 1.0)).astype(np.uint8)


def scale_top(values: Values) -> float:
    """End of a scale that all but the largest two in a thousand cells stay within."""
    largest = float(np.quantile(np.abs(values), 0.998)) if values.size else 0.0
    return next((top for top in _TOPS if largest <= top), _TOPS[-1])


def map_views(data: DossierData) -> tuple[MapView, ...]:
    occupancy, percent = data.occupancy, words.percent
    no_drums = "" if occupancy.with_drums else "No drums were chosen, so there is nothing to lay over the instrumental."
    no_overlap = "" if occupancy.overlap else "No drums were chosen, so nothing overlaps."
    no_change = "" if occupancy.treatment_change else "No treatment is advised, so nothing changes."
    full = f"{percent(FULL_SCALE)} and above"
    most = scale_top(array(occupancy.overlap))
    change = scale_top(array(occupancy.treatment_change))
    return (
        MapView(
            "instrumental",
            "Instrumental",
            "How much of the reference loudness the instrumental takes, without drums.",
            "blue",
            0.0,
            FULL_SCALE,
            "empty",
            full,
            "of the reference is taken",
        ),
        MapView(
            "room",
            "Room",
            "What is left for drums: the reference less what the instrumental takes.",
            "ochre",
            0.0,
            1.0,
            "none left",
            "all free",
            "is free",
        ),
        MapView(
            "with_drums",
            "With drums",
            "Instrumental and chosen drums together.",
            "blue",
            0.0,
            FULL_SCALE,
            "empty",
            full,
            "of the reference is taken",
            no_drums,
        ),
        MapView(
            "overlap",
            "Overlap",
            "What of the chosen drums the instrumental masks: heard less, or not at all.",
            "plum",
            0.0,
            most,
            "nothing masked",
            f"{percent(most)} and above",
            "of the reference is masked",
            no_overlap,
        ),
        MapView(
            "treatment_change",
            "Treatment",
            "What the advised treatments change: blue takes away, ochre adds.",
            "change",
            -change,
            change,
            f"{percent(-change)} and less",
            f"{percent(change, sign=True)} and more",
            "of the reference, against untreated drums",
            no_change,
        ),
    )


def static_map(data: DossierData) -> Markup:
    """The instrumental's map as a drawing that needs no script."""
    occupancy = data.occupancy
    values = array(occupancy.instrumental)
    per_bar = occupancy.slots_per_bar
    bars = -(-values.shape[1] // per_bar) if values.size else 0
    starts = [(s.first_bar - 1) * per_bar for s in data.instrumental.sections]
    every = next((n for n in (1, 2, 4) if values.shape[1] <= 900 * n), 8)  # a screen shows no more columns than this
    return svg.map_drawing(
        indices(merged(values, every), 0.0, FULL_SCALE), colour.palette("blue"), label=map_label(data),
        rows=frequency_ticks(occupancy.band_hz), row_lines=zone_edges(occupancy.band_zone),
        row_names=zone_names(occupancy.band_zone),
        columns=[svg.Tick(tick.at / every, tick.text) for tick in bar_ticks(bars, per_bar)],
        column_lines=[at / every for at in starts if at > 0],
        column_names=[
            svg.Tick(at / every, words.short(s.name)) for at, s in zip(starts, data.instrumental.sections, strict=True)
        ],
    )  # fmt: skip


def map_label(data: DossierData) -> str:
    room = data.instrumental
    return (
        f"Map of the instrumental's occupancy over {words.count(data.beat.bars, 'bar')}, low bands at the bottom. "
        f"Fill {words.percent(room.fill)}; fullest in {words.zone(room.fullest_zone)}, "
        f"roomiest in {words.zone(room.roomiest_zone)}. The tables below give the same numbers."
    )


def summary(data: DossierData) -> tuple[str, ...]:
    room = data.instrumental
    target = words.lufs(data.beat.target_lufs)
    sentences = [
        f"The instrumental takes {words.percent(room.fill)} of the loudness that a finished mix at {target} would "
        f"carry. It is fullest in {words.zone(room.fullest_zone)} ({words.zone_range(room.fullest_zone)}), where "
        f"{words.percent(room.zones.get(room.fullest_zone))} is taken, and roomiest in "
        f"{words.zone(room.roomiest_zone)} ({words.zone_range(room.roomiest_zone)}), where "
        f"{words.percent(room.zones.get(room.roomiest_zone))} is."
    ]
    if len(room.sections) > 1:
        by_fill = sorted(room.sections, key=lambda s: (s.fill, s.first_bar))
        low, high = by_fill[0], by_fill[-1]
        if words.percent(low.fill) != words.percent(high.fill):
            sentences.append(
                f"By section it runs from {words.percent(low.fill)} ({low.name}) to {words.percent(high.fill)} "
                f"({high.name})."
            )
    return tuple(sentences)


def section_table(data: DossierData) -> Table:
    columns = [Column("section", numeric=False), Column("bars", numeric=False), Column("fill", term="fill")]
    columns += [Column(zone.label, unit=words.zone_range(zone.key)) for zone in ZONES]
    rows: list[list[Cell]] = []
    sections = data.instrumental.sections
    for s in sections if len(sections) > 1 or any(s.bars < data.beat.bars for s in sections) else ():
        last = s.first_bar + s.bars - 1
        span = str(s.first_bar) if s.bars == 1 else f"{s.first_bar}\u2013{last}"
        rows.append([tables.text(s.name), Cell(span, s.first_bar, tone="span"), tables.share(s.fill, bar=True)])
        rows[-1] += [tables.share(s.zones.get(key), bar=True) for key in ZONE_KEYS]
    whole = [Cell("whole beat", tone="total"), Cell(f"1\u2013{data.beat.bars}", 1, tone="span")]
    whole += [tables.share(data.instrumental.fill, bar=True)]
    rows.append(whole + [tables.share(data.instrumental.zones.get(key), bar=True) for key in ZONE_KEYS])
    return tables.table("room-by-section", "How much of each zone the instrumental takes, by section", columns, rows)


def zone_means(values: Values, occupancy: Occupancy, per_bar: int) -> Values:
    """Mean share of the cells of each zone in each bar: `(zones, bars)`."""
    bars = -(-values.shape[1] // per_bar) if values.size else 0
    names = np.asarray(occupancy.band_zone)
    out = np.full((len(ZONE_KEYS), bars), np.nan)
    for z, key in enumerate(ZONE_KEYS):
        mask = names == key
        if not mask.any():
            continue
        for bar in range(bars):
            out[z, bar] = values[mask, bar * per_bar : (bar + 1) * per_bar].mean()
    return out


def bar_table(data: DossierData) -> Table:
    """The map as a table: bars down, zones across."""
    occupancy, fills = data.occupancy, data.instrumental.bars
    means = zone_means(array(occupancy.instrumental), occupancy, occupancy.slots_per_bar)
    columns = [Column("bar", numeric=False), Column("fill", term="fill"), *(Column(zone.label) for zone in ZONES)]
    rows = []
    for bar in range(means.shape[1]):
        cells = [Cell(str(bar + 1), bar + 1), tables.share(fills[bar] if bar < len(fills) else None)]
        shares = (float(v) for v in means[:, bar])
        rows.append(cells + [tables.share(None if np.isnan(v) else round(v, 4)) for v in shares])
    return tables.table(
        "room-by-bar", "The map as a table: mean share of the reference taken, by bar and zone", columns, rows
    )


def width_table(data: DossierData) -> Table | None:
    if not data.instrumental.width:
        return None
    columns = (Column("zone", numeric=False), Column("side to mid", unit="dB"), Column("correlation"),
               Column("lost in mono", unit="LU", term="mono loss"))  # fmt: skip
    rows = []
    for key in (*ZONE_KEYS, "whole"):
        zone = data.instrumental.width.get(key)
        if zone is not None:
            name = tables.text("whole" if key == "whole" else words.zone(key), note=words.zone_range(key))
            rows.append((name, tables.level(zone.side_to_mid_db),
                         tables.level(zone.correlation, digits=2), tables.level(zone.mono_loss_lu)))  # fmt: skip
    return tables.table("room-width", "Stereo image of the instrumental by zone", columns, rows)


def room_view(data: DossierData) -> RoomView:
    views = map_views(data)
    return RoomView(
        summary=summary(data),
        views=views,
        absent=" ".join(f"{view.label}: {view.absent}" for view in views if view.absent),
        map_label=map_label(data),
        map_drawing=static_map(data),
        map_note=(
            "Across: bars, one column a sixteenth note. Up: "
            f"{words.count(len(data.occupancy.band_hz), 'band')} of hearing, "
            f"{words.hz(data.occupancy.band_hz[0])} to {words.hz(data.occupancy.band_hz[-1])}."
            if data.occupancy.band_hz
            else "The map is empty."
        ),
        sections=section_table(data),
        bars=bar_table(data),
        width=width_table(data),
        no_width="The stereo image could not be measured.",
    )
