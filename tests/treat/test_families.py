"""What every treatment keeps: shapes, types, finite values, the caller's samples; and the registry."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from treat_sounds import RATE, burst

from dossier.errors import MeasureError
from dossier.model.vocabulary import ROLES
from dossier.treat import FAMILIES
from dossier.treat.families import Family, in_hz, rounded

LAYER = burst(0.3, seed=9)
CASES = [
    pytest.param(family, direction, id=f"{family.name}-{direction}".replace(" ", "-"))
    for family in FAMILIES.values()
    for direction in family.directions
]


def odd_sounds(rate: int) -> dict[str, np.ndarray]:
    """The inputs that break things."""
    click = np.zeros((rate // 50, 2))
    click[3] = 1.0
    return {
        "silence": np.zeros((rate // 10, 2)),
        "20 ms": burst(0.02, rate=rate),
        "constant": np.full((rate // 10, 2), 0.5),
        "clipped": np.clip(8.0 * burst(0.1, rate=rate), -1.0, 1.0),
        "click": click,
        "one sample": np.ones((1, 1)),
        "nothing": np.zeros((0, 2)),
        "barely there": 1e-12 * burst(0.05, rate=rate),
        "mono": burst(0.05, channels=1, rate=rate),
        "single precision": burst(0.05, rate=rate).astype(np.float32),
    }


def extra(family: Family) -> dict[str, np.ndarray]:
    return {"layer": LAYER} if family.name == "layering" else {}


def offered(family: Family, role: str | None, rate: int, direction: str, kind: str = "one-shot") -> tuple:
    return family.amount_lines(role=role, rate_hz=rate, direction=direction, kind=kind, layers=("b.wav",))


def ends(family: Family, direction: str, rate: int = RATE, role: str = "snare") -> list[dict]:
    """Gentlest and strongest amounts of every line."""
    lines = offered(family, role, rate, direction)
    return [dict(line[index]) for line in lines for index in (0, -1)]


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize(("family", "direction"), CASES)
def test_nothing_breaks_a_treatment(family: Family, direction: str, rate: int) -> None:
    """Analytic: finite values, same channels and float type, samples of the caller untouched, silence stays silent."""
    for name, sound in odd_sounds(rate).items():
        kept = sound.copy()
        for amounts in ends(family, direction, rate):
            out = family.apply(sound, rate, **extra(family), **amounts)
            assert np.isfinite(out).all(), name
            assert out.dtype == sound.dtype, name
            assert out.shape[1] == sound.shape[1], name
            assert out is not sound, name
            assert np.array_equal(sound, kept), name
            if name == "silence":
                assert not np.any(out), name


@pytest.mark.parametrize(("family", "direction"), CASES)
def test_the_start_of_a_hit_stays_where_it_is(family: Family, direction: str) -> None:
    """Analytic: no delay; silence before a hit stays silent (60 dB down), and the hit starts at the same sample."""
    sound = np.vstack((np.zeros((480, 2)), burst(0.3)))
    layer = {"layer": sound} if family.name == "layering" else {}
    for amounts in ends(family, direction):
        out = family.apply(sound, RATE, **layer, **amounts)
        # linear-phase filters ring before the hit, close to it: 2 ms are theirs
        assert np.max(np.abs(out[:380])) < 1e-3 * np.max(np.abs(out))
        lag = np.argmax(np.correlate(out[400:3000, 0], sound[450:2000, 0], "valid")) - 50
        # a minimum-phase low-pass at 2.8 kHz has sqrt(2)/(2 pi f0) = 3.9 samples of its own, not of latency
        assert abs(lag) <= (4 if family.name == "EQ" else 1)


@pytest.mark.parametrize(("family", "direction"), CASES)
@settings(max_examples=8, deadline=None, derandomize=True)
@given(gain_db=st.floats(-60.0, 12.0))
def test_the_recorded_level_does_not_matter(family: Family, direction: str, gain_db: float) -> None:
    """Analytic: every amount counts from the sound's own peak, so treating and turning down may change places."""
    sound, gain = burst(0.15), 10.0 ** (gain_db / 20.0)
    for amounts in ends(family, direction)[1::2]:
        one = family.apply(gain * sound, RATE, **extra(family), **amounts)
        other = gain * family.apply(sound, RATE, **extra(family), **amounts)
        # saturation rounds to single precision; a value on the edge of a quantiser's step may fall either way
        assert np.mean(np.abs(one - other) > 1e-6 * gain) < 1e-3


