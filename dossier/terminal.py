"""What a command prints: its progress on standard error, and measured files as tables or as JSON objects.

Conventions
    Progress is one moving line on a terminal and a plain line a step anywhere else.  It goes to standard error and
    steps aside while anything else is printed, so standard output stays clean enough to pipe.  A terminal that cannot
    move its cursor (TERM=dumb) gets plain lines; NO_COLOR (no-color.org) turns colours off.
    A table leaves out rows that no file has a value for, and says once below it why a dash stands where it does.
"""

from __future__ import annotations

import os
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Literal, TextIO

from msgspec import Struct
from msgspec.structs import asdict

from dossier.parallel import Count
from dossier.render.format import MINUS, number

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import Progress as MovingLine
    from rich.table import Table

    from dossier.model.measures import FileMeasures
    from dossier.stages.overview import Overview


class Progress:
    """Progress through `total` things, 0 where their number is unknown.

    `note` writes a line to standard error; with None, steps show on a terminal only.
    """

    def __init__(self, total: int, *, note: Callable[[str], None] | None) -> None:
        self._total, self._number, self._note = total, 0, note
        self._line: MovingLine | None = None
        if sys.stderr.isatty() and os.environ.get("TERM") not in ("dumb", "unknown"):
            self._line = _moving_line()
            self._task = self._line.add_task("", total=None)

    def __enter__(self) -> Progress:
        if self._line is not None:
            self._line.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if self._line is not None:
            self._line.stop()

    def item(self, name: str) -> Callable[[str], None]:
        """Begin the next thing; returns the function that reports its steps."""
        self._number += 1
        counted = f"{self._number} of {self._total}: " if self._total > 1 else ""
        named = f"{name}: " if name else ""
        line = self._line
        if line is None:
            note = self._note
            return lambda step: None if note is None or isinstance(step, Count) else note(f"{named}{step}")
        line.reset(self._task, description=f"{counted}{name}")
        began: dict[str, float] = {}

        def show(step: str) -> None:
            if isinstance(step, Count):
                so_far = time.monotonic() - began.setdefault(step, time.monotonic())
                step = counting(step, step.done, step.total, so_far)
            else:
                began.clear()
            line.update(self._task, description=f"{counted}{named}{step}")

        return show

    def note(self, message: str) -> None:
        """Print a line that stays."""
        if self._note is not None:
            with self.aside():
                self._note(message)

    @contextmanager
    def aside(self) -> Iterator[None]:
        """Clear the moving line while something else is printed."""
        if self._line is None:
            yield
            return
        self._line.stop()
        try:
            yield
        finally:
            self._line.start()


def counting(what: str, done: int, total: int, so_far_s: float) -> str:
    """`drums 120 of 321, 0:08 left`; the time is that of the rest at the pace so far, once there is one."""
    told = f"{what} {done} of {total}"
    if done < 2 or so_far_s < 1.0 or done == total:
        return told
    left_s = round(so_far_s / (done - 1) * (total - done))  # the first was done when the clock began
    return f"{told}, {left_s // 60}:{left_s % 60:02d} left"


def console(stream: TextIO | None = None, *, width: int | None = None) -> Console:
    """A console on standard output, or another stream, with colours unless NO_COLOR is set."""
    from rich.console import Console

    colours: Literal["auto"] | None = None if os.environ.get("NO_COLOR") else "auto"
    return Console(file=stream, width=width, highlight=False, color_system=colours)


def _moving_line() -> MovingLine:
    from rich.progress import Progress as MovingLine
    from rich.progress import SpinnerColumn, TextColumn, TimeElapsedColumn
    from rich.table import Column

    return MovingLine(
        SpinnerColumn("line"), TextColumn("{task.description}", markup=False, table_column=Column(no_wrap=True)),
        TimeElapsedColumn(),
        console=console(sys.stderr), transient=True, redirect_stdout=False, redirect_stderr=False,
    )  # fmt: skip


MOST_ROWS = 40  # of drums on a screen
TABLE_WIDTH = 400  # characters: a long name is not cut, the terminal wraps it


def overview_lines(found: Overview) -> list[str]:
    """The beat as a whole: each value and how it is known."""
    grid, key = found.grid, found.key
    told = [
        ("tempo", f"{grid.tempo_bpm:.4g} BPM", grid.tempo_source, grid.tempo_confidence),
        ("meter", f"{grid.meter[0]}/{grid.meter[1]}", grid.meter_source, grid.meter_confidence),
        ("key", key.name or "none", key.source, key.confidence),
        ("first downbeat", f"{grid.first_downbeat_s:.3f} s", grid.downbeat_source, grid.downbeat_confidence),
        ("swing", f"{100 * grid.swing:.3g} %", grid.swing_source, grid.swing_confidence),
    ]
    known = ("beat.toml", "assumed", "tag", "file name")
    lines = [
        f"{name + ':':<15} {value} ({source}{'' if source in known else f', confidence {confidence:.2f}'})"
        for name, value, source, confidence in told
    ]
    own = found.beat.taste
    return lines if own is None else [*lines, f"{'taste:':<15} {own.name} ({own.usual.source})"]


