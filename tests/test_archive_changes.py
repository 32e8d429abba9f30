"""What changed between two revisions, in words.  Evidence: analytic, on dossiers that differ in one known thing."""

from __future__ import annotations

import factory
import pytest
from msgspec.structs import replace

from dossier.archive.changes import asked_and_done, changes
from dossier.model.datafile import DossierData, InputFile, Mark, SettingUsed

BASE = factory.dossier()


def with_inputs(*more: InputFile, without: str = "") -> DossierData:
    return replace(BASE, inputs=(*(entry for entry in BASE.inputs if entry.file != without), *more))


def with_input(name: str, **values: object) -> DossierData:
    return replace(
        BASE, inputs=tuple(replace(entry, **values) if entry.file == name else entry for entry in BASE.inputs)
    )


def drum(file: str) -> InputFile:
    return InputFile(file, factory.hash_of(file), "drum", "own", "")


def with_setting(value: float) -> DossierData:
    return replace(BASE, settings=(SettingUsed("open_below", value, 0.5, "", "Reason."),))


def with_parts(**values: object) -> DossierData:
    parts = tuple(replace(part, **values) if part.id == "kick" else part for part in BASE.balance.parts)
    return replace(BASE, balance=replace(BASE.balance, parts=parts))


CASES: list[tuple[str, DossierData, tuple[str, ...]]] = [
    ("nothing", BASE, ("Nothing that was measured or advised has changed.",)),
    ("title", replace(BASE, beat=replace(BASE.beat, title="Harbour")), ("Title: Harbour (was Lantern Market).",)),
    ("tempo", replace(BASE, beat=replace(BASE.beat, tempo_bpm=92.0)),
     (f"Tempo: 92 BPM (was {BASE.beat.tempo_bpm} BPM).",)),
    ("key", replace(BASE, beat=replace(BASE.beat, key=None)), ("Key: not known (was D minor).",)),
    ("target", replace(BASE, beat=replace(BASE.beat, target_lufs=-14.0)),
     ("Target loudness: −14.0 LUFS (was −16.0 LUFS).",)),
    ("one added", with_inputs(drum("drums/rim.wav")), ("Drum file added: drums/rim.wav.",)),
    ("many added", with_inputs(*(drum(f"drums/{number}.wav") for number in range(9))),
     ("Drum files added (9): drums/0.wav, drums/1.wav, drums/2.wav and 6 more.",)),
    ("removed", with_inputs(without="stems/bass.wav"), ("Stem removed: stems/bass.wav.",)),
    ("changed", with_input("stems/pad.wav", sha256="ab" * 32), ("Stem changed: stems/pad.wav.",)),
    ("renamed", with_input("stems/pad.wav", file="stems/keys.wav"),
     ("Stem renamed: stems/pad.wav, now stems/keys.wav.",)),
    ("rights", with_input("drums/hat-short.wav", rights="cleared"),
     ("Rights of drums/hat-short.wav: cleared (was pending).",)),
    ("stem gain", with_input("stems/pad.wav", gain_db=-2.0), ("Gain of stems/pad.wav: −2.0 dB (was 0.0 dB).",)),
    ("unreadable", with_input("drums/unused.wav", used=False), ("Drum file no longer readable: drums/unused.wav.",)),
    ("settings file", with_input("beat.toml", sha256="cd" * 32), ("Settings file changed: beat.toml.",)),
    ("setting", with_setting(0.6), ("Setting 'open below': 0.6 (was 0.5).",)),
    ("version", replace(BASE, program=replace(BASE.program, version="0.2.0")),
     ("Program version: 0.2.0 (was 0.1.0).",)),
    ("advice", replace(BASE, approach=replace(BASE.approach, kind="loop", direction="fuller")),
     ("Advice: loop, fuller (was one-shots, leaner).",)),
    ("gain", with_parts(gain_db=-3.0), ("Gain of kick: −3.0 dB (was −4.2 dB).",)),
    ("gain too small to see", with_parts(gain_db=-4.21), ("Nothing that was measured or advised has changed.",)),
    ("drum swapped", with_parts(file="drums/kick-two.wav"),
     ("Chosen drums, new: drums/kick-two.wav.", "Chosen drums, no longer: drums/kick-low.wav.")),
    ("mix", factory.dossier(mix_lufs=-15.2), ("Rough mix: −15.2 LUFS (was −16.0 LUFS).",)),
    ("mix lost", factory.dossier(mix_lufs=None), ("Rough mix: not measurable (was −16.0 LUFS).",)),
    ("plan dropped", replace(BASE, plans=()), ("No longer treated: drums/kick-low.wav.",)),
]  # fmt: skip


