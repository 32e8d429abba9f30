"""Drums made by rule, for fitting and testing the measures of hits: a maker takes a random generator, gives one sound.

The makers follow how drums and drum machines make their sound (common practice, no source): a swept sine for kicks and
toms, tone and noise for snares, bursts of band noise for claps, high-passed noise or clashing squares for hats, many
inharmonic modes for cymbals.  Every figure is drawn from a range, wide on purpose.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.signal import butter, sosfilt

RATE_HZ = 48000
Rng = np.random.Generator
Sound = np.ndarray


def times(duration_s: float) -> Sound:
    return np.arange(max(64, int(duration_s * RATE_HZ))) / RATE_HZ


def decay(t: Sound, to_20_db_s: float) -> Sound:
    """Exponential envelope that reaches -20 dB at the given time."""
    return 10.0 ** (-t / to_20_db_s)


def log_uniform(g: Rng, low: float, high: float) -> float:
    return float(np.exp(g.uniform(np.log(low), np.log(high))))


def filtered(x: Sound, low_hz: float | None, high_hz: float | None, order: int = 2) -> Sound:
    if low_hz is not None and high_hz is not None:
        sos = butter(order, [max(low_hz, 20.0), min(high_hz, 0.47 * RATE_HZ)], "band", fs=RATE_HZ, output="sos")
    elif low_hz is not None:
        sos = butter(order, low_hz, "high", fs=RATE_HZ, output="sos")
    else:
        sos = butter(order, min(high_hz or RATE_HZ, 0.47 * RATE_HZ), "low", fs=RATE_HZ, output="sos")
    return np.asarray(sosfilt(sos, x))


def noise(g: Rng, t: Sound) -> Sound:
    return g.standard_normal(len(t))


def swept(t: Sound, f_hz: float, rise: float, tau_s: float, phase: float = 0.0) -> Sound:
    """Sine whose frequency falls from f (1 + rise) to f."""
    return np.sin(2 * np.pi * np.cumsum(f_hz * (1.0 + rise * np.exp(-t / tau_s))) / RATE_HZ + phase)


def modes(g: Rng, t: Sound, low_hz: float, high_hz: float, count: int, to_20_db_s: float, tilt: float) -> Sound:
    y = np.zeros(len(t))
    for f in np.exp(g.uniform(np.log(low_hz), np.log(high_hz), count)):
        shape = decay(t, to_20_db_s * (3000.0 / f) ** 0.5 * g.uniform(0.5, 1.4))
        y += f**tilt * np.sin(2 * np.pi * f * t + g.uniform(0, 6)) * shape
    return y


def kick(g: Rng) -> Sound:
    length = log_uniform(g, 0.06, 0.7)
    t = times(min(2.0, 2.2 * length + 0.05))
    f = g.uniform(38, 75)
    y = swept(t, f, log_uniform(g, 1.2, 8), log_uniform(g, 0.004, 0.05), g.uniform(0, 1)) * decay(t, length)
    if g.random() < 0.6:
        y = np.tanh(y * g.uniform(1, 4))
    if g.random() < 0.7:
        click = filtered(noise(g, t), g.uniform(300, 2500), g.uniform(3000, 9000))
        y += g.uniform(0.03, 0.5) * click * decay(t, log_uniform(g, 0.003, 0.03))
    if g.random() < 0.35:  # a shell's modes and a beater
        for _ in range(2):
            y += (
                g.uniform(0.1, 0.4)
                * np.sin(2 * np.pi * f * g.uniform(1.4, 3.6) * t)
                * decay(t, length * g.uniform(0.2, 0.6))
            )
        y += (
            g.uniform(0.02, 0.2)
            * filtered(noise(g, t), None, g.uniform(2000, 8000))
            * decay(t, log_uniform(g, 0.02, 0.12))
        )
    return y


def snare(g: Rng) -> Sound:
    length = log_uniform(g, 0.07, 0.5)
    t = times(min(2.0, 2.5 * length + 0.05))
    f = g.uniform(130, 330)
    tone = swept(t, f, g.uniform(0, 0.5), 0.01) * decay(t, length * g.uniform(0.25, 0.9))
    tone += g.uniform(0, 0.7) * np.sin(2 * np.pi * f * g.uniform(1.4, 2.3) * t) * decay(t, length * g.uniform(0.2, 0.6))
    wires = filtered(noise(g, t), log_uniform(g, 300, 2500), g.uniform(6000, 16000), 1)
    y = log_uniform(g, 0.1, 1.2) * tone + 0.35 * wires / wires.std() * decay(t, length)
    y += g.uniform(0, 0.5) * noise(g, t) * decay(t, 0.006)
    return np.tanh(y * g.uniform(1, 3)) if g.random() < 0.4 else y


def machine_snare(g: Rng) -> Sound:
    """More tone than wires, low and short, or wires with little above."""
    length, f = log_uniform(g, 0.06, 0.35), log_uniform(g, 90, 260)
    t = times(3 * length + 0.05)
    y = swept(t, f, g.uniform(0, 1.2), log_uniform(g, 0.008, 0.04)) * decay(t, length * g.uniform(0.5, 1.1))
    wires = filtered(noise(g, t), log_uniform(g, 150, 1500), log_uniform(g, 2500, 12000), 1)
    y += log_uniform(g, 0.12, 0.5) * wires / wires.std() * decay(t, length * g.uniform(0.5, 1.2))
    return np.tanh(y * g.uniform(0.5, 3))


def brush(g: Rng) -> Sound:
    length, rise = log_uniform(g, 0.04, 0.2), log_uniform(g, 0.002, 0.02)
    t = times(3 * length + 0.05)
    y = filtered(noise(g, t), log_uniform(g, 400, 2500), g.uniform(5000, 14000), 1) * decay(t, length)
    y += g.uniform(0, 0.3) * np.sin(2 * np.pi * g.uniform(150, 300) * t) * decay(t, 0.5 * length)
    return y * (1.0 - np.exp(-t / rise))


def clap(g: Rng) -> Sound:
    t = times(g.uniform(0.25, 0.6))
    shape = np.zeros(len(t))
    count, apart = int(g.integers(2, 5)), g.uniform(0.007, 0.014)
    for k in range(count):
        since = t - k * apart * g.uniform(0.8, 1.2)
        shape = np.maximum(shape, (since >= 0) * decay(np.maximum(since, 0), g.uniform(0.012, 0.03)))
    since = t - count * apart
    tail = g.uniform(0.5, 1) * decay(np.maximum(since, 0), log_uniform(g, 0.05, 0.25))
    band = filtered(noise(g, t), g.uniform(500, 1100), g.uniform(1800, 8000), int(g.integers(1, 3)))
    return band * np.maximum(shape, (since >= 0) * tail)


def snap(g: Rng) -> Sound:
    length, f = log_uniform(g, 0.02, 0.08), g.uniform(1500, 3200)
    t = times(3 * length + 0.05)
    return filtered(noise(g, t), 0.7 * f, 1.6 * f) * decay(t, length) + 0.3 * np.sin(2 * np.pi * f * t) * decay(
        t, length / 2
    )


def rim(g: Rng) -> Sound:
    length, f = log_uniform(g, 0.01, 0.06), g.uniform(350, 900)
    t = times(3 * length + 0.03)
    y = np.sin(2 * np.pi * f * t) * decay(t, length)
    y += g.uniform(0.3, 1) * np.sin(2 * np.pi * f * g.uniform(2.2, 4.5) * t) * decay(t, 0.7 * length)
    return y + g.uniform(0.1, 0.8) * filtered(noise(g, t), 1500, None) * decay(t, 0.005)


def _hat(g: Rng, length: float) -> Sound:
    t = times(min(3.0, 2.3 * length + 0.03))
    choice = g.random()
    y = np.zeros(len(t))
    if choice > 0.5:
        base = g.uniform(250, 1200)
        for _ in range(int(g.integers(5, 9))):
            wave = np.sin(2 * np.pi * base * g.uniform(1, 4.5) * t + g.uniform(0, 6))
            y += np.sign(wave) if g.random() < 0.5 else wave
    if choice < 0.5 or choice > 0.8:
        y += noise(g, t)
    return filtered(y, g.uniform(4000, 8500), None, int(g.integers(1, 4))) * decay(t, length)


def _worn(g: Rng, y: Sound) -> Sound:
    """An older sampler's top end, or a body under the sizzle."""
    choice = g.random()
    if choice < 0.2:
        return filtered(y, None, g.uniform(5000, 10000), 2)
    if choice < 0.4:
        t = np.arange(len(y)) / RATE_HZ
        body = filtered(noise(g, t), g.uniform(250, 800), g.uniform(2000, 4000), 1) * decay(
            t, log_uniform(g, 0.01, 0.06)
        )
        return y / np.abs(y).max() + g.uniform(0.1, 0.6) * body / np.abs(body).max()
    return y


