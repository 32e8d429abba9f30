"""Translation in words: who vanishes in mono, on a small speaker, at low level."""

from __future__ import annotations

from dossier.decide.policy import DEFAULTS
from dossier.decide.translation import sentences
from dossier.model.findings import PartTranslation

ZONES = {"sub": 0.0, "bass": 0.1, "presence": 0.6, "brilliance": None}


def part(
    name: str, mono: float | None = 0.0, small: float | None = 0.9, quiet: float | None = 0.4
) -> PartTranslation:
    return PartTranslation(part=name, mono_loss_lu=mono, small_speaker_share=small, quiet_share=quiet)


def test_where_nothing_is_lost_it_says_so() -> None:
    """Analytic: no loss reaches the threshold, every part is left on the small speaker and at low level."""
    assert sentences([part("kick"), part("snare", quiet=0.3)], ZONES, DEFAULTS) == ("Fine in mono.",)


def test_a_part_that_loses_is_named_with_the_zone() -> None:
    """Analytic: the part with the largest loss, and where it loses most."""
    said = sentences(
        [part("clap", mono=2.0), part("hat", mono=3.0)], ZONES, DEFAULTS,
        part_zones={"hat": {"sub": None, "presence": 2.5, "brilliance": 4.1}, "clap": {}},
    )  # fmt: skip
    assert said[0] == (
        "In mono hat loses 3.0 LU, most of it in the brilliance (4.1 LU); narrow it or check its channels."
    )


def test_what_vanishes_is_said_to() -> None:
    """Analytic: no level in mono at all, next to nothing above 150 Hz, below hearing when played softly."""
    said = sentences([part("kick", small=0.1, quiet=0.5), part("hat", mono=None, quiet=0.02)], ZONES, DEFAULTS)
    assert said[0] == "In mono hat vanishes: one channel is the other inverted."
    assert any("kick (10 % left) all but vanishes" in text for text in said)
    assert said[-1] == "Played 15 dB lower, hat is gone."


def test_a_wide_mix_points_at_its_stems() -> None:
    """Analytic: the mix loses where no drum does."""
    said = sentences([part("kick")], {**ZONES, "presence": 2.0}, DEFAULTS)
    assert said[0] == "The mix loses 2.0 LU in mono in the presence: look for a wide stem."


def test_a_part_that_is_covered_anyway_has_nothing_to_lose() -> None:
    """Analytic: no shares of nothing."""
    assert sentences([], {}, DEFAULTS) == ()
    said = sentences([part("kick", small=None, quiet=None), part("snare")], {}, DEFAULTS)
    assert said == ()