def overview_object(name: str, found: Overview) -> dict[str, object]:
    """A beat as `dossier check --json` prints it."""
    grid, key = found.grid, found.key
    return {
        "beat": name, "title": found.beat.title, "slug": found.beat.slug, "tempo_bpm": round(grid.tempo_bpm, 4),
        "meter": f"{grid.meter[0]}/{grid.meter[1]}", "key": key.name, "bars": grid.bars,
        "first_downbeat_s": round(grid.first_downbeat_s, 6), "swing": round(grid.swing, 6),
        "sources": {"tempo_bpm": grid.tempo_source, "meter": grid.meter_source, "key": key.source,
                    "first_downbeat_s": grid.downbeat_source, "swing": grid.swing_source},
        "taste": found.beat.taste.name if found.beat.taste else None,
        "files": _rounded(found.files), "left_out": list(found.left_out), "notes": list(found.notes),
    }  # fmt: skip


def overview_table(found: Overview, *, whole: bool) -> Table:
    """Every stem and drum, or, of many drums, how many of each kind and role; sources stand in brackets."""
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False, padding=(0, GAP, 0, 0))
    moved = any(file.start_s for file in found.files)
    for heading_of in ("file", "kind", "role", "tempo", "root", "length", *["starts at"] * moved):
        table.add_column(heading_of, no_wrap=True)
    drums = [file for file in found.files if file.kind != "stem"]
    listed = found.files if whole or len(drums) <= MOST_ROWS else [f for f in found.files if f.kind == "stem"]
    for file in listed:
        tempo = f"{file.tempo_bpm:.4g}" if file.tempo_bpm is not None else None
        cells = [(file.kind, "kind"), (file.role, "role"), (tempo, "tempo_bpm"), (file.root, "root")]
        shown = [f"{value} ({file.sources[name]})" if name in file.sources else value or "-" for value, name in cells]
        starts = [f"{file.start_s:.2f} s" if file.kind == "stem" else ""] * moved
        table.add_row(Text(file.file), *map(Text, shown), f"{file.duration_s:.2f} s", *starts)
    if len(listed) < len(found.files):
        for (kind, role), count in Counter((drum.kind, drum.role or "-") for drum in drums).most_common(MOST_ROWS):
            table.add_row(f"{count} drums", kind, role)
    return table


_OF_LOOPS = ("tempo_bpm", "tempo_source", "beats", "downbeat_s", "swing", "continuity", "hits")


def as_object(m: FileMeasures) -> dict[str, object]:
    """One file as `dossier measure --json` prints it: flat, null where not measurable, a reason for every null."""
    whole = _rounded(m)
    loop = whole["loop"] or {}
    out: dict[str, object] = {
        **{name: whole[name] for name in ("file", "sample_rate_hz", "channels", "bit_depth", "duration_s")},
        **whole["hit"], **whole["loudness"],
        **{f"pitch_{name}": whole["pitch"][name] for name in ("hz", "note", "cents", "confidence", "source")},
        **{name: loop.get(name) for name in _OF_LOOPS},
        **whole["stereo"]["whole"], "width": whole["stereo"]["zones"],
    }  # fmt: skip
    del out["reasons"]  # those of hit and loudness: all reasons stand at the end
    out["reasons"] = _reasons(m, out)
    return out


def _rounded(value: Any) -> Any:
    """Measures as plain mappings and lists, numbers to six decimals."""
    if isinstance(value, float):
        return round(float(value), 6)
    if isinstance(value, Mapping):
        return {name: _rounded(each) for name, each in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_rounded(each) for each in value]
    return _rounded(asdict(value)) if isinstance(value, Struct) else value


def _reasons(m: FileMeasures, out: Mapping[str, object]) -> dict[str, str]:
    """A reason for every null, from the measure that left it empty."""
    whole = {name.removeprefix("whole."): why for name, why in m.stereo.reasons.items()}
    known: dict[str, str] = {**whole, **m.loudness.reasons, **m.hit.reasons}
    if m.pitch.reason:
        known.update(dict.fromkeys(("pitch_hz", "pitch_note", "pitch_cents", "pitch_source"), m.pitch.reason))
    if m.loop is None:
        known.update(dict.fromkeys(_OF_LOOPS, "a one-shot has no tempo of its own"))
    else:
        known.update(m.loop.reasons)
        if "tempo_bpm" in m.loop.reasons:
            for name in ("tempo_source", "beats", "swing"):
                known.setdefault(name, m.loop.reasons["tempo_bpm"])
    return {
        name: known.get(name) or f"not measurable in {m.duration_s:.3f} s of this sound"
        for name, value in out.items()
        if value is None
    }