def closed_hat(g: Rng) -> Sound:
    y = _worn(g, _hat(g, log_uniform(g, 0.015, 0.12)))
    if g.random() < 0.25:  # closed by the pedal: two plates meet, no stick
        y *= 1.0 - np.exp(-np.arange(len(y)) / (log_uniform(g, 0.002, 0.012) * RATE_HZ))
    return y


def open_hat(g: Rng) -> Sound:
    y = _worn(g, _hat(g, log_uniform(g, 0.18, 0.9)))
    if g.random() < 0.4:  # choked
        y = y[: int(g.uniform(0.2, 0.6) * RATE_HZ)].copy()
        y *= np.minimum(1.0, (len(y) - np.arange(len(y))) / (0.02 * RATE_HZ))
    return y


def crash(g: Rng) -> Sound:
    length = log_uniform(g, 0.5, 2.2)
    t = times(min(4.0, 2 * length))
    y = modes(g, t, g.uniform(250, 800), 15000, 120, length, g.uniform(-0.4, 0.3))
    wash = filtered(noise(g, t), g.uniform(2000, 5000), None, 1) * decay(t, length)
    y = y / y.std() * g.uniform(0.3, 1) * wash.std() + wash
    return y * (1.0 - np.exp(-t / log_uniform(g, 0.001, 0.02)))


