"""Every threshold and weight that a decision uses, with its reason.  beat.toml's [policy] may override each by name.

None of these is a law: they are starting points from measurements of instrumentals of known fullness and from common
practice, and the page shows which ones a beat changed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Setting:
    name: str
    default: float
    unit: str
    reason: str


# Thirds of what the music of finished mixes takes of each zone, drums taken away: 112 mixes, 56 pieces in two sound
# sets (tests/bench/learn_frame_spread.py prints them).
_ZONE_THIRDS = {
    "sub": (0.87, 1.46), "bass": (0.85, 0.98), "low_mid": (0.82, 1.00), "mid": (0.83, 0.94), "high_mid": (0.78, 0.98),
    "presence": (0.62, 0.86), "brilliance": (0.29, 0.45),
}  # fmt: skip
_ZONE_SIDES = ((0, "open_below", "less"), (1, "full_above", "more"))
_ZONE_REASON = "a third of 56 pieces without their drums, in two sound sets (n = 112), carry {} here"

SETTINGS: tuple[Setting, ...] = (
    # how full
    # thirds of the music, drums taken away, of 112 mixes: 56 pieces, two sound sets (0.81 and 0.91, 0.77 and 0.84)
    Setting("open_below", 0.70, "ratio", "a third of 56 pieces without their drums, in two sound sets, carry less"),
    Setting("full_above", 0.78, "ratio", "a third of 56 pieces without their drums, in two sound sets, carry more"),
    *(
        Setting(f"zone_{name}_{zone}", third[side], "ratio", _ZONE_REASON.format(than))
        for zone, third in _ZONE_THIRDS.items() for side, name, than in (_ZONE_SIDES)
    ),
    Setting("crowding_fuller_below", 4.0, "ratio", "drums in open beats measure about 3 lost or hidden for 1 filled"),
    Setting("crowding_leaner_above", 7.0, "ratio", "drums in full beats measure about 10"),
    Setting("crowding_least_room", 0.001, "ratio", "a drum that fills less has no crowding to speak of"),
    # levels of the analysis
    Setting("target_lufs", -16.0, "LUFS", "AES TD1008 recommends -16 LUFS for tracks"),
    Setting("listening_level", 75.0, "dB SPL", "a moderate working level; loudness depends on it, so it is stated"),
    Setting("instrumental_below_mix", 3.0, "LU", "drums and instrumental share the power of the mix evenly"),
    Setting("ceiling_dbtp", -1.0, "dBTP", "EBU R 128 maximum true peak level"),
    Setting("part_peak_dbtp", 2.0, "dBTP", "the limiter of the mix takes what is above, half of what it may"),
    Setting("limiter_most_db", 6.0, "dB", "more than this from a limiter is heard as squashing"),
    # fit of a candidate
    Setting("weight_room", 8.0, "per ratio", "filling is what a drum is for; times the room that is left, 4 at half"),
    Setting("weight_overlap", 1.0, "per ratio", "loudness that the instrumental masks is spent for nothing"),
    Setting("weight_buried", 1.5, "per ratio", "a drum that hides the music costs the song more than its own loss"),
    Setting("weight_spill", 2.0, "per ratio", "loudness above the reference crowds the mix"),
    Setting("weight_share", 0.5, "per ratio", "a drum that misses its audible share will be turned up too far"),
    Setting("weight_tempo", 0.4, "per ratio", "a stretched loop loses its attacks, a repitched one its pitch"),
    Setting("weight_tuning", 0.08, "per ratio", "a pitched drum off the key rubs; a smaller matter than room"),
    Setting("weight_mono", 0.02, "per LU", "what vanishes in mono is missing on a phone"),
    Setting("tuning_gone_cents", 50.0, "cents", "a quarter tone beside the scale is on no note at all"),
    Setting("cost_told", 0.005, "score", "a term that costs less is not worth a word"),
    Setting("mono_gone_lu", 20.0, "LU", "stands for a sound of which nothing is left in mono"),
    Setting("either_within", 0.04, "score", "a smaller lead than this is not heard as a difference"),
    # loops on the grid
    Setting("loop_as_is_within", 0.002, "ratio", "0.2 % is less than half a millisecond a slot at 92 BPM"),
    Setting("loop_repitch_within", 0.06, "ratio", "about a semitone; drums tolerate it"),
    Setting("loop_half_time_cost", 0.15, "octaves", "half or double time changes what plays: must be clearly nearer"),
    Setting("loop_swing_heard", 0.04, "of an eighth", "13 ms at 92 BPM, about where two feels begin to rub"),
    Setting("loop_poor_beyond", 0.12, "ratio", "beyond two semitones or this much stretch a loop is another loop"),
    # balance
    Setting("share_forward", 0.40, "ratio", "leads the beat: two fifths stand clear of all else that plays"),
    Setting("share_level", 0.28, "ratio", "sits beside the music: more than a quarter stands clear"),
    Setting("share_tucked", 0.18, "ratio", "felt under the music"),
    Setting("share_lows_less", 0.08, "ratio", "kick and tom share their zones with the bass; a fifth is a lot"),
    Setting("loop_at_most_lu", 3.0, "LU", "a loop louder than this over the instrumental drowns it"),
    Setting("lead_at_most_lu", -3.0, "LU", "kick, snare and clap at half the power of all the music lead it already"),
    Setting("part_at_most_lu", -10.0, "LU", "hats, rides and percussion lie under kick and snare"),
    Setting("loop_at_least_lu", -3.0, "LU", "a loop is the whole drum part: half the power of the music or more"),
    Setting("lead_at_least_lu", -8.0, "LU", "kick, snare and clap carry the beat even where nothing covers them"),
    Setting("part_at_least_lu", -16.0, "LU", "a part softer than this under the instrumental is not missed"),
    Setting("gain_floor_db", -40.0, "dB", "a part lower than this is off"),
    Setting("gain_ceiling_db", 24.0, "dB", "a file that needs more than this is too soft to use as it is"),
    Setting("equal_peak_within_db", 0.5, "dB", "meters are read to about this"),
    Setting("unequal_loudness_from_lu", 3.0, "LU", "a loudness difference that nobody misses"),
    # plans
    Setting("plan_gain_goal", 0.25, "ratio", "a change of room filled or overlap by a quarter is worth a treatment"),
    Setting("plan_least_offered", 0.25, "ratio", "less is shown, but not worth a chain of treatments"),
    Setting("plan_matched_gain", 0.05, "ratio", "with less left at equal loudness a treatment is only a fader"),
    Setting("plan_share_loss", 0.10, "ratio", "a leaner drum must stay as audible as its intent"),
    Setting("plan_share_slack", 0.01, "ratio", "a point of audible share is nothing"),
    Setting("plan_peak_slack_db", 0.1, "dB", "true peaks are read to about this"),
    Setting("plan_loudness_loss_lu", 6.0, "LU", "a drum that loses more is turned down, not made leaner"),
    Setting("plan_other_side", 0.02, "ratio", "a smaller change for the worse is within what a measurement can tell"),
    Setting("plan_least_share", 0.002, "ratio", "a smaller share of the reference is nothing to work on"),
    Setting("plan_harm", 4.0, "per ratio", "0.05 of added masking or lost room costs as much as a gentle step"),
    Setting("plan_promising", 0.02, "ratio", "a smaller gain is no reason to go on along a line of amounts"),
    Setting("plan_gain_per_cost", 0.04, "ratio", "what a unit of cost must bring where no chain meets the goal"),
    Setting("plan_spill_told", 0.005, "ratio", "a smaller change of loudness above the reference is not worth a word"),
    Setting("plan_output_told_db", 0.005, "dB", "a smaller output gain reads as 0.0 dB"),
    Setting("plan_effort_layering", 1.2, "cost", "a second sound makes it another drum"),
    Setting("plan_effort_eq", 0.7, "cost", "a filter keeps the character"),
    Setting("plan_effort_transient_shaping", 0.8, "cost", "the shape changes, the tone does not"),
    Setting("plan_effort_saturation", 1.0, "cost", "new overtones: the yardstick of the others"),
    Setting("plan_effort_parallel_compression", 0.95, "cost", "more body without new overtones"),
    Setting("plan_effort_band_and_bit_reduction", 1.3, "cost", "the strongest change of character"),
    Setting("plan_effort_short_room", 1.05, "cost", "puts the drum in another place"),
    Setting("plan_effort_width", 0.6, "cost", "the mono sum stays as it is"),
    Setting("plan_effort_truncation", 0.6, "cost", "what is kept stays as it is"),
    Setting("plan_evaluations", 48.0, "count", "bounds the search; each costs some tens of milliseconds"),
    Setting("plan_singles_share", 0.6, "ratio", "of the evaluations; the rest is left for chains"),
    Setting("plan_loop_evaluations", 20.0, "count", "a loop is long, so each of its trials costs more"),
    Setting("plans_loops", 2.0, "count", "loops whose treatment is searched"),
    # how many candidates are examined closely
    Setting("closely_per_role", 6.0, "count", "one-shots a role that are placed on the whole beat"),
    Setting("closely_loops", 10.0, "count", "loops that are placed on the whole beat"),
    Setting("ranking_frames", 400.0, "count", "frames of the beat, 40 s spread over it, that a ranking measures"),
    # robustness
    Setting("robust_level_db", 10.0, "dB", "listening levels differ by this much between quiet and loud rooms"),
    Setting("robust_reference_db", 3.0, "dB", "spectra of released music scatter by about this a zone"),
    # room left
    Setting("extra_least_room", 0.004, "ratio", "an extra that fills less is not missed"),
    Setting("extra_most_crowding", 0.5, "ratio", "an extra must fill twice what it loses or spills"),
    # low end and translation
    Setting("gone_below", 0.05, "ratio", "less of a part than this is no longer heard as that part"),
    Setting("mono_zone_told_lu", 0.05, "LU", "a smaller loss in a zone reads as 0.0 LU"),
    Setting("small_speaker_hz", 150.0, "Hz", "phones and small speakers give little below this"),
    Setting("low_end_good_share", 0.7, "ratio", "a kick of which this much is heard below 250 Hz stands out"),
    Setting("low_end_alignment_db", 0.5, "dB", "a smaller gain in low-end level is not heard"),
    Setting("low_end_cents_off", 35.0, "cents", "a kick further than this from the key rubs against the bass"),
    Setting("mono_loss_lu", 1.5, "LU", "a loss that is heard as softer"),
    Setting("quiet_db", 15.0, "dB", "quiet listening"),
    Setting("lost_below", 0.35, "ratio", "less of a part than this is missed"),
    # search hints
    Setting("hint_covered_below", 0.15, "ratio", "of its loudness in a band: less is not missed"),
    Setting("hint_worth", 0.08, "ratio", "of all that is masked: a smaller range is no work for an EQ"),
    Setting("hint_beyond", 0.04, "ratio", "of all that is heard: less than this beyond a range and a pass may take it"),
    Setting("hint_faint", 0.01, "ratio", "of the loudest band: the drum has nothing there"),
    Setting("hint_ranges", 2.0, "number", "EQ ranges that a search tries"),
    Setting("hint_layers", 3.0, "number", "second files that layering may try"),
    # low end remedies
    Setting("low_end_bass_share", 0.2, "ratio", "of a stem's energy below 250 Hz, to be called the bass"),
    Setting("low_end_helps", 0.02, "ratio", "more of the kick that is heard, from which on a remedy is worth a file"),
    Setting("duck_most_db", 12.0, "dB", "deeper is heard as a hole in the bass"),
    Setting("duck_shortest_release_ms", 80.0, "ms", "shorter clicks"),
    Setting("duck_longest_release_ms", 350.0, "ms", "longer takes the bass note"),
    Setting("low_end_longest_delay_ms", 10.0, "ms", "a kick moved further is heard late"),
    # files
    Setting("kit_fewest_members", 2.0, "number", "one drum is no kit"),
    Setting("kit_file_dbtp", -3.0, "dBTP", "room for what a treatment finds beyond the cycle that it was searched on"),
    Setting("drums_file_dbfs", -1.0, "dBFS", "the file of all drums is lowered as a whole where it would pass this"),
    # mix, translation, what would change the verdict
    Setting("mix_missed_lu", 0.1, "LU", "loudness that a limiter cost; less is not made up"),
    Setting("mix_short_lu", 0.2, "LU", "from here on the mix is said to miss its target"),
    Setting("translation_least_heard", 0.01, "ratio", "of its loudness alone: what is covered has nothing to lose"),
    Setting("coarse_lift_lu", 6.0, "LU", "one lift for all that are looked at coarsely"),
    Setting("what_if_lower_db", 4.0, "dB", "by how much a stem is lowered to see what would change"),
    Setting("what_if_lowered", 3.0, "number", "stems that are also lowered: those that say most when they are gone"),
    Setting("what_if_shown", 2.0, "number", "the most telling cases are told"),
)
DEFAULTS: Mapping[str, float] = MappingProxyType({setting.name: setting.default for setting in SETTINGS})


class Policy(Mapping[str, float]):
    """The settings of one beat: the defaults, and what its beat.toml overrides."""

    def __init__(self, overrides: Mapping[str, float] | None = None) -> None:
        overrides = overrides or {}
        unknown = sorted(set(overrides) - set(DEFAULTS))
        if unknown:
            raise KeyError(f"unknown policy settings: {', '.join(unknown)}")
        self._values = {name: float(overrides.get(name, default)) for name, default in DEFAULTS.items()}

    def __getitem__(self, name: str) -> float:
        return self._values[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)
