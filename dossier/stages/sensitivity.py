"""Sensitivity: the approach decided again where settings move, or a stem is really lowered or left out.

Everything starts from powers that are measured already.  Drawn settings are judged on a few seconds spread over the
beat; what a draw changes there is added to what was told of the whole.  Each drum keeps its level against the music.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from dossier.decide import balance, fit, sensitivity
from dossier.decide import kit as decide_kit
from dossier.decide.approach import Contender
from dossier.measure import hearing, in_beat, loudness
from dossier.measure import occupancy as occ
from dossier.memo import Memo
from dossier.model.beat import Stem
from dossier.model.findings import Approach, Fit, Holds, WhatIf
from dossier.model.measures import FRAME_S, Array, Grid, Indices, Samples
from dossier.model.parts import PlacedCandidate, Ranking
from dossier.model.scene import PlacedPart, Scene
from dossier.model.situation import Situation
from dossier.model.vocabulary import ROLES, Role
from dossier.parallel import thread_map
from dossier.stages.music import tilted
from dossier.stages.placing import judge

DRAWN_FRAMES, DRAWN_BLOCK_FRAMES = 40, 20  # on which draws are judged, in blocks spread evenly
MOST_LOOPS, MOST_OTHERS = 3, 1  # loops that stand in a draw, and other files for each member of the kit
KIT = "kit"
EXCERPT_S, EXCERPT_BLOCK_S = 32.0, 4.0  # music that is measured again for each changed stem, in blocks spread evenly


def with_sensitivity(
    here: Situation, ranking: Ranking, approach: Approach, memo: Memo
) -> Approach:
    """The approach with what would change it, and how sure it and its drums are."""
    sure, drums = how_sure(here, ranking, approach, memo)
    loop, kit = ranking.best_loop, ranking.kit
    placed = [[item.powers, item.gains.db] for item in (*([loop] if loop else []), *ranking.kit_parts)]
    changes = memo("level", tuple[WhatIf, ...], partial(_what_would_change, here, ranking, approach, memo), placed,
                   loop and loop.fit, kit and kit.fit, approach.kind, approach.direction, here.policy)  # fmt: skip
    return replace(
        approach, drums_hold=drums, what_would_change_it=changes, holds=sure,
        uncertain=None if sure is None else sensitivity.uncertain(sure, here.policy),
    )  # fmt: skip


class Setup(Struct, frozen=True, eq=False):
    """A drum part that stands in a draw: a loop, or the members of a kit at their gains."""

    name: str
    items: tuple[PlacedCandidate, ...]
    gains_db: tuple[float, ...]
    levels_db: tuple[float, ...]  # K-weighted, at those gains
    fit: Fit
    score: float  # as told; of a kit with another member, that of the kit

    @property
    def files(self) -> tuple[str, ...]:
        return tuple(item.drum.name for item in self.items)


class Found(Struct, frozen=True, eq=False):
    """How a setup comes out in a draw; `worth`: among setups of its kind."""

    fit: Fit
    score: float
    worth: float


def how_sure(
    here: Situation, ranking: Ranking, approach: Approach, memo: Memo
) -> tuple[Holds | None, dict[str, Holds]]:
    """In how many drawn settings kind and direction, and each drum, come out as told; None without drums.

    Drums by file: the best loop, and the members of the kit.
    """
    sides, frames = drawn_over(here, ranking)
    if not sides:
        return None, {}
    told = sensitivity.words(approach.kind, approach.direction)

    def counted() -> tuple[Holds, dict[str, Holds]]:
        drawn = draws(here, sides)
        outcomes = decided(here, sides, frames, drawn)
        drums = {
            file: sensitivity.holds(drawn, [chosen[side].files[part] for _, chosen in outcomes], file)
            for side, setups in enumerate(sides) for part, file in enumerate(setups[0].files)
        }  # fmt: skip
        return sensitivity.holds(drawn, [words for words, _ in outcomes], told), drums

    setups = [
        [setup.name, setup.files, [item.part.role for item in setup.items], [item.fit for item in setup.items],
         [item.powers[frames] for item in setup.items], setup.gains_db, setup.levels_db, setup.fit, setup.score]
        for side in sides for setup in side
    ]  # fmt: skip
    return memo("level", tuple[Holds, dict[str, Holds]], counted, told, setups, frames)


def drawn_over(here: Situation, ranking: Ranking) -> tuple[list[list[Setup]], Indices]:
    """The setups of each side, and the frames that they are judged on."""
    sides = [side for side in (_loops(here, ranking), _kits(here, ranking)) if side]
    frames = ranking.frames[in_beat.spread_frames(len(ranking.frames), DRAWN_FRAMES, block=DRAWN_BLOCK_FRAMES)]
    return sides, frames


def draws(here: Situation, sides: Sequence[Sequence[Setup]]) -> tuple[sensitivity.Draw, ...]:
    """The draws that the setups are judged under."""
    usual, roles = here.conditions.usual, {item.part.role for side in sides for item in side[0].items}
    ranges: dict[Role | None, tuple[float, float]] = {}
    for role in (*(role for role in ROLES if role in roles), None):
        middle = usual.all_drums_lu["level"] if role is None else usual.roles[role].level_lu
        low, high = balance.usual_range(role, usual)
        ranges[role] = (low - middle, high - middle)
    return sensitivity.draws(here.policy, ranges)


def decided(
    here: Situation, sides: Sequence[Sequence[Setup]], frames: Indices, drawn: Sequence[sensitivity.Draw]
) -> list[tuple[str, list[Setup]]]:
    """Kind and direction in words, and the best setup of each side, under each draw."""
    fill_there, as_told = _under(here, sides, frames, sensitivity.Draw({}, here.policy, {}))
    fill = float(occ.fill(here.scene.loudness, here.scene.reference, active=here.scene.active))

    def one(draw: sensitivity.Draw) -> tuple[str, list[Setup]]:
        fill_now, found = _under(here, sides, frames, draw)
        best = []
        for setups, now, told in zip(sides, found, as_told, strict=True):
            # What speaks for another drum on these few frames alone does not count.
            lead = [max(0.0, item.worth - told[0].worth) for item in told]
            index = max(range(len(setups)), key=lambda k: (now[k].worth - lead[k], -k))
            moved = setups[index].score + now[index].score - told[index].score
            measured = _moved_fit(setups[index].fit, now[index].fit, told[index].fit)
            best.append((setups[index], Contender(setups[index].name, moved, measured)))
        loop, kit = (next((c for s, c in best if (s.name != KIT) == wanted), None) for wanted in (True, False))
        outcome = sensitivity.outcome(fill + fill_now - fill_there, loop, kit, draw.policy)
        return outcome.words, [setup for setup, _ in best]

    return [one(draw) for draw in drawn]  # threads would wait for one another: many small arrays


def _moved_fit(whole: Fit, now: Fit, told: Fit) -> Fit:
    """What is told of the whole beat, moved by what a draw changes on the few frames."""
    names = ("overlap", "covered_music", "room_filled")
    return replace(now, **{
        name: max(0.0, getattr(whole, name) + getattr(now, name) - getattr(told, name)) for name in names
    })  # fmt: skip


def _loops(here: Situation, ranking: Ranking) -> list[Setup]:
    """The loop that speaks for all, and the next best; those that fit the tempo badly only where it does too."""
    best = ranking.best_loop
    if best is None:
        return []
    poor = best.part.loop is not None and best.part.loop.poor_match
    others = [
        item for item in ranking.loops
        if item.closely and item is not best and (poor or item.part.loop is None or not item.part.loop.poor_match)
    ]  # fmt: skip
    return [
        Setup(item.drum.name, (item,), (item.gains.db,), (_level_db(here, item) + item.gains.db,), item.fit, item.score)
        for item in (best, *others[: MOST_LOOPS - 1])
    ]


def _kits(here: Situation, ranking: Ranking) -> list[Setup]:
    """The kit, and the kit with one member exchanged for another file of its role at the same level."""
    kit, members = ranking.kit, ranking.kit_parts
    if kit is None or not members:
        return []
    gains = tuple(item.gains.db for item in members)
    plays = tuple(_level_db(here, item) + gain for item, gain in zip(members, gains, strict=True))
    found = [Setup(KIT, members, gains, plays, kit.fit, kit.score)]
    used = {item.drum.name for item in members}
    pinned = {member.role for member in kit.members if member.pinned}
    for index, member in enumerate(members):
        role = member.part.role
        others = [
            item for item in ranking.one_shots
            if item.closely and item.part.role == role and item.drum.name not in used and role not in pinned
            and item.powers.any()
        ]  # fmt: skip
        for other in others[:MOST_OTHERS]:
            items, levels = list(members), list(gains)
            items[index], levels[index] = other, plays[index] - _level_db(here, other)
            found.append(Setup(KIT, tuple(items), tuple(levels), plays, kit.fit, kit.score))
    return found


def _level_db(here: Situation, item: PlacedCandidate) -> float:
    return 10.0 * float(np.log10(max(float((item.powers @ here.scene.k_weights).sum()), 1e-30)))


def _under(
    here: Situation, sides: Sequence[Sequence[Setup]], frames: Indices, draw: sensitivity.Draw
) -> tuple[float, list[list[Found]]]:
    """The fill, and how every setup comes out, on some frames under a draw."""
    on = _drawn_scene(here, draw, frames)
    placed: dict[tuple[str, float], PlacedPart] = {}

    def place(item: PlacedCandidate, gain_db: float) -> PlacedPart:
        key = (item.drum.name, gain_db)
        if key not in placed:
            placed[key] = in_beat.place(on, item.powers[frames], gain_db=gain_db)
        return placed[key]

    def there(setup: Setup) -> Found:
        gains = _moved(setup, draw)
        parts = [place(item, gain) for item, gain in zip(setup.items, gains, strict=True)]
        powers = np.sum([part.powers * 10.0 ** (part.gain_db / 10.0) for part in parts], axis=0)
        moved = replace(here, conditions=replace(here.conditions, policy=draw.policy))
        if setup.name != KIT:
            found, score, _ = judge(on, powers, setup.fit, here=moved)
            return Found(found, score, score)
        roles = [(item.part.role, item.fit.job or 0.0, 1.0) for item in setup.items if item.part.role is not None]
        like = replace(setup.fit, job=fit.job_of_parts(roles, draw.policy))
        found, score, _ = judge(on, powers, like, here=moved)
        total = np.sum([part.excitation for part in parts], axis=0)
        jobs = [
            fit.job_done(item.fit.job, in_beat.heard(on, part, total - part.excitation)[1], item.part.role, draw.policy)
            for item, part in zip(setup.items, parts, strict=True)
        ]
        return Found(found, score, decide_kit.worth(score, jobs))

    fill = float(occ.fill(on.loudness, on.reference, active=on.active))
    return fill, [[there(setup) for setup in setups] for setups in sides]


def _moved(setup: Setup, draw: sensitivity.Draw) -> list[float]:
    """Gains with the usual levels of a draw: the roles move among themselves, then all drums together."""
    by = [draw.levels_db.get(item.part.role, 0.0) if item.part.role else 0.0 for item in setup.items]
    before = sum(10.0 ** (level / 10.0) for level in setup.levels_db)
    after = sum(10.0 ** ((level + more) / 10.0) for level, more in zip(setup.levels_db, by, strict=True))
    whole = draw.levels_db.get(None, 0.0) - 10.0 * float(np.log10(max(after, 1e-30) / max(before, 1e-30)))
    return [gain + more + whole for gain, more in zip(setup.gains_db, by, strict=True)]


def _drawn_scene(here: Situation, draw: sensitivity.Draw, frames: Indices) -> Scene:
    """Frames of the scene at another listening level, against a tilted reference, with another masking constant.

    Louder drums leave the music softer in a mix that is played at the listening level.
    """
    asked, scene = here.conditions, here.scene.subset(frames)
    drums = 10.0 ** (here.mix_over_music_lu / 10.0) - 1.0  # power over the music's
    mix_lu = 10.0 * float(np.log10(1.0 + drums * 10.0 ** (draw.levels_db.get(None, 0.0) / 10.0)))
    reference = occ.reference_of(
        tilted(here.reference_powers, draw.tilt_db), target_lufs=asked.target_lufs,
        listening_level=asked.listening_level_db_spl + draw.listening_db,
    )  # fmt: skip
    moved = replace(scene, reference=reference, masking_db=scene.masking_db + draw.masking_db)
    return in_beat.played(moved, scene.powers, draw.listening_db + here.mix_over_music_lu - mix_lu)


def _what_would_change(here: Situation, ranking: Ranking, approach: Approach, memo: Memo) -> tuple[WhatIf, ...]:
    stems = [stem for stem, _ in here.music.stems]
    block = round(EXCERPT_BLOCK_S / FRAME_S)
    frames = in_beat.spread_frames(here.grid.frames, round(EXCERPT_S / FRAME_S), block=block)
    powers = _excerpt_powers(here, None, 0.0, frames, memo)
    level = loudness.integrated_from_blocks(powers @ here.scene.k_weights)
    if len(stems) < 2 or level is None:
        return ()
    policy, on = here.policy, here.scene.subset(frames)
    as_it_is = in_beat.played(on, powers, 0.0)
    before = outcome_in(here, ranking, as_it_is, frames, as_it_is)

    def changed(stem: Stem, change_db: float | None) -> sensitivity.ChangedStem | None:
        powers = _excerpt_powers(here, stem, change_db, frames, memo)
        left = loudness.integrated_from_blocks(powers @ here.scene.k_weights)
        if left is None:
            return None
        scene = in_beat.played(on, powers, level - left)  # the rest is brought to the playing level again
        return sensitivity.ChangedStem(stem.file, change_db, outcome_in(here, ranking, scene, frames, as_it_is))

    def each(stems: Sequence[Stem], change_db: float | None) -> list[sensitivity.ChangedStem]:
        outcomes = thread_map(lambda stem: changed(stem, change_db), stems, each_bytes=here.music.sound_bytes)
        return [one for one in outcomes if one is not None]

    without = each(stems, None)
    # A stem that moves little when it is gone moves less when it is lowered.
    telling = sensitivity.most_telling(without, approach, before, most=int(policy["what_if_lowered"]))
    files = {one.stem for one in telling}
    lower = [stem for stem in stems if stem.file in files]
    lowered = each(lower, -policy["what_if_lower_db"])
    shown = sensitivity.most_telling([*without, *lowered], approach, before, most=int(policy["what_if_shown"]))
    return tuple(sensitivity.told(one, approach, before) for one in shown)


def outcome_in(
    here: Situation, ranking: Ranking, scene: Scene, frames: Indices, as_it_is: Scene
) -> sensitivity.Outcome:
    """Fill, kind and direction where some frames sound as in a scene; the drums keep their level against the music.

    The fill is the whole beat's, moved by what it moves on the frames, `as_it_is` there before.
    """
    shift_db = as_it_is.spl_offset_db - scene.spl_offset_db

    def there(name: str, items: Sequence[PlacedCandidate], like: Fit) -> Contender:
        powers = np.sum([i.powers[frames] * 10.0 ** ((i.gains.db + shift_db) / 10.0) for i in items], axis=0)
        found, score, _ = judge(scene, powers, like, here=here)
        return Contender(name=name, score=score, fit=found)

    best, kit = ranking.best_loop, ranking.kit
    loop = there(best.drum.name, [best], best.fit) if best is not None else None
    whole, now, then = (occ.fill(on.loudness, on.reference, active=on.active) for on in (here.scene, scene, as_it_is))
    fill = whole + now - then
    return sensitivity.outcome(fill, loop, there(KIT, ranking.kit_parts, kit.fit) if kit else None, here.policy)


def _excerpt_powers(
    here: Situation, stem: Stem | None, change_db: float | None, frames: Indices, memo: Memo
) -> Array:
    """Powers of the music on some frames, `(frames, fine)`, with a stem turned by `change_db` (None: left out)."""
    music, grid = here.music, here.grid

    def measured() -> Array:
        samples = _excerpt(grid, music.rate_hz, frames, music.samples)
        if stem is not None:
            factor = 0.0 if change_db is None else 10.0 ** (change_db / 20.0)
            samples += np.float32(factor - 1.0) * _excerpt(grid, music.rate_hz, frames, music.sound_of(stem))
        edges = FRAME_S * np.arange(len(frames) + 1)
        return hearing.slot_powers(hearing.band_energies(samples, music.rate_hz), edges)

    return memo("heard", Array, measured, stem.file if stem is not None else "", change_db, frames)


def _excerpt(grid: Grid, rate_hz: int, frames: Indices, samples: Samples) -> Samples:
    """The samples of the excerpt's frames, one after the other, in single precision."""
    runs = np.split(frames, np.flatnonzero(np.diff(frames) != 1) + 1)
    spans = [[round((grid.first_downbeat_s + at * FRAME_S) * rate_hz) for at in (run[0], run[-1] + 1)] for run in runs]
    out = np.zeros((sum(end - begin for begin, end in spans), samples.shape[1]), np.float32)
    at = 0
    for begin, end in spans:
        found = samples[max(0, begin) : max(0, min(end, len(samples)))]
        out[at + max(0, -begin) : at + max(0, -begin) + len(found)] = found
        at += end - begin
    return out