def ride(g: Rng) -> Sound:
    length = log_uniform(g, 0.6, 2.5)
    t = times(min(4.0, 1.8 * length))
    y = modes(g, t, g.uniform(300, 900), 12000, 50, length, g.uniform(-0.2, 0.4))
    y = y / y.std() + g.uniform(1, 5) * filtered(noise(g, t), 3000, None) * decay(t, log_uniform(g, 0.01, 0.06))
    for _ in range(int(g.integers(1, 5))):
        y += g.uniform(0.1, 0.8) * np.sin(2 * np.pi * g.uniform(2000, 7000) * t) * decay(t, length)
    return filtered(y, g.uniform(200, 2500), None, 1)


def tom(g: Rng) -> Sound:
    length, f = log_uniform(g, 0.15, 0.7), log_uniform(g, 62, 240)
    t = times(min(2.5, 2.2 * length))
    y = swept(t, f, g.uniform(0, 0.6), log_uniform(g, 0.015, 0.08)) * decay(t, length)
    y += g.uniform(0, 0.5) * np.sin(2 * np.pi * f * g.uniform(1.4, 2.1) * t) * decay(t, length * g.uniform(0.2, 0.7))
    return y + g.uniform(0, 0.35) * filtered(noise(g, t), None, g.uniform(2000, 9000)) * decay(
        t, log_uniform(g, 0.005, 0.09)
    )


def machine_tom(g: Rng) -> Sound:
    """A tom with a noise burst that lasts: tone stays longer, unlike in a snare."""
    length, f = log_uniform(g, 0.2, 0.8), log_uniform(g, 80, 320)
    t = times(min(2.5, 2.2 * length))
    y = swept(t, f, g.uniform(0.1, 1.2), log_uniform(g, 0.03, 0.15)) * decay(t, length)
    burst = filtered(noise(g, t), None, g.uniform(4000, 16000), 1)
    y += g.uniform(0.1, 0.9) * burst / burst.std() * 0.5 * decay(t, log_uniform(g, 0.02, 0.12))
    return np.tanh(y * g.uniform(0.5, 2))


