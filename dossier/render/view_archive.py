"""The archive page's content: numbers to words, before any HTML.

Conventions: every string is plain text, escaped by the template; numbers read as on the dossier page (`words`).
States are the project's own words: 'awaiting answer', 'to change', 'agreed' for decisions; 'settled', 'pending',
'unknown' for rights, where unknown is never shown as fine.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from types import SimpleNamespace
from typing import Any

from dossier.model.datafile import Decision
from dossier.model.index import ArchiveIndex, BeatSummary, ChosenDrum, RevisionSummary
from dossier.model.standing import Standing
from dossier.model.vocabulary import ZONES
from dossier.names import printable
from dossier.render import format as fmt
from dossier.render import glossary
from dossier.render.view_decisions import decision_views, standing_view
from dossier.render.view_ears import lines, project_view

STATUSES = ("awaiting answer", "to change", "agreed")
RIGHTS = (("pending", "clearing pending"), ("unknown", "rights unknown"), ("settled", "settled"))
TRACK_LUFS = -16.0  # AES TD1008: loudness of tracks
LOUDEST_LUFS = -14.0  # AES TD1008: the loudest track of an album
_NOTHING: dict[str, Any] = {"changes": [], "mix": "", "identity": ""}


def archive_view(index: ArchiveIndex) -> SimpleNamespace:
    """Everything that the archive page says, in words."""
    beats, entries = index.beats, tuple(_entry(beat) for beat in index.beats)
    artists = list(dict.fromkeys(beat.newest.artist for beat in beats if beat.newest.artist))
    many = fmt.count(len(beats), "beat")
    kicker = [many]
    if beats:
        newest = max(beat.newest.made for beat in beats)
        kicker += [fmt.count(sum(len(beat.revisions) for beat in beats), "dossier"), f"newest {fmt.day(newest)}"]
    statuses, rights = [beat.standing.status for beat in beats], [entry.rights_states for entry in entries]
    return SimpleNamespace(
        title=f"{fmt.capital(many)} and their dossiers" if len(beats) > 1 else "Dossiers",
        by=fmt.listed(artists) if len(artists) <= 3 else "",
        kicker=tuple(kicker),
        entries=entries,
        awaiting=tuple(_waiting(beat) for beat in beats if beat.standing.status == "awaiting answer"),
        to_change=tuple(_wanted(beat) for beat in beats if beat.standing.status == "to change"),
        clearing=tuple(_clearing(beat) for beat in beats if _rights(beat.newest)[1] != ("settled",)),
        status_counts=tuple((status, statuses.count(status)) for status in STATUSES),
        rights_counts=tuple((key, label, sum(key in states for states in rights)) for key, label in RIGHTS),
        loudness=_loudness(beats),
        skipped=index.skipped, ears=project_view(beats, index.agreement),
    )


def compare_data(index: ArchiveIndex) -> dict[str, Any]:
    """What the page's comparison works from: every revision of every beat.

    Shares are rounded to whole per cent here and levels to tenths, so that differences are those of what is shown.  A
    revision after the first holds only what differs from the one before.
    """
    stamps = {revision.made for beat in index.beats for revision in beat.revisions}
    ages = {made: place for place, made in enumerate(sorted(stamps))}
    return {
        "zones": [zone.label for zone in ZONES],
        "beats": [
            {"slug": beat.slug, "title": printable(beat.newest.title),
             "revisions": _differing([_compared(revision, ages) for revision in beat.revisions])}
            for beat in index.beats
        ],
    }  # fmt: skip


def _differing(rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """The first row against `_NOTHING`, which the page's script knows too, each other against the one before."""
    return [{name: value for name, value in row.items() if name not in before or before[name] != value}
            for before, row in zip([_NOTHING, *rows], rows, strict=False)]  # fmt: skip


