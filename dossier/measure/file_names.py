"""What a file's name says: tempo, kind and role.  Names follow trade habits (common practice, no source).

A name is cut into words at everything but letters and digits, between letters and digits, and before a capital that
follows a small letter.  So `OpenHat_02`, `open-hat 02` and `openhat02` read alike, and `that` is no hat.  The file's
own name speaks first, then its folders, nearest first.
"""

from __future__ import annotations

import re
from functools import lru_cache

from dossier.model.vocabulary import Kind, Role

LOWEST_BPM, HIGHEST_BPM = 50.0, 220.0

_TEMPO = re.compile(
    r"(?<![\d.,])(\d{2,3}(?:[.,]\d{1,3})?)[\s_\-]*bpm(?![a-z])|(?<![a-z])bpm[\s_\-]*(\d{2,3}(?:[.,]\d{1,3})?)(?!\d)",
    re.IGNORECASE,
)
_NUMBER = re.compile(r"(?<![\d.])(\d{2,3})(?![\d.])")
_WORD = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+")

# Phrases before single words, longer before shorter: an 'open hat' is no plain hat.
_ROLES: tuple[tuple[str, Role], ...] = (
    ("bass drum", "kick"), ("drum bass", "kick"), ("side stick", "rim"), ("cross stick", "rim"), ("rim shot", "rim"),
    ("hand clap", "clap"), ("finger snap", "clap"),
    ("open hi hat", "open-hat"), ("hi hat open", "open-hat"), ("hat open", "open-hat"), ("open hat", "open-hat"),
    ("hh open", "open-hat"), ("open hh", "open-hat"), ("hihat open", "open-hat"), ("open hihat", "open-hat"),
    ("cymbal open", "open-hat"), ("hh o", "open-hat"), ("hat o", "open-hat"),
    ("closed hi hat", "closed-hat"), ("hi hat", "closed-hat"), ("cymbal closed", "closed-hat"),
    ("cymbal pedal", "closed-hat"), ("pedal hat", "closed-hat"), ("hat pedal", "closed-hat"),
    ("ride bell", "ride"), ("cow bell", "percussion"), ("wood block", "percussion"), ("tom tom", "tom"),
    ("kick", "kick"), ("kicks", "kick"), ("kik", "kick"), ("kd", "kick"), ("bd", "kick"), ("bassdrum", "kick"),
    ("snare", "snare"), ("snares", "snare"), ("snr", "snare"), ("sd", "snare"), ("sn", "snare"),
    ("clap", "clap"), ("claps", "clap"), ("handclap", "clap"), ("cp", "clap"), ("snap", "clap"), ("snaps", "clap"),
    ("rim", "rim"), ("rims", "rim"), ("rimshot", "rim"), ("sidestick", "rim"), ("crossstick", "rim"), ("rs", "rim"),
    ("openhat", "open-hat"), ("ohh", "open-hat"), ("oh", "open-hat"), ("hho", "open-hat"), ("openhihat", "open-hat"),
    ("closedhat", "closed-hat"), ("chh", "closed-hat"), ("ch", "closed-hat"), ("hhc", "closed-hat"),
    ("hihat", "closed-hat"), ("hihats", "closed-hat"), ("hat", "closed-hat"), ("hats", "closed-hat"),
    ("hh", "closed-hat"), ("closedhihat", "closed-hat"),
    ("ride", "ride"), ("rides", "ride"), ("crash", "crash"), ("crashes", "crash"), ("splash", "crash"),
    ("china", "crash"), ("cymbal", "crash"), ("cymbals", "crash"), ("cym", "crash"),
    ("tom", "tom"), ("toms", "tom"), ("floortom", "tom"), ("racktom", "tom"),
    ("shaker", "shaker"), ("shakers", "shaker"), ("maraca", "shaker"), ("maracas", "shaker"), ("cabasa", "shaker"),
    ("shekere", "shaker"), ("shk", "shaker"),
    ("perc", "percussion"), ("percs", "percussion"), ("percussion", "percussion"), ("conga", "percussion"),
    ("congas", "percussion"), ("bongo", "percussion"), ("bongos", "percussion"), ("cowbell", "percussion"),
    ("clave", "percussion"), ("claves", "percussion"), ("woodblock", "percussion"), ("tambourine", "percussion"),
    ("tamb", "percussion"), ("triangle", "percussion"), ("agogo", "percussion"), ("timbale", "percussion"),
    ("timbales", "percussion"), ("guiro", "percussion"), ("tabla", "percussion"), ("djembe", "percussion"),
    ("cajon", "percussion"), ("bell", "percussion"), ("block", "percussion"),
)  # fmt: skip
_KINDS: tuple[tuple[str, Kind], ...] = (
    ("one shot", "one-shot"), ("one shots", "one-shot"), ("oneshot", "one-shot"), ("oneshots", "one-shot"),
    ("single hit", "one-shot"), ("hits", "one-shot"),
    ("loop", "loop"), ("loops", "loop"), ("lp", "loop"), ("break", "loop"), ("breaks", "loop"), ("breakbeat", "loop"),
    ("breakbeats", "loop"), ("groove", "loop"), ("grooves", "loop"), ("drumloop", "loop"), ("drumloops", "loop"),
)  # fmt: skip


