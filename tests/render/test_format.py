"""Numbers, dates and sentences as text."""

from __future__ import annotations

import pytest

from dossier.decide.approach import percent
from dossier.render import format as fmt
from dossier.render import glossary

NB, MINUS = "\u00a0", "\u2212"


@pytest.mark.parametrize(
    ("said", "wanted"),
    [
        (fmt.number(-3.04), f"{MINUS}3.0"), (fmt.number(-0.04), "0.0"), (fmt.number(0.04, sign=True), "0.0"),
        (fmt.number(2.25, 2, sign=True), "+2.25"), (fmt.number(None), "\u2013"),
        (fmt.db(-6.0), f"{MINUS}6.0{NB}dB"),
        (fmt.lufs(-15.96), f"{MINUS}16.0{NB}LUFS"), (fmt.percent(0.614), f"61{NB}%"),
        (fmt.percent(None), "\u2013"),
        (fmt.percent(-0.284, sign=True), f"{MINUS}28{NB}%"), (fmt.small_percent(0.0834), f"8.3{NB}%"),
        (fmt.small_percent(0.0996), f"10{NB}%"), (fmt.hz(55.2), f"55.2{NB}Hz"), (fmt.hz(60.0), f"60{NB}Hz"),
        (fmt.hz(99.97), f"100{NB}Hz"), (fmt.hz(999.6), f"1{NB}kHz"), (fmt.hz(2400), f"2.4{NB}kHz"),
        (fmt.hz(12400), f"12{NB}kHz"), (fmt.seconds(0.18), f"180{NB}ms"), (fmt.seconds(0.9996), f"1.00{NB}s"),
        (fmt.seconds(64.2), f"64{NB}s"), (fmt.clock(187.4), "3:07"), (fmt.clock(59.6), "1:00"),
        (fmt.notes("Eb3, C#-1 and Bb minor"), "E\u266d3, C\u266f-1 and B\u266d minor"),
        (fmt.notes("Ab B"), "A\u266d B"),
        (fmt.day("2026-03-04T23:59:59Z"), f"4{NB}March 2026"), (fmt.day("soon"), "soon"), (fmt.listed([]), ""),
        (fmt.listed(["a", "b", "c"]), "a, b and c"), (fmt.count(0, "bar"), f"no{NB}bars"),
        (fmt.count(1, "bar"), f"1{NB}bar"), (glossary.zone_range("bass"), f"60\u2013250{NB}Hz"),
        (glossary.zone_range("mid"), f"500{NB}Hz\u20132{NB}kHz"), (fmt.short("a" * 20, 5), "aaaa\u2026"),
    ],
)  # fmt: skip
def test_numbers_read_as_people_say_them(said: str, wanted: str) -> None:
    """Analytic."""
    assert said == wanted


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("bell at 320 Hz, -3.0 dB", f"bell at 320{NB}Hz, {MINUS}3.0{NB}dB"), ("84 % of it", f"84{NB}% of it"),
        ("take-3 dB.wav", f"take-3{NB}dB.wav"), ("drums/x -2.wav", "drums/x -2.wav"),
        ("no numbers - here", "no numbers - here"),
        ("from -4.0 to -1.5 dB", f"from {MINUS}4.0 to {MINUS}1.5{NB}dB"), ("3 halls", "3 halls"),
        ("score -0.41, not -0.39.", f"score {MINUS}0.41, not {MINUS}0.39."), ("take -2.5.wav", "take -2.5.wav"),
        ("5 s later", f"5{NB}s later"),
    ],
)  # fmt: skip
def test_sentences_get_true_minus_signs_and_keep_names(text: str, wanted: str) -> None:
    """Analytic: a name is left as it is, a quantity is not broken from its unit."""
    assert fmt.tidy(text) == wanted


@pytest.mark.parametrize("share", [0.0, 0.00049, 0.0345, 0.0994, 0.09951, 0.0996, 0.1, 0.125, 0.345, 0.995, 1.285])
def test_sentences_and_tables_round_a_share_alike(share: float) -> None:
    assert fmt.tidy(percent(share)) == fmt.small_percent(share)
