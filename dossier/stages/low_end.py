"""Low end: the kick of the kit against the stem that carries the bass, on the stretch in which both sound most."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import cache, partial

import numpy as np
import soxr
from msgspec import Struct
from msgspec.structs import replace

from dossier.arrange.one_shots import lay_energies
from dossier.arrange.parts import laid
from dossier.decide import fit
from dossier.decide import low_end as decide_low_end
from dossier.decide.low_end import Judged
from dossier.measure import hearing, in_beat, low_end, pitch
from dossier.measure import occupancy as occ
from dossier.memo import Memo
from dossier.model.beat import Stem
from dossier.model.checks import LowEndCheck
from dossier.model.choice import Balanced
from dossier.model.findings import LowEnd, LowEndRemedy
from dossier.model.measures import FRAME_S, Array, Pitch, Samples
from dossier.model.notes import note_of
from dossier.model.parts import PlacedCandidate
from dossier.model.situation import Situation
from dossier.model.vocabulary import ZONE_KEYS
from dossier.stages.render_reuse import Renders, hit_file, reusable
from dossier.stages.stems import LOW_HZ

EXCERPT_S = 16.0
TOGETHER_S = 2.0  # kick and bass that sound within this play together
LOW_ZONES = slice(0, 2)  # sub and bass
DEFAULT_LENGTH_S = 0.15  # of a kick whose effective length cannot be measured
HIGHEST_BASS_HZ = 400.0
SILENT_TOLERANCE = 1e-9


class KickAndBass(Struct, frozen=True, eq=False):
    """Kick and bass in the excerpt, on its frames."""

    here: Situation
    memo: Memo  # of what depends on these two
    kick: PlacedCandidate
    bass_sound: Callable[[], Samples]  # (frames, 2), read when it is first asked for
    powers: Array  # (frames, fine), of the bass
    start_s: float
    frames: slice
    low: Array  # (bands,), weight of the sub and bass zones

    @property
    def bass(self) -> Samples:
        return self.bass_sound()

    def excitation(self, powers: Array) -> Array:
        return np.asarray(hearing.excitation(powers, spl_offset_db=self.here.scene.spl_offset_db))

    def music_with(self, bass: Array) -> Array:
        """Excitation of all the music with other powers of the bass: whatever plays low covers the kick."""
        rest = np.maximum(self.here.scene.powers[self.frames] - self.powers, 0.0)
        return self.excitation(rest + bass)

    def kick_excitation(self, samples: Samples) -> Array:
        voice = self.kick.part.voice
        assert voice is not None
        energies = hearing.band_energies(samples, self.here.music.rate_hz)
        powers = lay_energies(energies, voice, self.here.grid.frame_edges_s())[self.frames]
        return hearing.excitation(powers, spl_offset_db=self.here.scene.spl_offset_db + self.kick.gains.db)

    def ducked(self, depth_db: float, release_ms: float) -> Samples:
        """The bass, ducked under every kick of the excerpt."""
        voice, rate = self.kick.part.voice, self.here.music.rate_hz
        assert voice is not None
        starts = [start - self.start_s for start in voice.starts_s]
        curve = low_end.duck_curve(starts, len(self.bass) / rate, rate, depth_db=depth_db, release_ms=release_ms)
        return np.asarray(self.bass * curve[: len(self.bass), None])

    def alone(self, kick: Array) -> Array:
        """Loudness of a kick in the low zones, `(frames,)`, sone."""
        return np.asarray(hearing.specific_loudness(kick) @ self.low)

    def judged(self, kick: Array, music: Array, bass: Array, *, bass_before: Array, plain: Array) -> Judged:
        """What is heard of a kick in the low zones, of the untreated one alone (`plain`), and what the bass loses."""
        alone = self.alone(plain)
        plays = alone > 0.1 * alone.max(initial=0.0)
        heard = hearing.partial_loudness(kick, music) @ self.low
        share = float(heard[plays].sum() / alone[plays].sum()) if plays.any() else 0.0
        full = float((hearing.specific_loudness(bass_before) @ self.low).sum())
        left = float((hearing.partial_loudness(bass, kick) @ self.low).sum())
        return share, 1.0 - left / full if full > 0 else 0.0

    def freed(self, samples: Samples) -> float:
        """How much more of the kick is heard in the low zones were the bass silent, as a share of it alone."""
        plain = self.kick_excitation(samples)
        without, with_it = (
            self.judged(plain, self.music_with(bass), plain, bass_before=plain, plain=plain)[0]
            for bass in (np.zeros_like(self.powers), self.powers)
        )
        return without - with_it


def low_end_check(
    here: Situation, slug: str, balanced: Balanced, memo: Memo, candidates: Sequence[PlacedCandidate] = ()
) -> LowEndCheck:
    """The low end of the beat, or what is missing to speak of it; another kick is named from the candidates."""
    part = next((part for part in balanced.parts if part.row.role == "kick"), None)
    if part is None:
        return _nothing("no kick is in the kit: there is none among the candidates, or the pattern plays none")
    kick, key, policy = part.item, here.music.key.name, here.policy
    found = memo("level", Pitch, lambda: pitch.pitch(kick.part.samples, kick.part.rate_hz), "pitch", kick.part.samples)
    rings_ms = 1000.0 * (kick.drum.measures.hit.effective_length_s or DEFAULT_LENGTH_S)
    is_bass = found.hz is not None and rings_ms >= policy["low_end_bass_kick_ms"]
    cents = fit.cents_from_key(found.hz, key) if found.hz is not None and key else None
    gaps_ms = _gaps_ms(kick)
    other = decide_low_end.other_kick((kick.drum.name, _heard_low(kick)), [
        (item.drum.name, _heard_low(item), item.grade != "poor") for item in candidates if item.part.role == "kick"
    ], policy)
    said = partial(
        decide_low_end.sentences, kick=kick.drum.name.rsplit("/", 1)[-1], cents=cents, key=key, is_bass=is_bass,
        rings_ms=rings_ms, gaps_ms=gaps_ms, other=other, policy=policy,
    )  # fmt: skip
    finding = replace(
        _nothing("", kick=kick.drum.name).finding, kick_pitch_hz=found.hz, kick_cents_from_key=cents,
        kick_rings_ms=rings_ms, kick_gap_ms=min(gaps_ms, default=None),
        kick_note=note_of(found.hz, key)[0] if found.hz is not None else None,
        reasons={} if found.hz is not None else {"kick_pitch_hz": found.reason},
        sentences=said(bass="", kick_share=None, freed=None, polarity=None, delay_ms=None, delay_gain_db=None,
                       remedies=()) if is_bass else (),
    )  # fmt: skip
    listed = [(stem.file, stem.role, one.low_energy, one.low_share) for stem, one in here.music.stems]
    files = decide_low_end.bass_stems(listed, policy)
    if not files:
        why = "no stem carries a bass: none has a fifth of its energy below 250 Hz"
        if len(listed) == 1:
            why = "the music is one file; what to do about kick and bass is told where the bass is a stem of its own"
        return LowEndCheck(replace(finding, reasons={**finding.reasons, "low_end": why}))
    stems = {stem.file: stem for stem, _ in here.music.stems}
    basses = {file: both for file in files if (both := _kick_and_bass(here, kick, stems[file], memo)) is not None}
    if not basses:
        why = "kick and bass never play together"
        return LowEndCheck(replace(finding, reasons={**finding.reasons, "low_end": why}))
    freed = {file: both.memo("level", float, partial(both.freed, kick.part.samples)) for file, both in basses.items()}
    file = max(freed, key=lambda file: freed[file])
    both = basses[file]
    plain = both.memo("level", np.ndarray, partial(both.kick_excitation, kick.part.samples), kick.part.samples)
    before, music = both.excitation(both.powers), both.music_with(both.powers)
    judged = partial(both.judged, bass_before=before, plain=plain)
    as_it_is = judged(plain, music, before)
    onto_key = -cents / 100.0 if is_bass and cents is not None else None
    if onto_key is not None and 100.0 * abs(onto_key) < policy["low_end_least_cents"]:
        onto_key = None
    shifts = decide_low_end.shifts(found.hz, key, policy)
    gap_ms = float(np.median(gaps_ms)) if gaps_ms else None
    search = partial(_remedies, both, judged, plain, music, before, as_it_is, shifts, onto_key, gap_ms)
    ways = both.memo("level", tuple[LowEndRemedy, ...], search, shifts, onto_key, gap_ms)
    remedies, renders, lowered = _rendered(slug, both, ways)
    line = both.memo("level", low_end.KickBassAlignment, partial(_alignment, both))
    aligned = line.gain_db is not None
    polarity = ("invert" if line.polarity < 0 else "as it is") if aligned else None
    delay_ms, overlaps = line.delay_ms if aligned else None, _zone_overlaps(plain, music)
    sentences = said(bass=file.rsplit("/", 1)[-1], kick_share=as_it_is[0], freed=freed[file], polarity=polarity,
                     delay_ms=delay_ms, delay_gain_db=line.gain_db, remedies=remedies)  # fmt: skip
    if not part.row.chosen:
        sentences = ("The loop's own kick cannot be measured alone; this is the kit's.", *sentences)
    notes = both.memo("level", tuple[str, ...], lambda: tuple(_bass_notes(both)))
    alone = both.alone(plain)
    sone = float(alone[alone > 0.1 * alone.max(initial=0.0)].mean()) if alone.any() else 0.0
    return LowEndCheck(replace(
        finding, bass_stem=file, overlap_sub=overlaps[0], overlap_bass=overlaps[1], kick_share=as_it_is[0],
        kick_heard_sone=as_it_is[0] * sone, bass_notes=notes, polarity=polarity, delay_ms=delay_ms,
        delay_gain_db=line.gain_db, sentences=sentences,
        remedies=tuple(replace(one, heard_sone=one.kick_share * sone) for one in remedies),
        reasons={**finding.reasons, **({} if aligned else {"delay_ms": line.reason, "polarity": line.reason})},
        kick_spectrum_db=_spectrum(plain, plain), bass_spectrum_db=_spectrum(before, plain),
    ), renders, lowered)  # fmt: skip


def _gaps_ms(kick: PlacedCandidate) -> tuple[float, ...]:
    """The times between its hits, in order; none for a single one."""
    starts = kick.part.voice.starts_s if kick.part.voice is not None else ()
    return tuple((1000.0 * np.diff(starts)).tolist())


def _heard_low(item: PlacedCandidate) -> float:
    """Sone heard in the sub and bass zones."""
    return sum(item.fit.heard_zones[zone] for zone in ZONE_KEYS[LOW_ZONES])


def _spectrum(excitation: Array, kick: Array) -> tuple[float, ...]:
    """Mean level by band over the frames in which the kick plays, dB."""
    frames = min(len(kick), len(excitation))
    strength = kick[:frames].sum(axis=1)
    mean = excitation[:frames][strength >= in_beat.OWN_HIT_SHARE * strength.max()].mean(axis=0)
    return tuple(round(float(level), 1) for level in 10.0 * np.log10(np.maximum(mean, 1e-6)))


def _kick_and_bass(here: Situation, kick: PlacedCandidate, bass: Stem, memo: Memo) -> KickAndBass | None:
    """The stretch in which both sound most; None where they never sound together."""
    grid, rate = here.grid, here.music.rate_hz
    frames = min(round(EXCERPT_S / FRAME_S), grid.frames)
    steps = next(one.low_energies for stem, one in here.music.stems if stem.file == bass.file)
    until = np.concatenate([[0.0], np.cumsum(steps)])
    lows = np.diff(np.interp(grid.frame_edges_s() / FRAME_S, np.arange(len(until)), until))
    around = np.ones(min(round(TOGETHER_S / FRAME_S), grid.frames))
    kicks = kick.powers[:, hearing.FINE_HZ < LOW_HZ].sum(axis=1)
    sums = [np.convolve(side, around, mode="same") for side in (lows, kicks)]
    shared = np.sqrt(np.maximum(sums[0] * sums[1], 0.0))
    if shared.max() <= SILENT_TOLERANCE * np.sqrt(sums[0].max() * sums[1].max()):
        return None
    first = int(np.argmax(np.convolve(shared, np.ones(frames), mode="valid")))
    start_s = max(0.0, grid.first_downbeat_s + first * FRAME_S)
    begin = round(start_s * rate)
    end = begin + round(frames * FRAME_S * rate)

    @cache
    def sound() -> Samples:
        return memo("heard", Samples, lambda: here.music.sound_of(bass)[begin:end].copy(), bass.file, begin, frames)

    powers = memo("heard", Array, lambda: _powers(sound(), rate, frames), "powers", bass.file, begin, frames)
    within = memo.within("low end", bass.file, begin, frames, kick.drum.sha256, kick.part.samples, kick.part.voice,
                         kick.gains.db, here.policy)  # fmt: skip
    return KickAndBass(
        here=here, memo=within, kick=kick, bass_sound=sound, powers=powers, start_s=start_s,
        frames=slice(first, first + frames), low=occ.zone_weights()[LOW_ZONES].sum(axis=0),
    )  # fmt: skip


def _powers(samples: Samples, rate_hz: int, frames: int) -> Array:
    """Mean power of the bass in each frame of the excerpt, `(frames, fine)`."""
    edges = FRAME_S * np.arange(frames + 1)
    return np.asarray(hearing.slot_powers(hearing.band_energies(samples, rate_hz), edges))


def _remedies(
    both: KickAndBass, judged: Callable[[Array, Array, Array], Judged], plain: Array, music: Array, before: Array,
    as_it_is: Judged, shifts: Sequence[float], onto_key: float | None, gap_ms: float | None,
) -> tuple[LowEndRemedy, ...]:  # fmt: skip
    """Every way out that helps, rendered and measured again."""
    part = both.kick.part

    def duck(depth: float, release: float) -> Judged:
        powers = _powers(both.ducked(depth, release), both.here.music.rate_hz, len(both.powers))
        return judged(plain, both.music_with(powers), both.excitation(powers))

    def tune(semitones: float) -> Judged:
        return judged(both.kick_excitation(_tuned(part.samples, semitones)), music, before)

    effective_s = both.kick.drum.measures.hit.effective_length_s or DEFAULT_LENGTH_S
    return decide_low_end.remedies(
        duck=cache(duck), tune=tune, as_it_is=as_it_is, has_bass=bool(both.bass.any()),
        effective_ms=1000.0 * effective_s, gap_ms=gap_ms, shifts=shifts, onto_key=onto_key, policy=both.here.policy,
    )  # fmt: skip


def _rendered(
    slug: str, both: KickAndBass, remedies: Sequence[LowEndRemedy]
) -> tuple[tuple[LowEndRemedy, ...], Renders, dict[str, float]]:
    """The remedies, with a file to hear each."""
    part, rate = both.kick.part, both.here.music.rate_hz
    assert part.voice is not None
    listed = list(remedies)
    renders: Renders = {}
    lowered: dict[str, float] = {}
    for index, remedy in enumerate(remedies):
        name = f"{slug}-low-end-{remedy.name.replace(' ', '-')}"
        amounts = {key: float(value) for key, value in remedy.amounts.items()}
        if remedy.name == decide_low_end.DUCK:
            name += ".flac"
            renders[name] = reusable(both.memo, partial(both.ducked, **amounts), rate, "ducked", amounts)
        else:
            name += ".wav"
            changed = _tuned(part.samples, *amounts.values())
            renders[name], lower_db = hit_file(changed, rate, both.memo, tail_db=both.here.policy["hit_file_tail_db"])
            if lower_db:
                lowered[name] = lower_db
        listed[index] = replace(remedy, render=name)
    return tuple(listed), renders, lowered


def _alignment(both: KickAndBass) -> low_end.KickBassAlignment:
    """How kick and bass stand in time."""
    part, rate = both.kick.part, both.here.music.rate_hz
    sound = laid(part, start_s=both.start_s, length_s=len(both.bass) / rate)
    frames = min(len(sound), len(both.bass))
    turned = sound[:frames] * 10.0 ** (both.kick.gains.db / 20.0)
    return low_end.alignment(turned, both.bass[:frames], rate, max_ms=both.here.policy["low_end_longest_delay_ms"])


def _tuned(samples: Samples, semitones: float) -> Samples:
    return np.asarray(soxr.resample(samples, 2.0 ** (semitones / 12.0), 1.0, quality="HQ"))


def _zone_overlaps(kick: Array, bass: Array) -> tuple[float | None, ...]:
    """Share of the kick's loudness that the bass masks, in the sub and in the bass zone."""
    alone = hearing.specific_loudness(kick)
    masked = alone - hearing.partial_loudness(kick, bass)
    out: list[float | None] = []
    for weights in occ.zone_weights()[LOW_ZONES]:
        total = float((alone @ weights).sum())
        out.append(max(0.0, float((masked @ weights).sum()) / total) if total > 1e-6 else None)
    return tuple(out)


def _bass_notes(both: KickAndBass) -> Mapping[str, float]:
    """Notes that the bass plays in the excerpt, one look a half bar, from low to high: their frequencies in Hz."""
    rate = both.here.music.rate_hz
    step = round(both.here.grid.bar_s / 2 * rate)
    found: dict[str, float] = {}
    for start in range(0, len(both.bass) - step + 1, max(step, 1)):
        heard = pitch.pitch(both.bass[start : start + step], rate)
        if heard.hz is not None and heard.hz < HIGHEST_BASS_HZ:
            found.setdefault(note_of(heard.hz, both.here.music.key.name)[0], heard.hz)
    return dict(sorted(found.items(), key=lambda item: item[1]))


def _nothing(why: str, *, kick: str | None = None) -> LowEndCheck:
    return LowEndCheck(LowEnd(
        kick=kick, bass_stem=None, overlap_sub=None, overlap_bass=None, kick_share=None, kick_pitch_hz=None,
        kick_note=None, kick_cents_from_key=None, bass_notes=(), polarity=None, delay_ms=None, delay_gain_db=None,
        remedies=(), sentences=(), reasons={"low_end": why},
    ))  # fmt: skip
