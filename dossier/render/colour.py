"""Colour scales of the page, made here: lightness falls (or rises) in equal steps, so that equal differences in the
data look equally different, in grey and to colour-blind eyes too.

Colours are interpolated in OKLab (B. Ottosson, "A perceptual color space for image processing", 2020; matrices and
offsets from that publication, from memory) with lightness linear in the position.  Each scale has a hue of its own:
blue for the instrumental, ochre for room and drums, plum for overlap.  The diverging scale runs from blue (less) over
the paper's colour to ochre (more): those two hues stay apart under every common form of colour blindness.
"""

from __future__ import annotations

import math

# (lightness, chroma, hue in degrees) at the empty end, the middle and the full end
_PAPER = (0.970, 0.006, 100.0)
_NIGHT = (0.235, 0.012, 265.0)
_SCALES: dict[str, tuple[tuple[float, float, float], ...]] = {
    "blue": (_PAPER, (0.615, 0.105, 240.0), (0.26, 0.085, 270.0)),
    "ochre": (_PAPER, (0.635, 0.125, 65.0), (0.30, 0.070, 40.0)),
    "plum": (_PAPER, (0.615, 0.120, 345.0), (0.26, 0.085, 320.0)),
    "blue-dark": (_NIGHT, (0.595, 0.105, 245.0), (0.955, 0.035, 220.0)),
    "ochre-dark": (_NIGHT, (0.595, 0.120, 62.0), (0.955, 0.045, 90.0)),
    "plum-dark": (_NIGHT, (0.595, 0.120, 345.0), (0.955, 0.035, 340.0)),
}
_DIVERGING: dict[str, tuple[tuple[float, float, float], ...]] = {
    "change": ((0.40, 0.110, 258.0), _PAPER, (0.40, 0.095, 50.0)),
    "change-dark": ((0.82, 0.100, 245.0), _NIGHT, (0.82, 0.110, 75.0)),
}
NAMES: tuple[str, ...] = (*_SCALES, *_DIVERGING)

Rgb = tuple[int, int, int]


def srgb(lightness: float, a: float, b: float) -> Rgb:
    """OKLab to 8-bit sRGB, clipped to the gamut."""
    root = (
        lightness + 0.3963377774 * a + 0.2158037573 * b,
        lightness - 0.1055613458 * a - 0.0638541728 * b,
        lightness - 0.0894841775 * a - 1.2914855480 * b,
    )
    long, middle, short = (value**3 for value in root)
    linear = (
        4.0767416621 * long - 3.3077115913 * middle + 0.2309699292 * short,
        -1.2684380046 * long + 2.6097574011 * middle - 0.3413193965 * short,
        -0.0041960863 * long - 0.7034186147 * middle + 1.7076147010 * short,
    )
    red, green, blue = (round(255 * min(1.0, max(0.0, _encode(value)))) for value in linear)
    return red, green, blue


def _encode(value: float) -> float:
    """Linear light to the sRGB curve (IEC 61966-2-1)."""
    return 12.92 * value if value <= 0.0031308 else 1.055 * value ** (1 / 2.4) - 0.055


def _lab(point: tuple[float, float, float]) -> tuple[float, float, float]:
    lightness, chroma, hue = point
    return lightness, chroma * math.cos(math.radians(hue)), chroma * math.sin(math.radians(hue))


def colour(name: str, position: float) -> Rgb:
    """Colour of scale `name` at `position` (0-1, held at the ends)."""
    points = _SCALES.get(name) or _DIVERGING[name]
    at = min(1.0, max(0.0, position)) * (len(points) - 1)
    index = min(int(at), len(points) - 2)
    part = at - index
    low, high = _lab(points[index]), _lab(points[index + 1])
    lightness, a, b = (x + (y - x) * part for x, y in zip(low, high, strict=True))
    if name in _SCALES:  # chroma and hue bend at the middle, lightness must not
        lightness = points[0][0] + (points[-1][0] - points[0][0]) * min(1.0, max(0.0, position))
    return srgb(lightness, a, b)


def stops(name: str, steps: int = 16) -> list[tuple[float, str]]:
    """`steps + 1` equally spaced stops, as plot libraries take them."""
    return [(round(i / steps, 4), "#{:02x}{:02x}{:02x}".format(*colour(name, i / steps))) for i in range(steps + 1)]


def palette(name: str, size: int = 256) -> list[Rgb]:
    """The whole scale as a table of `size` colours."""
    return [colour(name, i / (size - 1)) for i in range(size)]