@pytest.mark.parametrize(("now", "expected"), [case[1:] for case in CASES], ids=[case[0] for case in CASES])
def test_each_change_has_its_line(now: DossierData, expected: tuple[str, ...]) -> None:
    assert changes(BASE, now) == expected


def test_fill_and_zones() -> None:
    room = BASE.instrumental
    zones = dict(room.zones) | {"bass": 0.40, "mid": room.zones["mid"] + 0.01}
    was = replace(BASE, instrumental=replace(room, zones=dict(room.zones) | {"bass": 0.64}, fill=0.58))
    now = replace(BASE, instrumental=replace(room, zones=zones, fill=0.624))
    assert changes(was, now) == ("Fill: 62 % (was 58 %).", "Zones: bass 40 % (was 64 %).")


def test_the_first_of_the_ranking() -> None:
    first, second, *rest = BASE.candidates
    now = replace(BASE, candidates=(first, replace(second, score=0.95), *rest))
    assert changes(BASE, now) == ("First in the ranking: drums/snare-dry.wav (was drums/kick-low.wav).",)
    none = replace(BASE, candidates=tuple(replace(entry, score=None) for entry in BASE.candidates))
    assert changes(none, BASE) == ("First in the ranking: drums/kick-low.wav (was none).",)


def test_causes_come_before_effects() -> None:
    now = replace(with_input("stems/pad.wav", sha256="ab" * 32),
                  instrumental=replace(BASE.instrumental, fill=BASE.instrumental.fill + 0.1),
                  balance=factory.dossier(mix_lufs=-15.0).balance)  # fmt: skip
    said = changes(BASE, now)
    assert [line.split(":")[0] for line in said] == ["Stem changed", "Fill", "Rough mix"]


def test_many_lines_of_one_kind_are_cut_short() -> None:
    files = tuple(drum(f"drums/{number}.wav") for number in range(20))
    was, now = (
        replace(BASE, inputs=files), replace(BASE, inputs=tuple(replace(file, rights="pending") for file in files)),
    )
    said = changes(was, now)
    assert len(said) == 6
    assert said[-1] == "And 15 more of that kind."


@pytest.mark.parametrize(
    ("mark", "change", "done"),
    [
        ("gain:kick", {"gain_db": BASE.balance.parts[0].gain_db + 1.4},
         "Kick +1.4 dB against the music, the whole mix as loud as it was."),
        ("gain:kick", {}, "Kick as loud against the music as before, the whole mix as loud as it was."),
        ("drums", {}, "The same drums."),
        ("drums", {"file": "drums/other.wav"}, "Other drums."),
        ("rights:x", {}, "Nothing that was asked for has changed."),
    ],
)
def test_a_revision_says_what_was_asked_and_what_came_of_it(mark: str, change: dict[str, object], done: str) -> None:
    """Analytic: only what an answer to the previous revision marks is spoken of, also where it was not met."""
    wish = factory.decision(
        id="d0001", revision="r001", identity=BASE.revision.identity, status="to change", text="Louder, please.",
        marks=(Mark(mark, "to change", "Louder, please."),),
    )  # fmt: skip
    other = factory.decision(id="d0002", revision="r000", identity="0" * 64, status="to change", text="Not this.")
    now = replace(with_parts(**change), decisions=(other, wish))
    assert asked_and_done(BASE, now) == ("Louder, please.", done)
    assert asked_and_done(BASE, replace(now, decisions=(other,))) == ("", "")