@pytest.mark.parametrize(("family", "direction"), [case for case in CASES if case.values[0].name != "short room"])
def test_channels_may_be_swapped(family: Family, direction: str) -> None:
    """Analytic: no treatment prefers a channel (the room has its own noise for each)."""
    sound = burst(0.15)
    for amounts in ends(family, direction):
        layer = extra(family)
        one = family.apply(sound[:, ::-1], RATE, **{k: v[:, ::-1] for k, v in layer.items()}, **amounts)
        other = family.apply(sound, RATE, **layer, **amounts)[:, ::-1]
        assert np.allclose(one, other, atol=1e-12)


@pytest.mark.parametrize(("family", "direction"), CASES)
def test_amounts_are_words_that_can_be_read(family: Family, direction: str) -> None:
    """Analytic: for every role and rate, lines of at most six amounts, all different, each with label and settings."""
    for role in (*ROLES, None):
        for rate in (44_100, 192_000):
            for line in offered(family, role, rate, direction):
                assert 3 <= len(line) <= 6
                labels = [family.label(amounts) for amounts in line]
                assert len(set(labels)) == len(labels)
                for amounts in line:
                    settings_ = family.settings(amounts)
                    assert settings_
                    assert all(isinstance(name, str) and isinstance(unit, str) for name, _, unit in settings_)
                    assert all(isinstance(value, float | str) for _, value, _ in settings_)


def test_the_registry_covers_the_families_in_the_order_of_a_chain() -> None:
    """Analytic: nine families under their own names and the output level after them."""
    assert all(name == family.name for name, family in FAMILIES.items())
    assert len([family for family in FAMILIES.values() if family.directions]) == 9
    assert list(FAMILIES)[9:] == ["output level"]
    assert {d for family in FAMILIES.values() for d in family.directions} == {"fuller", "leaner"}


@pytest.mark.parametrize(
    "family", [f for f in FAMILIES.values() if f.directions], ids=lambda family: family.name.replace(" ", "-")
)
def test_loops_get_no_treatment_for_single_hits(family: Family) -> None:
    """Analytic: truncation and layering have nothing to offer for a loop, and say that they do not suit one."""
    direction = family.directions[0]
    lines = offered(family, None, RATE, direction, "loop")
    assert bool(lines) == family.suits_loops


@pytest.mark.parametrize(
    ("family", "direction"),
    [case for case in CASES if case.values[0].suits_loops and case.values[0].name != "short room"],
)
def test_one_pass_of_a_loop_sounds_as_it_does_when_repeated(family: Family, direction: str) -> None:
    """Analytic: a pass treated as a loop is the third of three passes treated together."""
    one_pass = np.vstack((burst(0.5), 0.5 * burst(0.5, seed=2)))
    frames = len(one_pass)
    for amounts in ends(family, direction)[1::2]:
        cycle = family.play(one_pass, RATE, amounts, kind="loop")
        thrice = family.apply(np.vstack((one_pass,) * 4), RATE, **amounts)[2 * frames : 3 * frames]
        assert cycle.shape == one_pass.shape
        # the slowest thing that remembers is the sustain's falling peak; band reduction holds on another raster
        assert np.sqrt(np.mean((cycle - thrice) ** 2)) < (0.02 if family.name == "band and bit reduction" else 1e-3)


@pytest.mark.parametrize(
    "bad",
    [np.zeros(10), np.zeros((10, 3)), np.array([[np.nan]]), np.array([[np.inf]])],
    ids=["flat", "wide", "nan", "inf"],
)
def test_samples_that_break_the_contract_are_refused(bad: np.ndarray) -> None:
    """Analytic: never a silent NaN."""
    with pytest.raises(MeasureError):
        FAMILIES["width"].apply(bad, RATE, side_db=3.0)


def test_half_steps_and_words() -> None:
    """Analytic: ratios are halved geometrically, decibels arithmetically, words stay, and values stay dialable."""
    between = FAMILIES["EQ"].between
    assert between({"hz": 100.0, "_": 0.0}, {"hz": 400.0, "_": 0.0}) is not None
    assert between({"cut_hz": 100.0}, {"cut_hz": 400.0}) == {"cut_hz": 200.0}
    assert between({"gain_db": -6.0, "shape": "bell"}, {"gain_db": -9.0, "shape": "bell"}) == {
        "gain_db": -7.5, "shape": "bell"}  # fmt: skip
    assert between({"shape": "bell"}, {"shape": "low-pass"}) is None
    assert between({"gain_db": -6.0}, {"gain_db": -6.0}) is None
    assert [rounded(value) for value in (0.0, 123.4, 0.01234, 987.0, -3.26)] == [0.0, 123.0, 0.0123, 990.0, -3.3]
    assert [in_hz(value) for value in (40.0, 250.0, 4000.0, 12_000.0)] == ["40 Hz", "250 Hz", "4.0 kHz", "12 kHz"]