def slap(g: Rng) -> Sound:
    """A hand drum struck and held."""
    length, f = log_uniform(g, 0.008, 0.05), log_uniform(g, 150, 1100)
    t = times(4 * length + 0.03)
    y = np.sin(2 * np.pi * f * t + g.uniform(0, 3)) * decay(t, length)
    for _ in range(int(g.integers(1, 4))):
        y += g.uniform(0.2, 1) * np.sin(2 * np.pi * f * g.uniform(1.3, 5) * t) * decay(t, length * g.uniform(0.3, 1))
    hand = filtered(noise(g, t), g.uniform(200, 800), g.uniform(2500, 8000), 1)
    return y + g.uniform(0.1, 0.7) * hand / hand.std() * 0.5 * decay(t, length * g.uniform(0.2, 0.8))


def shell(g: Rng) -> Sound:
    """A timbale or a metal drum: a clear pitch with many modes above that ring."""
    length, f = log_uniform(g, 0.12, 0.5), log_uniform(g, 180, 520)
    t = times(2.5 * length)
    y = np.sin(2 * np.pi * f * t) * decay(t, length)
    for _ in range(int(g.integers(3, 9))):
        y += (
            g.uniform(0.1, 0.7) * np.sin(2 * np.pi * f * g.uniform(1.5, 9) * t) * decay(t, length * g.uniform(0.2, 0.9))
        )
    return y + g.uniform(0, 0.4) * noise(g, t) * decay(t, log_uniform(g, 0.003, 0.02))


def bell(g: Rng) -> Sound:
    """Agogo, ride-like bells and larger ones: few clear partials."""
    length, f = log_uniform(g, 0.08, 1.5), log_uniform(g, 350, 3000)
    t = times(min(3.0, 2 * length))
    y = np.zeros(len(t))
    for ratio in (1.0, *g.uniform(1.3, 5.5, int(g.integers(2, 6)))):
        y += (
            g.uniform(0.2, 1)
            * np.sin(2 * np.pi * f * ratio * t + g.uniform(0, 6))
            * decay(t, length * g.uniform(0.3, 1))
        )
    return y + g.uniform(0, 0.5) * filtered(noise(g, t), 2000, None) * decay(t, 0.006)


def rattle(g: Rng) -> Sound:
    """A vibraslap or a ratchet: strikes that come and fade for a second."""
    length, rate, f = log_uniform(g, 0.3, 1.2), g.uniform(16, 40), g.uniform(1500, 4500)
    t = times(1.5 * length)
    shape = np.zeros(len(t))
    for k in np.arange(0, 1.4 * length, 1 / rate):
        since = t - k
        shape += (since >= 0) * decay(np.maximum(since, 0), 0.6 / rate) * 10.0 ** (-k / length) * g.uniform(0.7, 1)
    return (filtered(noise(g, t), 0.4 * f, 3 * f, 1) + g.uniform(0, 1) * np.sin(2 * np.pi * f * t)) * shape


def hand_drum(g: Rng) -> Sound:
    length, f = log_uniform(g, 0.04, 0.35), log_uniform(g, 150, 620)
    t = times(min(1.5, 2.5 * length + 0.02))
    y = swept(t, f, g.uniform(0, 0.25), 0.01) * decay(t, length)
    for _ in range(int(g.integers(0, 4))):
        y += (
            g.uniform(0.05, 0.6)
            * np.sin(2 * np.pi * f * g.uniform(1.4, 4) * t)
            * decay(t, length * g.uniform(0.1, 0.8))
        )
    return y + g.uniform(0, 0.7) * filtered(noise(g, t), 600, 7000) * decay(t, log_uniform(g, 0.003, 0.03))


def wood(g: Rng) -> Sound:
    length, f = log_uniform(g, 0.015, 0.1), log_uniform(g, 500, 2800)
    t = times(3 * length + 0.02)
    y = np.sin(2 * np.pi * f * t) * decay(t, length)
    y += g.uniform(0, 0.5) * np.sin(2 * np.pi * f * g.uniform(1.5, 3) * t) * decay(t, 0.6 * length)
    return y + g.uniform(0, 0.3) * noise(g, t) * decay(t, 0.003)


