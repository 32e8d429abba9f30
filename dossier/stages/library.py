"""Library: from thousands of measured files those that can still win, told from what is kept of each file.

Conventions
    Nothing is decoded and nothing laid on the grid.  A file is known by its measures and its outline: the mean power
    of its first tenths of a second (of a loop: of its eighths) in fine bands.  The outline meets the music as it is,
    in the mean, at the role's hits; loudness in it sets the gain.  So a whole role is judged at once.
    The terms and the score are those of the fit.  What is left out of account: where exactly hits fall into frames,
    tails past the outline, and how well a loop's tempo suits.  The policy's number is wide enough for that.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence

import numpy as np

from dossier import audio
from dossier.arrange import one_shots
from dossier.arrange import pattern as patterns
from dossier.decide import fit
from dossier.errors import AudioError
from dossier.measure import hearing
from dossier.measure import occupancy as occ
from dossier.measure.in_beat import OWN_HIT_SHARE
from dossier.measure.k_weighting import OFFSET_DB
from dossier.model.findings import Fit
from dossier.model.measures import FRAME_S, OUTLINE_PIECES, Array, Clip, Grid, Indices
from dossier.model.parts import Drum, DrumPart, Groove, Played, Ranking, SeenDrum, Voice
from dossier.model.situation import Situation
from dossier.model.vocabulary import ZONE_KEYS, Role
from dossier.stages.gains import alone

_AT_ONCE = 512  # files
_NO_SOUND = np.zeros((0, 2))


def sound_of(drum: Drum) -> Clip:
    """A drum's sound on two channels, read again: a library's is never held as a whole.

    Raises `AudioError` where the file is no longer what was measured.
    """
    if drum.clip is not None:
        return drum.clip
    clip = audio.read(drum.file.path, shown_as=drum.name)
    if audio.sha256(drum.file.path) != drum.sha256:
        raise AudioError(f"{drum.name}: was changed during the build; build it again")
    return Clip(audio.to_stereo(clip.samples), clip.rate_hz)


def voice_of(role: Role, groove: Groove, grid: Grid) -> tuple[Voice | None, bool]:
    """What plays a role, and whether that had to be assumed; None where it never plays."""
    voice = groove.voices.get(role)
    if voice is not None:
        return voice, False
    return one_shots.voices(grid, patterns.plain_voice(role, grid.meter), {}, ()).get(role), True


def sift(
    drums: Sequence[SeenDrum], here: Situation, groove: Groove, pins: frozenset[str]
) -> tuple[list[SeenDrum], dict[str, float]]:
    """The drums that can still win, in their order, and the coarse score of the others by name.

    Of each role, and of loops, the policy's number stays: files fixed in beat.toml first, then the best.
    """
    groups: dict[Role | None, list[SeenDrum]] = {}
    for drum in drums:
        if drum.kind == "loop" or drum.role is not None:
            groups.setdefault(None if drum.kind == "loop" else drum.role, []).append(drum)
    left: dict[str, float] = {}
    for role, members in groups.items():
        most = int(here.policy["sifted_loops"] if role is None else here.policy["closely_per_role"])
        if len(members) > most:
            scores = coarse_scores(members, role, here, groove)
            found = [(drum.name not in pins, -score, drum.name) for drum, score in zip(members, scores, strict=True)]
            left.update((name, -score) for _, score, name in sorted(found)[most:])
    return [drum for drum in drums if drum.name not in left], left


def coarse_scores(drums: Sequence[SeenDrum], role: Role | None, here: Situation, groove: Groove) -> list[float]:
    """The score of files of one role, or of loops (None), from measures and outlines alone."""
    voice, assumed = (None, False) if role is None else voice_of(role, groove, here.grid)
    if role is not None and voice is None:
        return [0.0] * len(drums)
    part = DrumPart(name="", kind="loop" if role is None else "one-shot", role=role, samples=_NO_SOUND,
                    rate_hz=here.music.rate_hz, grid=here.grid, voice=voice, loop=None,
                    assumed_voice=assumed)  # fmt: skip
    velocity_db = 20.0 * float(np.log10(max(voice.gains))) if voice is not None else 0.0
    like = Played(np.zeros(1), 0.0, velocity_db, None, None)  # one hit, or a loop, of 0 LUFS
    gain_db = alone(here, part, like).db
    frames, shares, hits = _frames(here, voice)
    found: list[float] = []
    for at in range(0, len(drums), _AT_ONCE):
        found += _scores(drums[at : at + _AT_ONCE], role, here, gain_db, frames, shares, hits)
    return found


def _frames(here: Situation, voice: Voice | None) -> tuple[list[Indices], Array, float]:
    """For each piece of an outline the frames where it sounds, its power there, and how often it does."""
    active = np.flatnonzero(here.scene.active)
    pieces = OUTLINE_PIECES
    if voice is None:
        return [active] * pieces, np.ones(pieces), len(active) / pieces
    starts = np.array(voice.starts_s)
    first = ((starts - here.grid.first_downbeat_s) / FRAME_S + 1e-6).astype(int)
    length = np.array(voice.ends_s) - starts
    rows, shares = [], np.zeros(pieces)
    for piece in range(pieces):
        inside = np.clip(length / FRAME_S - piece, 0.0, 1.0)
        there = first + piece
        heard = (inside > 0) & np.isin(there, active)
        rows.append(there[heard].astype(np.intp))
        shares[piece] = (inside * np.array(voice.gains) ** 2)[heard].sum() / max(1, len(starts))
    return rows, shares, float(len(starts))


def _scores(
    drums: Sequence[SeenDrum], role: Role | None, here: Situation, gain_db: float, frames: Sequence[Indices],
    shares: Array, hits: float,
) -> list[float]:  # fmt: skip
    on, policy = here.scene, here.policy
    outlines = np.array([drum.outline for drum in drums], dtype=float)  # (files, pieces, fine)
    weighted = outlines @ on.k_weights
    level = weighted.mean(axis=1) if role is None else weighted.max(axis=1)
    gains = gain_db - (10.0 * np.log10(np.maximum(level, 1e-20)) + OFFSET_DB)
    powers = outlines * (shares[None, :, None] * 10.0 ** (gains / 10.0)[:, None, None])
    excitation = hearing.excitation(powers, spl_offset_db=on.spl_offset_db)
    own = hearing.specific_loudness(excitation)
    some = [rows if len(rows) else np.arange(1) for rows in frames]
    music = np.array([on.excitation[rows].mean(axis=0) for rows in some])  # (pieces, bands)
    before = hearing.specific_loudness(music)
    after = hearing.specific_loudness(music + excitation)
    heard = hearing.partial_loudness(excitation, music, k_moved_db=on.masking_db)
    left = hearing.partial_loudness(np.broadcast_to(music, excitation.shape), excitation, k_moved_db=on.masking_db)
    loud = own.sum(axis=2)
    rows = (loud >= OWN_HIT_SHARE * loud.max(axis=1, keepdims=True)) & (loud > 0)
    zones = (heard * rows[:, :, None]).sum(axis=1) / np.maximum(1, rows.sum(axis=1))[:, None] @ on.zone_weights.T
    free = on.reference * (1.0 - on.kept)
    over = (np.maximum(0.0, after - free) - np.maximum(0.0, before - free)).sum(axis=(1, 2)) * hits / on.reference_sum
    filled = (after - before).sum(axis=(1, 2)) * hits / on.reference_sum - over
    masked = (own - heard).sum(axis=(1, 2)) * hits / on.reference_sum
    covered = (before - left).sum(axis=(1, 2)) * hits / max(1e-12, float(on.loudness[on.active].sum()))
    music_fill = occ.fill(on.loudness, on.reference, active=on.active)
    found = []
    for index, drum in enumerate(drums):
        own_zones = dict(zip(ZONE_KEYS, zones[index].tolist(), strict=True))
        like = Fit(
            room_filled=float(filled[index]), over=float(over[index]),
            overlap=float(masked[index]), covered_music=float(covered[index]),
            audible_share=0.0, lift_lu=None, heard_zones=own_zones, job=_job(drum, role, policy),
            heard_in_zones=None, mono_loss_lu=drum.mono_loss_lu, tempo_match=1.0,
            tuning_match=_tuning(drum, here) if role is not None else None,
        )  # fmt: skip
        found.append(fit.score(like, role=role, fill=music_fill, policy=policy)[0])
    return found


def _job(drum: SeenDrum, role: Role | None, policy: Mapping[str, float]) -> float:
    if role is not None:
        return drum.likeness.get(role, 0.0)
    return fit.job(drum.drum.measures, role, policy) if drum.drum is not None else 0.0


def _tuning(drum: SeenDrum, here: Situation) -> float | None:
    gone = here.policy["tuning_gone_cents"]
    return fit.tuning_match(drum.pitch_hz, here.music.key.name, gone_cents=gone)


def candidates_csv(drums: Sequence[SeenDrum], ranking: Ranking) -> bytes:
    """Every candidate with its score, best first within each role: those looked at closely, then the sifted ones.

    What was not measured has no figures but its length.
    """
    placed = {item.drum.name: item for item in (*ranking.loops, *ranking.one_shots)}
    known = {drum.name: drum for drum in (*(item.drum for item in placed.values()), *(d for d, _ in ranking.unplaced))}
    text = io.StringIO()
    sheet = csv.writer(text, lineterminator="\n")
    sheet.writerow(("file", "kind", "role", "looked at", "grade", "score", "gain dB", "integrated LUFS", "one hit LUFS",
                    "true peak dBTP", "pitch Hz", "tempo BPM", "seconds", "rights"))  # fmt: skip
    rows = []
    for drum in drums:
        of, item = known.get(drum.name, drum.drum), placed.get(drum.name)
        m = of.measures if of is not None else None
        kind, role = (m.hit.kind, m.hit.role) if m is not None else (drum.kind, drum.role)
        score = item.score if item is not None else ranking.sifted.get(drum.name)
        closely = item is not None and item.closely
        looked = "closely" if closely else "not at all" if score is None else "coarsely"
        numbers = (
            m.loudness.integrated_lufs, m.loudness.one_hit_lufs, m.loudness.true_peak_dbtp, m.pitch.hz,
            m.loop.tempo_bpm if m.loop is not None else None, m.duration_s,
        ) if m is not None else (None, None, None, None, None, drum.duration_s)  # fmt: skip
        told = (item.grade, score, item.gains.to_set_db) if item is not None else ("", score, None)
        order = (kind, role or "", not closely, -(score if score is not None else -1e9), drum.name)
        cells = (told[0], *("" if one is None else f"{one:.3f}" for one in (*told[1:], *numbers)))
        rows.append((order, (drum.name, kind, role or "", looked, *cells, drum.file.rights)))
    sheet.writerows([_plain(cell) for cell in row] for _, row in sorted(rows))
    return text.getvalue().encode()


def _plain(cell: str) -> str:
    """A cell that a spreadsheet takes for text, whatever a file is called."""
    return f"'{cell}" if cell[:1] in ("=", "+", "@", "\t") else cell
