"""Every threshold and weight that a decision uses, with its reason.  beat.toml's [policy] may override each by name.

None of these is a law: they are starting points from measurements of instrumentals of known fullness and from common
practice, and the page shows which ones a beat changed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType

from msgspec import Struct

from dossier.model.usual import RoleLevel, UsualLevels


class Setting(Struct, frozen=True):
    name: str
    default: float
    unit: str
    reason: str


class UsualFit(Struct, frozen=True):
    """What drums of a role do in `n` pieces that people made."""

    n: int
    job: float  # median
    heard: tuple[float, ...]  # 25th percentile, sone, by the groups of the role's zones
    room: float  # medians
    over: float
    covers: float
    fits_well: float  # 25th percentile of their scores
    poor: float  # 5th


# Learnt by tests/bench/bench_fit.py --constants: the parts of 56 pieces through two sound sets, each part at its usual
# level; the scores with room kept for a voice, as it is where nothing is said.  Roles in fewer than ten pieces are told
# from all their parts.
USUAL_FIT: Mapping[str, UsualFit] = MappingProxyType({
    "kick": UsualFit(51, 0.99, (0.028, 0.29), 0.011, 0.0025, 0.069, 0.526, 0.435),
    "snare": UsualFit(47, 0.96, (0.077, 0.58), 0.02, 0.0032, 0.092, 0.503, 0.449),
    "clap": UsualFit(5, 0.95, (2.1, 1.0), 0.023, 0.0035, 0.07, 0.477, 0.406),
    "rim": UsualFit(6, 0.17, (0.038, 0.89), 0.0033, 0.0022, 0.035, 0.128, 0.106),
    "closed-hat": UsualFit(43, 0.89, (1.3,), 0.021, 0.0044, 0.041, 0.478, 0.413),
    "open-hat": UsualFit(13, 0.39, (0.56,), 0.01, 0.00067, 0.032, 0.246, 0.176),
    "ride": UsualFit(11, 0.91, (1.7,), 0.037, 0.0083, 0.11, 0.502, 0.470),
    "crash": UsualFit(10, 0.93, (2.6,), 0.017, 0.0077, 0.063, 0.501, 0.417),
    "tom": UsualFit(20, 0.96, (0.01, 0.01), 0.00074, 0.0001, 0.0047, 0.478, 0.421),
    "shaker": UsualFit(7, 0.98, (1.3,), 0.012, 0.0019, 0.015, 0.529, 0.445),
    "percussion": UsualFit(13, 0.43, (0.01, 0.14), 0.018, 0.0073, 0.033, 0.251, 0.106),
    "all-drums": UsualFit(56, 1.0, (0.044, 0.46, 2.7), 0.069, 0.027, 0.23, 0.558, 0.523),
})  # fmt: skip

SETTINGS: tuple[Setting, ...] = (
    # how full
    # tests/bench/learn_frame_spread.py; 95 % of the thirds, pieces resampled: 0.77 to 0.86, 0.83 to 0.90
    Setting("open_below", 0.80, "ratio", "a third of 56 pieces without their drums, in two sound sets, carry less"),
    Setting("full_above", 0.89, "ratio", "a third of 56 pieces without their drums, in two sound sets, carry more"),
    Setting("zone_open_below", 0.74, "ratio", "a third of 784 zones of those pieces without their drums carry less"),
    Setting("zone_full_above", 0.97, "ratio", "a third of 784 zones of those pieces without their drums carry more"),
    Setting("zone_over_above", 1.91, "ratio", "one in twenty of 784 zones of finished mixes carries more"),
    Setting("crowding_fuller_below", 4.0, "ratio", "drums in open beats cover about 3 for 1 that they fill"),
    Setting("crowding_leaner_above", 7.0, "ratio", "drums in full beats measure about 10"),
    Setting("crowding_least_room", 0.001, "ratio", "a drum that fills less has no crowding to speak of"),
    # the room that a voice needs
    Setting("voice_room", 0.3, "ratio", "of the reference in a voice's range, kept free; common practice, no source"),
    Setting("voice_from_hz", 200.0, "Hz", "what a voice has below is cut in most mixes; common practice, no source"),
    Setting("voice_to_hz", 4000.0, "Hz", "up to here words are understood; common practice, no source"),
    # levels of the analysis
    Setting("target_lufs", -16.0, "LUFS", "AES TD1008 recommends -16 LUFS for tracks"),
    Setting("listening_level", 75.0, "dB SPL", "a moderate working level; loudness depends on it, so it is stated"),
    Setting("ceiling_dbtp", -1.0, "dBTP", "EBU R 128 maximum true peak level"),
    Setting("limiter_most_db", 6.0, "dB", "more than this from a limiter is heard as squashing"),
    # fit of a candidate
    Setting("weight_job", 0.5, "score", "a sound that is no kick is no kick, however well it fills"),
    Setting("weight_heard", 0.1, "score", "what is not heard where it works does no work"),
    Setting("weight_room", 0.15, "score", "for room filled as usual, times the room that is left: what a drum is for"),
    Setting("room_most", 3.0, "ratio", "a drum that fills more than this much more than usual is no better for it"),
    Setting("weight_over", 0.1, "score", "loudness above the reference crowds the mix"),
    Setting("weight_covers", 0.1, "score", "a drum that covers the music costs the song; times the music's fill"),
    Setting("weight_silent", 5.0, "score", "what cannot be heard comes last: more than all else together"),
    Setting("weight_tempo", 0.4, "score", "a stretched loop loses its attacks, a repitched one its pitch"),
    Setting("weight_tuning", 0.04, "score", "a pitched drum off the key rubs; a smaller matter than its sound"),
    Setting("weight_mono", 0.01, "per LU", "what vanishes in mono is missing on a phone"),
    Setting("inaudible_sone", 0.003, "sone", "a tone at the threshold of hearing (ANSI S3.4-2007)"),
    Setting("likely_enough", 0.4, "ratio", "of eleven roles; hits cut from a loop are told less surely than files"),
    Setting("lack_told", 0.05, "score", "a smaller lack is not worth a word"),
    Setting("tuning_gone_cents", 50.0, "cents", "a quarter tone beside the scale is on no note at all"),
    Setting("mono_gone_lu", 20.0, "LU", "stands for a sound of which nothing is left in mono"),
    Setting("either_within", 0.02, "score", "the same sound as a loop and as a kit differs by up to this"),
    # loops on the grid
    Setting("loop_as_is_within", 0.002, "ratio", "0.2 % is less than half a millisecond a slot at 92 BPM"),
    Setting("loop_pitch_gone", 2.0, "semitones", "moved this far a loop is another loop (common practice, no source)"),
    Setting("loop_smear_gone", 20.0, "ms", "a hit that rises so much slower is none (common practice, no source)"),
    Setting("loop_timing_heard", 10.0, "ms", "hits this far beside the beat begin to rub (common practice, no source)"),
    Setting("loop_timing_gone", 40.0, "ms", "hits this far apart are two (common practice, no source)"),
    Setting("loop_gaps_gone", 0.5, "ratio", "a loop of which half is made up, or cut, is another loop"),
    Setting("loop_groove_cost", 0.5, "ratio", "a loop is its sound and its groove: re-laid it keeps the first"),
    Setting("loop_poor_below", 0.2, "ratio", "of a loop of which less is left, another loop has come"),
    Setting("loop_means_within", 0.01, "score", "a smaller lead is not heard: the gentler means is taken"),
    Setting("relaid_least_played", 0.5, "ratio", "of the pattern's hits, by slices of their own role"),
    Setting("loop_half_time_cost", 0.15, "octaves", "half or double time changes what plays: must be clearly nearer"),
    Setting("loop_swing_heard", 0.04, "of an eighth", "13 ms at 92 BPM, about where two feels begin to rub"),
    # balance; the usual levels themselves follow below
    Setting("part_most_db", 6.0, "dB", "above this the music comes down instead; common practice, no source"),
    Setting("place_again_lu", 0.2, "LU", "the music this far from where the solved mix leaves it is placed again"),
    # tests/bench/learn_levels.py --shares
    Setting("covered_below", 0.023, "ratio", "heard of a part: 10th percentile of 296 parts of 112 mixes"),
    Setting("covered_lows_below", 0.0012, "ratio", "heard of a kick or tom: 10th percentile of 106 of 112 mixes"),
    Setting("give_way_most_db", 12.0, "dB", "a stem that would have to give way further is in the wrong place"),
    Setting("section_least_db", 0.5, "dB", "a section whose gains would move by less keeps them: nobody hears it"),
    Setting("equal_peak_within_db", 0.5, "dB", "meters are read to about this"),
    Setting("unequal_loudness_from_lu", 3.0, "LU", "a loudness difference that nobody misses"),
    # taste
    Setting("taste_fewest", 4.0, "pieces", "fewer say more of the pieces than of who made them"),
    # tests/bench/learn_levels.py --taste: learnt from 4, 8 and 16 pieces of one of three collections, a taste misses
    # its other pieces by 4.4, 4.2 and 3.9 dB (the default by 4.9, 4.8, 3.8), relative to a piece's parts by 1.00, 0.98
    # and 0.96 (1.02, 1.03, 1.06); on the other sound set by 3.4, 3.4, 3.7 (3.5, 3.4, 3.5) and by as much as the default
    # relative.  2 to 8 do alike here, and collections are not people, so this is hardly known.
    Setting("taste_lean", 4.0, "pieces", "n of them weigh n / (n + this): of the fewest that count, one half"),
    Setting("taste_ears", 0.25, "pieces", "a blind choice between steps of 3 dB tells the side, hardly how far"),
    Setting("taste_wide_lu", 12.0, "LU", "half of 56 pieces by many authors lie within 6; one user within twice that"),
    Setting("taste_bounce_apart_lu", 1.0, "LU", "a bounce further from the sum of its stems was made otherwise"),
    Setting("taste_least_length", 0.25, "ratio", "of the music's length; a drum file that is shorter is a sample"),
    Setting("taste_one_role", 0.8, "ratio", "of a file's hits; with fewer of one role it is a bounce of several"),
    # plans, judged at equal loudness
    Setting("plan_fuller_goal", 0.10, "ratio", "of the room it filled: less is within what a fader step does"),
    Setting("plan_least", 0.01, "ratio", "of the reference or the music: a smaller part is no work for a treatment"),
    Setting("plan_leaner_goal", 0.20, "ratio", "of covered music and over: a fifth less is heard as clearer"),
    Setting("plan_heard_loss", 0.10, "ratio", "in sone, of a drum in its own zones: 1.4 dB, which few notice"),
    Setting("plan_job_slack", 0.02, "ratio", "likeness to a role is told no more finely"),
    Setting("plan_slack", 0.0005, "ratio", "a smaller rise is within what a measurement can tell"),
    Setting("plan_output_told_db", 0.005, "dB", "a smaller output gain reads as 0.0 dB"),
    Setting("plan_effort_filter", 0.65, "cost", "EQ, width, truncation: what is kept stays as it is"),
    Setting("plan_effort_shape", 0.85, "cost", "transients, compression: the shape changes, the tone does not"),
    Setting("plan_effort_colour", 1.1, "cost", "overtones, a room, a layer, fewer bits: another character"),
    Setting("plan_evaluations", 48.0, "count", "bounds the search; each costs some tens of milliseconds"),
    Setting("plan_loop_evaluations", 20.0, "count", "a loop is long, so each of its trials costs more"),
    Setting("plans_loops", 2.0, "count", "loops whose treatment is searched"),
    # how many candidates are examined closely
    Setting("all_measured", 200.0, "count", "files that are all measured at once: a library of more is sifted first"),
    Setting("sifted_loops", 40.0, "count", "loops that are laid at all; hundreds would fill the memory"),
    Setting("closely_per_role", 20.0, "count", "one-shots a role: the best of 500 files was 16th at a coarse look"),
    Setting("closely_loops", 10.0, "count", "loops that are placed on the whole beat"),
    Setting("ranking_frames", 400.0, "count", "frames of the beat, 40 s spread over it, that a ranking measures"),
    Setting("reference_tilt_db", 0.0, "dB", "finished mixes as they are; higher is darker, at both ends"),
    Setting("masking_moved_db", 0.0, "dB", "the hearing model's masking constant as published"),
    # how sure
    Setting("sure_draws", 64.0, "number", "one in eight is then told to within about a tenth"),
    Setting("sure_weights", 0.25, "ratio", "nobody could set a weight more finely"),
    Setting("sure_listening_db", 10.0, "dB", "listening levels differ by this much between quiet and loud rooms"),
    Setting("sure_tilt_db", 3.0, "dB", "spectra of released music scatter by about this, at either end"),
    Setting("sure_masking_db", 3.0, "dB", "published masked thresholds differ by about this"),
    Setting("sure_from", 0.75, "ratio", "what turns in more than a quarter of plausible settings is a close call"),
    # room left
    Setting("extra_least_room", 0.004, "ratio", "an extra that fills less is not missed"),
    # low end and translation
    Setting("gone_below", 0.05, "ratio", "less of a part than this is no longer heard as that part"),
    Setting("mono_zone_told_lu", 0.05, "LU", "a smaller loss in a zone reads as 0.0 LU"),
    Setting("small_speaker_hz", 150.0, "Hz", "phones and small speakers give little below this"),
    # tests/bench/bench_fit.py
    Setting("low_end_covered_share", 0.016, "ratio", "heard of a kick below 250 Hz: 25th percentile of 101 people set"),
    Setting("low_end_good_share", 0.056, "ratio", "heard of a kick below 250 Hz: median of the same"),
    Setting("low_end_alignment_db", 0.5, "dB", "a smaller gain in low-end level is not heard"),
    Setting("low_end_least_cents", 10.0, "cents", "a smaller difference of pitch is heard by few"),
    Setting("low_end_bass_kick_ms", 350.0, "ms", "a pitched kick that rings this long is heard as a bass note"),
    Setting("low_end_tune_most", 2.0, "semitones", "tuned further it is another kick (common practice, no source)"),
    Setting("mono_loss_lu", 1.5, "LU", "a loss that is heard as softer"),
    Setting("quiet_db", 15.0, "dB", "quiet listening"),
    Setting("lost_below", 0.35, "ratio", "less of a part than this is missed"),
    # search hints
    Setting("hint_covered_below", 0.15, "ratio", "of its loudness in a band: less is not missed"),
    Setting("hint_worth", 0.08, "ratio", "of all that is covered: a smaller range is no work for an EQ"),
    Setting("hint_beyond", 0.04, "ratio", "of all that is heard: less than this beyond a range and a pass may take it"),
    Setting("hint_faint", 0.01, "ratio", "of the loudest band: the drum has nothing there"),
    Setting("hint_ranges", 2.0, "number", "EQ ranges that a search tries"),
    Setting("hint_layers", 3.0, "number", "second files that layering may try"),
    # low end remedies
    Setting("low_end_bass_share", 0.2, "ratio", "of a stem's energy below 250 Hz, to be called the bass"),
    Setting("low_end_helps", 0.02, "ratio", "more of the kick that is heard: half of what covered and good differ by"),
    Setting("duck_most_db", 12.0, "dB", "deeper is heard as a hole in the bass"),
    Setting("duck_shortest_release_ms", 80.0, "ms", "shorter clicks"),
    Setting("duck_longest_release_ms", 350.0, "ms", "longer takes the bass note"),
    Setting("low_end_longest_delay_ms", 6.0, "ms", "just noticed in an even pulse (Friberg, Sundberg 1995; memory)"),
    # files
    Setting("kit_fewest_members", 2.0, "number", "one drum is no kit"),
    Setting("kit_file_dbtp", -3.0, "dBTP", "room for what a treatment adds"),
    Setting("hit_file_tail_db", 90.0, "dB", "below a hit's peak: what is softer than this at its end is left out"),
    Setting("blind_step_db", 3.0, "dB", "a step of the drums that is easily heard; smaller ones take many rounds"),
    Setting("drums_file_dbfs", -1.0, "dBFS", "where all drums would pass this, their file and the music are lowered"),
    # mix, translation, what would change the verdict
    Setting("mix_missed_lu", 0.1, "LU", "loudness that a limiter cost; less is not made up"),
    Setting("mix_short_lu", 0.2, "LU", "from here on the mix is said to miss its target"),
    Setting("translation_least_heard", 0.01, "ratio", "of its loudness alone: what is covered has nothing to lose"),
    Setting("what_if_lower_db", 4.0, "dB", "by how much a stem is lowered to see what would change"),
    Setting("what_if_lowered", 3.0, "number", "stems that are also lowered: those that say most when they are gone"),
    Setting("what_if_shown", 2.0, "number", "the most telling cases are told"),
)

# Learnt by tests/bench/learn_levels.py from 56 pieces (n: pieces that have the role), each through two sound sets.
# Mean absolute error of a part's level, whole collections left out, on the one and the other sound set (198 and 204
# parts).  Learnt from the set that it is tested on: 4.46 and 3.60 dB, 1.06 and 1.18 relative to the piece's other
# parts; its role's usual level alone: 5.21 and 3.98, 2.26 and 1.92.  Learnt from both, as the figures below are: 4.93
# and 3.73, 1.53 and 1.42, and 1.97 and 1.68 where the all-drums level is the author's; the usual level 5.65 and 4.32,
# 2.61 and 2.13.  Learnt from the other set: 5.47 and 4.36, 2.23 and 2.31 (the same pieces in the other set left in:
# 5.33 and 4.38, 2.09 and 2.27); its role's usual sample peak: 5.71 and 5.14, 2.70 and 2.92 (5.38 and 4.63, 2.64 and
# 2.57), which is absolutely further off by 0.25 [-0.46, 0.94] and 0.78 [0.33, 1.25].
# The songs' velocities are their authors' own faders, so reading them reads part of the answer: unread, 5.09 and 4.06,
# 2.17 and 1.74 from the same set, and from the other one 5.98 and 5.08, 2.83 and 3.09, no better than the peaks, which
# have the velocities in them.  Without the offset to the usual all-drums level, so that the velocities also say how
# loud all drums are, 3.42 and 3.03 from the same set, like a chart of the files' peaks (3.53 and 3.30).  Roles in fewer
# than ten pieces have no range of their own, and their middle leans on that of their kin.
# All drums: 20th percentile, mean and 90th percentile of the same pieces; left-out collections miss the mean by 3.9 LU
# in the mean (4.5 and 3.3).  From the other set the mean misses parts by less than the median does, by 0.04 [-0.04,
# 0.11] and 0.24 [0.12, 0.37], from both by 0.21 [0.12, 0.29] and 0.03 [-0.08, 0.13], and from the same set by as much
# (0.02 [-0.14, 0.18] and -0.03 [-0.10, 0.05] less).  Game music has softer drums than beats have, hence intents.
# Slopes within roles and pieces: hit level -0.92 [-1.09, -0.74] and velocity +1.00 [0.89, 1.08], taken as 1, which
# says that one hit has its usual level; the music's level at the part's hits 0.00 [-0.13, 0.18], taken as 0.
USUAL = UsualLevels(
    roles=MappingProxyType({
        "kick": RoleLevel(51, -9.7, -14.4, -7.0, 7.2, -2.7, -2.1, 0.7),
        "snare": RoleLevel(47, -12.3, -16.9, -9.4, 6.9, -4.5, -1.9, 0.9),
        "clap": RoleLevel(4, -11.1, -11.1, -11.1, 7.5, -4.9, -2.0, 1.0),
        "rim": RoleLevel(4, -14.1, -14.1, -14.1, 6.8, -6.7, -2.0, 1.0),
        "closed-hat": RoleLevel(43, -19.1, -23.1, -15.5, 6.6, -5.0, -1.8, 0.4),
        "open-hat": RoleLevel(13, -22.6, -25.9, -17.6, 8.5, -4.9, -1.2, 1.5),
        "ride": RoleLevel(11, -15.9, -21.2, -12.2, 6.2, -1.6, -2.5, 1.0),
        "crash": RoleLevel(10, -12.3, -14.7, -9.9, 6.7, -1.1, -0.7, 2.2),
        "tom": RoleLevel(3, -18.5, -18.5, -18.5, 9.4, -4.8, -2.0, 1.0),
        "shaker": RoleLevel(6, -19.1, -19.1, -19.1, 7.8, -7.7, -2.0, 1.0),
        "percussion": RoleLevel(13, -14.2, -21.5, -9.5, 7.2, -5.6, -3.4, 2.1),
    }),
    all_drums_lu=MappingProxyType({"tucked": -12.2, "level": -8.3, "forward": -2.3}),
    all_drums_range_db=(-3.1, 3.1), n=56, source="56 pieces whose authors set the levels, through two sound sets",
)  # fmt: skip


def _as_settings(usual: UsualLevels) -> Iterator[Setting]:
    for role, of in usual.roles.items():
        words = f"usual level against the music, {of.n} pieces"
        yield Setting(f"usual_{role.replace('-', '_')}_lu", of.level_lu, "LU", words)
    for intent, level in usual.all_drums_lu.items():
        yield Setting(f"all_drums_{intent}_lu", level, "LU", f"all drums against the music, {usual.n} pieces")


SETTINGS += tuple(_as_settings(USUAL))
DEFAULTS: Mapping[str, float] = MappingProxyType({setting.name: setting.default for setting in SETTINGS})


class Policy(Mapping[str, float]):
    """The settings of one beat: the defaults, the usual levels of a taste over them, and what its beat.toml sets."""

    def __init__(self, overrides: Mapping[str, float] | None = None, usual: UsualLevels = USUAL) -> None:
        overrides = overrides or {}
        defaults = {**DEFAULTS, **{setting.name: setting.default for setting in _as_settings(usual)}}
        unknown = sorted(set(overrides) - set(DEFAULTS))
        if unknown:
            raise KeyError(f"unknown policy settings: {', '.join(unknown)}")
        self._values = {name: float(overrides.get(name, default)) for name, default in defaults.items()}

    def __getitem__(self, name: str) -> float:
        return self._values[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)