@lru_cache(maxsize=4096)  # a name is asked for its role, its kind and its tempo
def _parts(name: str) -> tuple[str, ...]:
    """The file without its suffix, then its folders, nearest first, each as lower-case words between spaces.

    Numbers are all 0, so that a folder's files have few names.
    """
    pieces = [piece for piece in re.split(r"[/\\]", name) if piece]
    if not pieces:
        return ()
    own = re.sub(r"\.(wav|wave|aiff?|flac|mp3|ogg)$", "", pieces[-1], flags=re.IGNORECASE)
    return tuple(_words_of(part) for part in [own, *reversed(pieces[:-1])])


@lru_cache(maxsize=4096)
def _words_of(part: str) -> str:
    return " " + " ".join("0" if word.isdigit() else word for word in _WORD.findall(part)).lower() + " "


@lru_cache(maxsize=4096)
def tempo_from_name(name: str) -> float | None:
    """Tempo that a file name states, in BPM: `pad_92bpm.wav`, `92 bpm`, `bpm92`, `92.5-BPM`; 50 to 220, else None."""
    for first, second in _TEMPO.findall(re.split(r"[/\\]", name)[-1] if name else ""):
        tempo = float((first or second).replace(",", "."))
        if LOWEST_BPM <= tempo <= HIGHEST_BPM:
            return tempo
    return None


def numbers_in(name: str) -> tuple[float, ...]:
    """Bare whole numbers in a file name that could be tempos (`groove_97`): hints, not statements."""
    own = re.split(r"[/\\]", name)[-1]
    return tuple(float(found) for found in _NUMBER.findall(own) if LOWEST_BPM <= float(found) <= HIGHEST_BPM)


_GENERAL = frozenset({"perc", "percs", "percussion", "cymbal", "cymbals", "cym", "bell", "block"})


@lru_cache(maxsize=4096)
def _roles_in(part: str) -> tuple[Role, ...]:
    """Distinct roles in the order of their words; general words give way to particular ones."""
    found: list[tuple[int, bool, Role]] = []
    for word, role in _ROLES:
        place = part.find(f" {word} ")
        if place >= 0:
            found.append((place, word in _GENERAL, role))
            part = part.replace(f" {word} ", " " + "." * len(word) + " ")
    if any(not general for _, general, _ in found):
        found = [entry for entry in found if not entry[1]]
    return tuple(dict.fromkeys(role for _, _, role in sorted(found)))


def role_from_name(name: str) -> Role | None:
    """Role that a file name, or else its folder, states; None if neither does.

    Of several roles the first counts, except for a loop: one of kick and snare has no single role.
    """
    for part in _parts(name):
        roles = _roles_in(part)
        if roles:
            return None if len(roles) > 1 and kind_from_name(name) == "loop" else roles[0]
    return None


@lru_cache(maxsize=4096)
def _kind_in(part: str) -> Kind | None:
    return next((kind for word, kind in _KINDS if f" {word} " in part), None)


@lru_cache(maxsize=4096)
def kind_from_name(name: str) -> Kind | None:
    """Kind that a file name, or else its folder, states; None if neither does.  A tempo in the name means a loop."""
    for index, part in enumerate(_parts(name)):
        kind = _kind_in(part)
        if kind is not None:
            return kind
        if index == 0 and tempo_from_name(name) is not None:
            return "loop"
    return None