# label, field, unit, decimals: the table's rows, most asked for first
ROWS: tuple[tuple[str, str, str, int], ...] = (
    ("kind", "kind", "", 0),
    ("role", "role", "", 0),
    ("length", "duration_s", "s", 3),
    ("effective length", "effective_length_s", "s", 3),
    ("tempo", "tempo_bpm", "BPM", 2),
    ("tempo from", "tempo_source", "", 0),
    ("beats", "beats", "", 1),
    ("first beat at", "downbeat_s", "s", 3),
    ("pitch", "pitch_hz", "Hz", 1),
    ("note", "pitch_note", "", 0),
    ("pitch from", "pitch_source", "", 0),
    ("off the note by", "pitch_cents", "cents", 0),
    ("integrated loudness", "integrated_lufs", "LUFS", 1),
    ("loudness of one hit", "one_hit_lufs", "LUFS", 1),
    ("max. momentary", "max_momentary_lufs", "LUFS", 1),
    ("max. short-term", "max_short_term_lufs", "LUFS", 1),
    ("loudness range", "loudness_range_lu", "LU", 1),
    ("sample peak", "sample_peak_dbfs", "dBFS", 2),
    ("true peak", "true_peak_dbtp", "dBTP", 2),
    ("crest factor", "crest_factor_db", "dB", 1),
    ("peak to loudness", "peak_to_loudness_db", "dB", 1),
    ("attack", "attack_s", "ms", 1),
    ("decay to -20 dB", "decay_20_s", "ms", 0),
    ("decay to -60 dB", "decay_60_s", "ms", 0),
    ("transient to sustain", "transient_to_sustain_db", "dB", 1),
    ("centroid", "centroid_hz", "Hz", 0),
    ("85 % roll-off", "rolloff_hz", "Hz", 0),
    ("tonality", "tonality", "", 2),
    ("continuity", "continuity", "", 2),
    ("correlation", "correlation", "", 2),
    ("mono loss", "mono_loss_lu", "LU", 2),
    ("sample rate", "sample_rate_hz", "Hz", 0),
    ("bit depth", "bit_depth", "", 0),
    ("channels", "channels", "", 0),
)
LABEL_WIDTH, HEADING_WIDTH, GAP = 22, 18, 2


def tables(files: Sequence[Mapping[str, object]], *, width: int) -> Iterator[tuple[Table, list[str]]]:
    """Measured files side by side, as many as fit into `width` characters; each table comes with its remarks."""
    from rich.table import Table
    from rich.text import Text

    across = max(1, (width - LABEL_WIDTH) // (HEADING_WIDTH + GAP))
    for start in range(0, len(files), across):
        group = files[start : start + across]
        table = Table(box=None, pad_edge=False, padding=(0, GAP, 0, 0))
        table.add_column("", no_wrap=True, min_width=LABEL_WIDTH - GAP)
        for found in group:
            table.add_column(Text(heading(_name(found))), justify="right", no_wrap=True, min_width=HEADING_WIDTH)
        for label, field, unit, decimals in ROWS:
            cells = [cell(found, field, unit, decimals) for found in group]
            if any(text != "-" for text in cells):
                table.add_row(label, *(Text(text) for text in cells))
        yield table, remarks(group)


def heading(name: str) -> str:
    """A file's name, shortened in the middle because both ends tell files apart."""
    if len(name) <= HEADING_WIDTH:
        return name
    tail = HEADING_WIDTH // 2
    return f"{name[: HEADING_WIDTH - tail - 2]}..{name[-tail:]}"


def remarks(files: Sequence[Mapping[str, object]]) -> list[str]:
    """Why dashes stand where they do, each reason once, then what is odd about each file."""
    labels = {field: label for label, field, _, _ in ROWS if not field.endswith("_source")}
    missing: dict[tuple[tuple[str, ...], str], list[str]] = {}
    for found in files:
        by_reason: dict[str, list[str]] = {}
        reasons = found.get("reasons")
        for field, why in (reasons if isinstance(reasons, Mapping) else {}).items():
            if field in labels:
                by_reason.setdefault(str(why), []).append(labels[field])
        for why, dashes in by_reason.items():
            missing.setdefault((tuple(dashes), why), []).append(_name(found))
    said = []
    for (together, why), names in missing.items():
        where = "" if len(names) == len(files) else f" ({', '.join(map(heading, names))})"
        said.append(f"no {', '.join(together)}: {why}{where}")
    for found in files:
        notes = found.get("notes")
        said += [f"{_name(found)}: {note}" for note in (notes if isinstance(notes, list) else [])]
    return said


def cell(measured: Mapping[str, object], field: str, unit: str, decimals: int) -> str:
    """One value as a person reads it, or a dash."""
    value = measured.get(field)
    if value is None:
        return "-"
    if isinstance(value, float):
        shown = number(1000.0 * value if unit == "ms" else value, decimals, sign=unit == "cents")
        return f"{shown.replace(MINUS, '-')} {unit}".rstrip()  # a terminal's font may lack the true minus
    return f"{str(value).partition(';')[0]} {unit}".rstrip()


def _name(measured: Mapping[str, object]) -> str:
    return Path(str(measured["file"])).name
