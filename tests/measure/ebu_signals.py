"""Test signals of EBU Tech 3341 Table 1, EBU Tech 3342 Table 1 and ITU-R BS.1770-5, and others made the same way.

Levels are peak dBFS of a sine in each channel, 1 kHz, in phase, unless said otherwise.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Steps = list[tuple[float, float | None]]  # (seconds, dBFS or None for silence)

RATES = (44_100, 48_000, 96_000)


def tone(steps: Steps, rate_hz: int, *, f_hz: float = 1000.0) -> Array:
    """One channel of a sine whose level changes in steps, phase running through."""
    level = np.concatenate([np.full(round(s * rate_hz), 0.0 if db is None else 10 ** (db / 20)) for s, db in steps])
    return level * np.sin(2 * np.pi * f_hz * np.arange(len(level)) / rate_hz)


def stereo(channel: Array) -> Array:
    return np.column_stack([channel, channel])


def window_lufs(blocks: Array, length: int) -> Array:
    """Loudness of every run of `length` blocks of 100 ms: momentary with 4, short-term with 30 (Tech 3341)."""
    with np.errstate(divide="ignore"):
        return -0.691 + 10 * np.log10(np.lib.stride_tricks.sliding_window_view(blocks, length).mean(axis=1))


INTEGRATED_CASES: dict[int, Steps] = {  # Tech 3341 Table 1, all of them -23 LUFS but case 2 at -33
    1: [(20, -23)],
    2: [(20, -33)],
    3: [(10, -36), (60, -23), (10, -36)],
    4: [(10, -72), (10, -36), (60, -23), (10, -36), (10, -72)],
    5: [(20, -26), (20.1, -20), (20, -26)],
}
SURROUND = (-28.0, -28.0, -24.0, -30.0, -30.0)  # case 6, 20 s: L R C Ls Rs


def integrated_case(case: int, rate_hz: int) -> tuple[Array, float]:
    """Tech 3341 cases whose integrated loudness is stated: samples, LUFS."""
    if case == 6:
        return np.outer(tone([(20, 0.0)], rate_hz), 10 ** (np.array(SURROUND) / 20)), -23.0
    return stereo(tone(INTEGRATED_CASES[case], rate_hz)), -33.0 if case == 2 else -23.0


def short_term_constant(rate_hz: int) -> Array:
    """Tech 3341 case 9: short-term -23 LUFS, constant after 3 s."""
    return stereo(tone([(1.34, -20), (1.66, -30)] * 5, rate_hz))


def momentary_constant(rate_hz: int) -> Array:
    """Tech 3341 case 12: momentary -23 LUFS, constant after 1 s."""
    return stereo(tone([(0.18, -20), (0.22, -30)] * 25, rate_hz))


def short_term_burst(i: int, rate_hz: int) -> Array:
    """Tech 3341 case 10, i = 0 ... 19: maximum short-term -23 LUFS."""
    return stereo(tone([(i * 0.15, None), (3.0, -23), (1.0, None)], rate_hz))


def momentary_burst(i: int, rate_hz: int) -> Array:
    """Tech 3341 case 13, i = 0 ... 19: maximum momentary -23 LUFS."""
    return stereo(tone([(i * 0.020, None), (0.4, -23), (1.0, None)], rate_hz))


RANGE_CASES: dict[int, tuple[tuple[float, ...], float]] = {  # Tech 3342 Table 1: levels of 20 s each, LU
    1: ((-20, -30), 10.0),
    2: ((-20, -15), 5.0),
    3: ((-40, -20), 20.0),
    4: ((-50, -35, -20, -35, -50), 15.0),
}

TRUE_PEAK_CASES: dict[int, tuple[float, float, float, float]] = {  # fs / f, amplitude, phase in degrees, dBTP
    15: (4.0, 0.50, 0.0, -6.0),
    16: (4.0, 0.50, 45.0, -6.0),
    17: (6.0, 0.50, 60.0, -6.0),
    18: (8.0, 0.50, 67.5, -6.0),
    19: (4.0, 1.41, 45.0, 3.0),
}


def tapered(signal: Array, rate_hz: int, *, seconds: float = 0.010) -> Array:
    """Fade in and out over 10 ms."""
    n = round(seconds * rate_hz)
    out = signal.copy()
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(n) + 0.5) / n)
    out[:n] *= ramp
    out[len(out) - n :] *= ramp[::-1]
    return out


def true_peak_tone(case: int, rate_hz: int) -> Array:
    """Tech 3341 cases 15-19."""
    divisor, amplitude, degrees, _ = TRUE_PEAK_CASES[case]
    n = np.arange(round(0.5 * rate_hz))
    return stereo(tapered(amplitude * np.sin(2 * np.pi * n / divisor + np.radians(degrees)), rate_hz))


def true_peak_transient(case: int, rate_hz: int) -> Array:
    """Tech 3341 cases 20-23: a period at fs/4, 1.00, inside fs/6 at 0.50, made at 4 fs and decimated at offsets 0-3."""
    from scipy.signal import firwin, upfirdn

    carrier = 24  # samples of one period of fs/6 at 4 fs
    burst = 16  # of fs/4
    before = 0.5 * np.sin(2 * np.pi * np.arange(carrier * 400) / carrier)
    inside = np.sin(2 * np.pi * np.arange(burst) / burst)
    made = tapered(np.concatenate([before, inside, before]), 4 * rate_hz)
    # flat to fs/3, stops at fs/2; the filter's delay is a whole number of samples at 4 fs
    filtered = np.convolve(made, firwin(257, 0.42 / 2, window=("kaiser", 8.0)))
    return stereo(upfirdn([1.0], filtered[case - 20 :], 1, 4))