def _compared(revision: RevisionSummary, ages: Mapping[str, int]) -> dict[str, Any]:
    mix = revision.mix if revision.renders_there == revision.renders else ""
    return {
        "id": revision.id,
        "made": fmt.day(revision.made),
        "at": ages[revision.made],
        "title": printable(revision.title),
        "tempo": revision.tempo_bpm,
        "key": printable(revision.key or fmt.MISSING),
        "meter": revision.meter,
        "bars": revision.bars,
        "advice": _advice(revision),
        "fill": round(100 * revision.fill),
        "zones": _zone_row(revision.zones),
        "sections": [
            [printable(section.name), section.bars, round(100 * section.fill)]
            for section in revision.sections
        ],
        "drums": [
            [printable(drum.part), printable(drum.file), drum.sha256[:12], _tenth(drum.gain_db),
             _tenth(drum.integrated_lufs), None if drum.audible_share is None else round(100 * drum.audible_share),
             _tenth(drum.lift_lu), drum.treated]
            for drum in revision.drums
        ],
        "lufs": _tenth(revision.mix_lufs),
        "peak": _tenth(revision.mix_true_peak_dbtp),
        "headroom": _tenth(revision.headroom_db),
        "changes": [printable(change) for change in revision.changes],
        "mix": mix.rpartition("/")[2],
        "hook": [revision.hook_s, revision.hook_length_s, revision.hook_lufs and round(revision.hook_lufs, 2)],
        "identity": revision.identity if mix else "",  # for an answer, which only a mix that is there can have
    }  # fmt: skip


def _tenth(value: float | None) -> float | None:
    return None if value is None else round(value, 1)


def _zone_row(zones: Mapping[str, float]) -> list[int]:
    return [round(100 * zones.get(zone.key, 0.0)) for zone in ZONES]


def _entry(beat: BeatSummary) -> SimpleNamespace:
    newest, standing = beat.newest, beat.standing
    rights, states = _rights(newest)
    zones = tuple(max(0.0, newest.zones.get(zone.key, 0.0)) for zone in ZONES)
    said = (f"{zone.label} {fmt.percent(share)}" for zone, share in zip(ZONES, zones, strict=True))
    drums = tuple(_drum(drum) for drum in newest.drums)
    tempo, lufs = fmt.plain(newest.tempo_bpm), newest.mix_lufs
    searched = [newest.title, newest.artist, beat.slug, newest.key or "", _advice(newest), *drums, newest.meter,
                *map(fmt.file_name, beat.files), f"{tempo} bpm"]  # fmt: skip
    return SimpleNamespace(
        slug=beat.slug, title=newest.title, artist=newest.artist, page=newest.page, revision=newest.id,
        made=fmt.day(newest.made),
        facts=(f"{tempo}{fmt.NBSP}BPM", newest.key or "key not known", newest.meter, fmt.count(newest.bars, "bar")),
        zones=zones,
        roomiest=next((place for place, zone in enumerate(ZONES) if zone.key == newest.roomiest_zone), -1),
        zones_said=f"Fill by zone: {', '.join(said)}",
        fill=fmt.percent(newest.fill), loudness=fmt.lufs(lufs), advice=_advice(newest), drums=drums,
        standing=standing_view(standing), wanted=_wanted_text(standing, beat.decisions),
        rights=rights, rights_states=states,
        warnings=f"{fmt.count(newest.warnings, 'warning')} in the dossier" if newest.warnings else "",
        revisions=beat.revisions[::-1],
        decisions=decision_views(
            beat.decisions, {each.id: each.text for each in standing.proposals}, standing.revision,
        ),
        ears=lines(beat.heard),
        mix=f"{newest.mix}#t={newest.hook_s:g}" if newest.mix and newest.renders_there else "", lufs=lufs,
        search=" ".join(dict.fromkeys(printable(text) for text in searched if text)).casefold(),
        order={
            "newest": newest.made, "tempo": f"{newest.tempo_bpm:08.2f}", "fill": f"{newest.fill:08.5f}",
            "loudness": f"{(lufs if lufs is not None else -999.0) + 1000.0:09.3f}",
            "status": str(STATUSES.index(standing.status)),
        },
    )  # fmt: skip


