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


SETTINGS: tuple[Setting, ...] = (
    # how full
    Setting("open_below", 0.55, "ratio", "a bass and a low pad alone measure about 0.5"),
    Setting("full_above", 0.70, "ratio", "a six-part full-range arrangement measures about 0.77"),
    Setting("crowding_fuller_below", 4.0, "ratio", "drums in open beats measure about 3 lost or hidden for 1 filled"),
    Setting("crowding_leaner_above", 7.0, "ratio", "drums in full beats measure about 10"),
    Setting("zone_open_below", 0.35, "ratio", "zones scatter more than the whole; below this a zone is nearly unused"),
    Setting("zone_full_above", 0.70, "ratio", "the reference less what two parts in one zone usually leave"),
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
    Setting("weight_share", 0.5, "per ratio", "a drum that misses its audible share will be turned up and hurt"),
    Setting("weight_tempo", 0.4, "per ratio", "a stretched loop loses its attacks, a repitched one its pitch"),
    Setting("weight_tuning", 0.08, "per ratio", "a pitched drum off the key rubs; a smaller matter than room"),
    Setting("weight_mono", 0.02, "per LU", "what vanishes in mono is missing on a phone"),
    Setting("mono_gone_lu", 20.0, "LU", "stands for a sound of which nothing is left in mono"),
    Setting("either_within", 0.04, "score", "a smaller lead than this is not heard as a difference"),
    # loops on the grid
    Setting("loop_as_is_within", 0.002, "ratio", "0.2 % is less than half a millisecond a slot at 92 BPM"),
    Setting("loop_repitch_within", 0.06, "ratio", "about a semitone; drums stand it"),
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
    Setting("unequal_loudness_from_lu", 3.0, "LU", "a loudness difference that nobody overhears"),
    # plans
    Setting("plan_gain_goal", 0.25, "ratio", "a change of room filled or overlap by a quarter is worth a treatment"),
    Setting("plan_least_offered", 0.25, "ratio", "less than the goal is told, but not worth a chain of treatments"),
    Setting("plan_share_loss", 0.10, "ratio", "a leaner drum must stay as audible as its intent"),
    Setting("plan_evaluations", 48.0, "count", "bounds the search; each costs some tens of milliseconds"),
    Setting("plan_loop_evaluations", 20.0, "count", "a loop is long, so each of its trials costs more"),
    Setting("plans_loops", 2.0, "count", "loops whose treatment is searched"),
    # how closely candidates are looked at
    Setting("closely_per_role", 6.0, "count", "one-shots a role that are placed on the whole beat"),
    Setting("closely_loops", 10.0, "count", "loops that are placed on the whole beat"),
    Setting("ranking_slots", 256.0, "count", "slots of the beat, spread evenly by bars, that a ranking looks at"),
    # robustness
    Setting("robust_level_db", 10.0, "dB", "listening levels differ by this much between quiet and loud rooms"),
    Setting("robust_reference_db", 3.0, "dB", "spectra of released music scatter by about this a zone"),
    # low end and translation
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