def cowbell(g: Rng) -> Sound:
    length, f = log_uniform(g, 0.06, 0.5), g.uniform(400, 1100)
    t = times(2.5 * length)
    square = g.random() < 0.5
    waves = [np.sin(2 * np.pi * f * ratio * t) for ratio in (1.0, g.uniform(1.35, 1.6))]
    first, second = (np.sign(wave) if square else wave for wave in waves)
    y = (first + g.uniform(0.5, 1) * second) * decay(t, length)
    return filtered(y, 0.6 * f, f * g.uniform(3, 8), 1) + g.uniform(0, 0.3) * noise(g, t) * decay(t, 0.01)


def triangle(g: Rng) -> Sound:
    length, f = log_uniform(g, 0.04, 2), log_uniform(g, 1500, 9000)
    t = times(min(3.0, 2 * length))
    y = np.zeros(len(t))
    for _ in range(int(g.integers(2, 6))):
        y += g.uniform(0.2, 1) * np.sin(2 * np.pi * f * g.uniform(1, 3.2) * t) * decay(t, length * g.uniform(0.5, 1))
    return y


def tambourine(g: Rng) -> Sound:
    length = log_uniform(g, 0.06, 0.3)
    t = times(2.5 * length + 0.05)
    y = np.zeros(len(t))
    for _ in range(int(g.integers(4, 14))):
        since = t - abs(g.normal(0, 0.4 * length))
        jingle = modes(g, t, 4000, 13000, 5, length, 0)
        y += (since > 0) * jingle * decay(np.maximum(since, 0), 0.5 * length) * g.uniform(0.3, 1)
    return y / y.std() + g.uniform(0.1, 0.8) * filtered(noise(g, t), 5000, None) * decay(t, length)


def scraper(g: Rng) -> Sound:
    length, f = g.uniform(0.08, 0.6), g.uniform(1500, 4500)
    t = times(length + 0.1)
    y = np.zeros(len(t))
    rate = g.uniform(25, 70)
    for k in np.arange(0, length, 1 / rate):
        since = t - k - g.uniform(0, 0.2) / rate
        y += (since > 0) * decay(np.maximum(since, 0), g.uniform(0.004, 0.02)) * g.uniform(0.5, 1)
    return filtered(noise(g, t), 0.5 * f, 1.8 * f) * y + 0.4 * np.sin(2 * np.pi * f * t) * y


def shaker(g: Rng) -> Sound:
    rise, fall = log_uniform(g, 0.008, 0.06), log_uniform(g, 0.02, 0.12)
    t = times(rise + 2.5 * fall)
    shape = np.where(t < rise, (t / rise) ** g.uniform(0.7, 2), decay(np.maximum(t - rise, 0), fall))
    beads = filtered(noise(g, t), g.uniform(2500, 5500), g.uniform(9000, 16000), 1)
    return filtered(beads, g.uniform(2000, 4000), None, 1) * shape


MAKERS: dict[str, tuple[Callable[[Rng], Sound], ...]] = {
    "clap": (clap, clap, snap),
    "closed-hat": (closed_hat,),
    "crash": (crash,),
    "kick": (kick,),
    "open-hat": (open_hat,),
    "percussion": (
        hand_drum, slap, wood, cowbell, triangle, tambourine, scraper, shell, bell, rattle, hand_drum, triangle,
    ),
    "ride": (ride,),
    "rim": (rim,),
    "shaker": (shaker,),
    "snare": (snare, machine_snare, snare, brush),
    "tom": (tom, tom, machine_tom),
}  # fmt: skip


def make(role: str, number: int, *, seed: int = 0) -> tuple[Sound, int]:
    """The `number`-th sound of a role, `(frames, 1)` float32 at a level between -20 and 0 dBFS, and its rate."""
    g = np.random.default_rng([seed, sorted(MAKERS).index(role), number])
    makers = MAKERS[role]
    y = makers[number % len(makers)](g)
    y = y / np.abs(y).max() * 10.0 ** (-g.uniform(0, 20) / 20)
    return y.astype(np.float32)[:, None], RATE_HZ