def _advice(revision: RevisionSummary) -> str:
    return glossary.approach(revision.kind, revision.direction)


def _drum(drum: ChosenDrum) -> str:
    """The file's name without folder and suffix."""
    return fmt.file_name(drum.file).rsplit(".", 1)[0] or drum.part


def _wanted_text(standing: Standing, decisions: Sequence[Decision]) -> str:
    if standing.status != "to change":
        return ""
    said = [entry.text for entry in decisions
            if entry.status == "to change" and entry.by in standing.by and entry.text]  # fmt: skip
    return f"\u201c{fmt.short(' '.join(said[-1].split()), 160)}\u201d" if said else ""


def _rights(revision: RevisionSummary) -> tuple[str, tuple[str, ...]]:
    """Where the rights of a revision stand, in words and as keys of `RIGHTS`."""
    counts: Counter[str] = Counter(entry.rights for entry in revision.rights)
    left = [(key, f"{counts[key]} {label}") for key, label in RIGHTS if key != "settled" and counts[key]]
    return ", ".join(said for _, said in left) or "all settled", tuple(key for key, _ in left) or ("settled",)


def _waiting(beat: BeatSummary) -> tuple[str, str, str]:
    standing = beat.standing
    note = f"{beat.newest.id}, {fmt.day(beat.newest.made)}"
    if standing.decided_on and standing.decided_status == "agreed":
        note += f"; {standing.decided_on} was agreed"
    elif standing.decided_on:
        note += f"; changes to {standing.decided_on} were asked for"
    elif agreed := standing.count("agreed"):
        note += f"; {agreed} of {len(standing.proposals)} agreed"
    return beat.newest.title, beat.slug, note


def _wanted(beat: BeatSummary) -> tuple[str, str, str]:
    return beat.newest.title, beat.slug, f"{beat.newest.id}, asked by {fmt.listed(beat.standing.by)}"


def _clearing(beat: BeatSummary) -> tuple[str, str, str]:
    open_files = [entry for entry in beat.newest.rights if entry.rights in ("pending", "unknown")]
    open_files.sort(key=lambda entry: (entry.rights, entry.file))
    said = [f"{fmt.file_name(entry.file)} ({glossary.rights(entry.rights)})" for entry in open_files[:3]]
    if len(open_files) > 3:
        said.append(f"{len(open_files) - 3} more")
    return beat.newest.title, beat.slug, fmt.listed(said)


def _loudness(beats: Sequence[BeatSummary]) -> SimpleNamespace:
    points = [(beat.newest.title, beat.newest.mix_lufs) for beat in beats]
    known = [(title, lufs) for title, lufs in points if lufs is not None]
    unknown = len(points) - len(known)
    missing = f"{fmt.count(unknown, 'rough mix', 'rough mixes')} could not be measured." if unknown else ""
    return SimpleNamespace(points=known, sentence=_loudness_sentence(known) if known else "", missing=missing)


def _loudness_sentence(known: Sequence[tuple[str, float]]) -> str:
    (quiet, low), (loud, high) = (pick(known, key=lambda point: point[1]) for pick in (min, max))
    if len(known) == 1:
        sentence = f"The rough mix of {loud} is at {fmt.lufs(high)}."
    elif fmt.lufs(high) == fmt.lufs(low):
        sentence = f"All rough mixes are at {fmt.lufs(high)}."
    else:
        sentence = (
            f"The loudest rough mix is {loud} at {fmt.lufs(high)}, the quietest {quiet} at {fmt.lufs(low)}: "
            f"{fmt.lu(high - low)} apart."
        )
    above = sum(lufs > LOUDEST_LUFS + 0.05 for _, lufs in known)
    if above:
        sentence += f" {fmt.count(above, 'mix is', 'mixes are')} above {fmt.lufs(LOUDEST_LUFS)}."
    return sentence
