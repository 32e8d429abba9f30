"""A user's taste: learnt from mixes made with known levels, written, edited, read back, and followed by a build.

Evidence: analytic; levels are set with pyloudnorm's meter, not with the program's own.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import factory
import msgspec
import numpy as np
import pyloudnorm
import pytest
from msgspec.structs import replace
from small_beat import MADE, RATE, kick, noise_hit, tone, write, write_beat
from tests_support import write_wav

from dossier import audio, cli, pipeline
from dossier.archive import Archive
from dossier.arrange.pattern import HIT
from dossier.beatfile import taste as taste_file
from dossier.cache import Cache
from dossier.decide.policy import DEFAULTS, SETTINGS, USUAL
from dossier.decide.taste import doubts, learn
from dossier.errors import ArchiveError, BeatError
from dossier.memo import Memo
from dossier.model.datafile import SettingUsed
from dossier.model.ears import Comparison, Side
from dossier.model.usual import HeardPart, HeardPiece
from dossier.model.vocabulary import Role
from dossier.stages import finished

SECONDS = 8.0
SET = {"kick": -5.0, "snare": -8.0, "hat": -14.0}  # LU against the music
SOUNDS = {  # a hit, every so many seconds, from there on
    "kick": (kick(), 0.5, 0.0), "snare": (noise_hit(0.25, 300, 1), 1.0, 0.5),
    "hat": (noise_hit(0.06, 7000, 2), 0.25, 0.0),
}  # fmt: skip


def lufs(samples: np.ndarray) -> float:
    return float(pyloudnorm.Meter(RATE).integrated_loudness(samples))


def at(samples: np.ndarray, level: float) -> np.ndarray:
    return np.asarray(samples * 10.0 ** ((level - lufs(samples)) / 20.0))


def music() -> np.ndarray:
    pad = sum(tone(hz, SECONDS) for hz in (55.0, 220.0, 261.63, 329.63))
    return at(np.stack([pad, 0.9 * pad], axis=1), -20.0)


def played(name: str) -> np.ndarray:
    hit, every_s, first_s = SOUNDS[name]
    out = np.zeros((round(SECONDS * RATE), 2))
    for start in np.arange(first_s, SECONDS, every_s):
        begin = round(start * RATE)
        out[begin : begin + len(hit)] += hit[: len(out) - begin, None]
    return out


def mix(louder: float = 0.0) -> dict[str, np.ndarray]:
    """Drum stems at the levels of `SET`, all of them `louder`."""
    return {name: at(played(name), -20.0 + level + louder) for name, level in SET.items()}


def all_drums() -> float:
    return lufs(np.sum([*mix().values()], axis=0)) + 20.0


def piece(
    folder: Path, drums: dict[str, np.ndarray], *, stems: str = "stems", inside: str = "drums", toml: str = ""
) -> Path:
    write(folder / stems / "Pads.wav", music())
    for name, samples in drums.items():
        write(folder / inside / f"{name}.wav", samples)
    if toml:
        (folder / "beat.toml").write_text(toml)
    return folder


@pytest.fixture(scope="module")
def mixes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five pieces, one a way that people export, and one with nothing but a bounce of its drums."""
    root = tmp_path_factory.mktemp("mixes")
    piece(root / "one beat folder", mix(-0.4))
    piece(root / "side by side", mix(-0.2), stems="", inside="")
    by_toml = "".join(f'[[drums]]\nfile = "drums/{n}.wav"\nrole = "{r}"\n' for n, r in
                      (("a", "kick"), ("b", "snare"), ("c", "closed-hat")))  # fmt: skip
    piece(root / "by beat.toml", dict(zip("abc", mix(0.0).values(), strict=True)), toml=by_toml)
    piece(root / "by sound", {"track 1": mix(0.2)["kick"], "snare": mix(0.2)["snare"], "hats": mix(0.2)["hat"]})
    other = piece(root / "deeper" / "other rates", {}, stems="music")
    for name, samples in mix(0.4).items():
        write_wav(other / f"{name}.wav", audio.resample(audio.Clip(samples, RATE), 48_000).samples, 48_000)
    write(other / "drums.wav", np.sum([*mix(0.4).values()], axis=0))
    write(other / "other rates master.wav", music() + np.sum([*mix(0.4).values()], axis=0))
    piece(root / "bounced", {"drum bus": np.sum([*mix().values()], axis=0)}, stems="", inside="")
    return root


def heard_in(root: Path) -> list[finished.Finished]:
    return [finished.measure_piece(place, Memo(Cache()), DEFAULTS) for place in finished.pieces_in(root)]


def test_analytic_levels_that_mixes_were_made_with_are_found(mixes: Path) -> None:
    found = {one.heard.name: one for one in heard_in(mixes)}
    assert found.keys() == {"one beat folder", "side by side", "by beat.toml", "by sound", "other rates", "bounced"}
    told = {one.role: one for one in learn([one.heard for one in found.values()], DEFAULTS)}
    assert told.keys() == {None, "kick", "snare", "closed-hat"}
    asked: dict[Role | None, float] = {None: all_drums(), "kick": -5.0, "snare": -8.0, "closed-hat": -14.0}
    for role, level in asked.items():
        assert told[role].found_lu == pytest.approx(level, abs=0.5), role
        assert len(told[role].pieces) == (6 if role is None else 5)
    # Resampling takes what noise has above 20 kHz, some 0.3 dB of hats.
    for name, moved, within in (("one beat folder", -0.4, 0.1), ("by sound", 0.2, 0.1), ("other rates", 0.4, 0.5)):
        own = {part.role: part.level_lu - moved for part in found[name].heard.parts}
        assert own == pytest.approx({role: level for role, level in asked.items() if role}, abs=within), name
    assert found["bounced"].heard.parts == ()
    assert found["other rates"].notes[0] == "other rates master.wav: a mix, by its name: left out"
    assert not any("contradict" in note for note in found["other rates"].notes)


def test_a_bounce_that_contradicts_its_stems_is_named_and_does_not_count(tmp_path: Path) -> None:
    folder = piece(tmp_path / "odd", {**mix(), "drums": np.sum([*mix(6.0).values()], axis=0)})
    (one,) = heard_in(folder)
    assert one.heard.all_drums_lu == pytest.approx(all_drums(), abs=0.1)
    assert "drums.wav" in one.notes[0]
    assert "contradict" in one.notes[0]


@pytest.mark.parametrize(
    ("drums", "stems", "inside", "words"),
    [
        ({}, "stems", "drums", "has no drums"),
        ({"strings": music()}, "", "", "has no drums"),
        (mix(), "drums/kick stems", "drums", "has no music"),
        ({"kick": kick()[:, None]}, "stems", "drums", "has no drums of the music's length"),
        ({"kick": np.zeros((400_000, 2))}, "stems", "drums", "silent"),
    ],
)  # fmt: skip
def test_a_folder_that_is_no_finished_mix_is_refused(
    drums: dict[str, np.ndarray], stems: str, inside: str, words: str, tmp_path: Path
) -> None:
    folder = piece(tmp_path / "piece", drums, stems=stems, inside=inside)
    with pytest.raises(BeatError, match=words):
        heard_in(folder)


# ------------------------------------------------------------------ learning


def pieces(levels: list[float], *, roles: dict[Role, float] | None = None, **told: object) -> list[HeardPiece]:
    """Pieces with all drums at some levels, and roles so much softer than these."""
    beside = {"kick": -2.0} if roles is None else roles
    return [
        HeardPiece(f"piece {number}", level, tuple(
            HeardPart(role, level + by, USUAL.roles[role].hit_level_db) for role, by in beside.items()), **told)
        for number, level in enumerate(levels)
    ]  # type: ignore[arg-type]  # fmt: skip


@pytest.mark.parametrize("n", [4, 12, 4000])
def test_analytic_n_pieces_weigh_n_of_n_plus_four(n: int) -> None:
    """Kick 3 dB louder beside snare and hats than by default, which stand to one another as they do."""
    usual = {role: USUAL.roles[role].level_lu for role in ("kick", "snare", "closed-hat")}
    told = pieces([-2.0] * n, roles={**usual, "kick": usual["kick"] + 3.0})
    everything, *roles = learn(told, DEFAULTS)
    share, drums = n / (n + 4.0), USUAL.all_drums_lu["level"]
    assert everything.level_lu == pytest.approx(share * -2.0 + (1 - share) * drums)
    louder = everything.level_lu - drums
    assert {one.role: one.level_lu for one in roles} == pytest.approx(
        {role: level + louder + (share * 3.0 if role == "kick" else 0.0) for role, level in usual.items()})


def test_axiom_a_hit_counts_not_how_often_it_plays() -> None:
    """Twice as many hats are louder as a part and hit no harder: they do not move the taste."""
    usual = {role: (USUAL.roles[role].level_lu, USUAL.roles[role].hit_level_db) for role in ("kick", "snare", "crash")}
    plain, busy = (
        [HeardPiece(f"{n}", -5.0, tuple(
            HeardPart(role, level + (more if role == "crash" else 0.0), hit - (more if role == "crash" else 0.0))
            for role, (level, hit) in usual.items())) for n in range(6)]
        for more in (0.0, 3.0)
    )  # fmt: skip
    assert [one.level_lu for one in learn(busy, DEFAULTS)] == pytest.approx(
        [one.level_lu for one in learn(plain, DEFAULTS)])  # fmt: skip


def test_a_pattern_beside_the_mix_tells_how_hard_it_was_played(tmp_path: Path) -> None:
    """analytic: velocity v is 40 log10(v / 127) dB; tablature's X is full velocity, its x the usual one."""
    hits = []
    for cell in "xX":
        toml = f'tempo = 120\n[pattern]\nlines = ["kick |{cell}---|"]'
        (one,) = heard_in(piece(tmp_path / f"piece {cell.isupper()}", mix(), toml=toml))
        hits.append({part.role: part.hit_level_db for part in one.heard.parts})
    assert hits[0]["kick"] - hits[1]["kick"] == pytest.approx(-40.0 * np.log10(HIT))
    assert hits[0]["snare"] == hits[1]["snare"]


def test_axiom_a_role_in_few_pieces_keeps_its_place_among_the_drums() -> None:
    """One piece with a shaker does not tell how anybody likes shakers."""
    told = [*pieces([-2.0] * 5), *pieces([-2.0], roles={"shaker": -30.0})]
    learnt = {one.role: one for one in learn([replace(p, name=str(k)) for k, p in enumerate(told)], DEFAULTS)}
    assert learnt["shaker"].level_lu is None
    held = taste_file.read(taste_file.text([*learnt.values()], made=MADE), "taste.toml", unheard)
    assert held is not None
    moved = held.usual.all_drums_lu["level"] - USUAL.all_drums_lu["level"]
    for role in ("shaker", "closed-hat"):
        assert held.usual.roles[role].level_lu - USUAL.roles[role].level_lu == pytest.approx(moved, abs=0.051)


def test_axiom_pieces_made_forward_say_what_level_ones_say() -> None:
    lifted = USUAL.all_drums_lu["forward"] - USUAL.all_drums_lu["level"]
    forward = learn(pieces([-4.0 + lifted] * 5, intent="forward"), DEFAULTS)
    assert [one.level_lu for one in forward] == pytest.approx([o.level_lu for o in learn(pieces([-4.0] * 5), DEFAULTS)])


def test_pieces_that_contradict_one_another_are_named() -> None:
    assert doubts(pieces([-4.0, -5.0, -6.0, -9.0]), DEFAULTS) == []
    (said,) = doubts(pieces([0.0, -1.0, -20.0, -21.0]), DEFAULTS)
    assert "from 'piece 3' to 'piece 0'" in said


# ------------------------------------------------------------------ decisions


def test_gains_that_decisions_changed_are_heard_and_agreed_ones_are_not(tmp_path: Path) -> None:
    archive = Archive(tmp_path / "site")
    data = replace(factory.dossier(), settings=tuple(SettingUsed(s.name, s.default - 1.0, s.default, s.unit, s.reason)
                                                     for s in SETTINGS))  # fmt: skip
    archive.publish(data, "page", {})
    parts = {part.id: part for part in data.balance.parts if part.chosen and part.level_lu is not None}
    first = next(iter(parts))
    slug = data.beat.slug
    archive.record(slug, factory.decision(id="", gains_db={name: part.gain_db for name, part in parts.items()}))
    assert finished.decided(archive) == []
    archive.record(slug, factory.decision(id="", gains_db={first: parts[first].gain_db + 3.0}))
    (one,) = finished.decided(archive)
    used = {setting.name: setting.value for setting in data.settings}
    role = parts[first].role
    assert role is not None
    assert [part for part in one.parts if part.heard] == [HeardPart(role, used[f"usual_{role}_lu"] + 3.0, None)]
    assert len(one.parts) == len(parts)
    powers = {name: 10 ** ((part.level_lu or 0.0) / 10) for name, part in parts.items()}
    louder = 10 * np.log10((sum(powers.values()) + powers[first] * (10**0.3 - 1)) / sum(powers.values()))
    assert one.all_drums_lu == pytest.approx(used["all_drums_level_lu"] + louder)


def test_a_beat_whose_data_file_is_damaged_further_down_is_passed_over(tmp_path: Path) -> None:
    said: list[str] = []
    archive, data = Archive(tmp_path / "site", say=said.append), factory.dossier()
    path = archive.publish(data, "page", {}).with_suffix(".json")
    part = next(part for part in data.balance.parts if part.chosen and part.level_lu is not None)
    archive.record(data.beat.slug, factory.decision(id="", gains_db={part.id: part.gain_db + 3.0}))
    path.chmod(0o644)
    path.write_bytes(path.read_bytes().replace(b'"occupancy": {', b'"occupancy": {{'))
    assert finished.decided(archive) == []
    assert len(said) == 1
    assert path.name in said[0]


# ------------------------------------------------------------------ ears


def test_levels_that_were_preferred_blind_count_a_little(tmp_path: Path) -> None:
    """Analytic: a weighted mean of pieces, default and beats; shown before and after."""
    archive = Archive(tmp_path / "site")
    settings = tuple(SettingUsed(s.name, s.default, s.default, s.unit, s.reason) for s in SETTINGS)
    other = Side("drums 3 dB louder", {"instrumental": -2.0, "kick": -2.0}, 3.0)
    louder = Comparison("louder", (Side("drums as advised", {"instrumental": -1.0, "kick": -4.0}), other),
                        "drums as advised", factory.SOUNDS)  # fmt: skip
    data = replace(factory.dossier(), settings=settings, comparisons=(louder,))
    archive.publish(data, "page", {})
    assert finished.preferred(archive) == {}
    for by, said in (("Ona", "BBBBB"), ("Ivo", "AAAAA"), ("Lin", ["no difference"] * 5)):
        rounds = [{"a": "drums as advised", "said": each} for each in said]
        run = factory.blind_run("ttttt", comparison="louder", rounds=rounds)
        told = factory.response(data, format_version=2, id=by, name=by, blind=[run])
        archive.take_in(msgspec.json.encode(told))
    used = DEFAULTS["all_drums_level_lu"]
    heard = finished.preferred(archive)
    assert heard == {data.beat.title: pytest.approx(used + 1.5)}
    before, after = learn(pieces([-4.0] * 6), DEFAULTS)[0], learn(pieces([-4.0] * 6), DEFAULTS, ears=heard)[0]
    own = float(np.median([piece.all_drums_lu for piece in pieces([-4.0] * 6)]))
    weight, lean, default = DEFAULTS["taste_ears"], DEFAULTS["taste_lean"], USUAL.all_drums_lu["level"]
    wanted = (6 * own + weight * (used + 1.5) + lean * default) / (6 + weight + lean)
    assert after.level_lu == pytest.approx(wanted)
    assert (after.before_lu, after.ears) == (before.level_lu, (data.beat.title,))
    line = f"# {before.level_lu:.2f} LU without, {after.level_lu:.2f} LU with 1 beat compared blind, 0.25 of a piece"
    assert line in taste_file.text([after], made=MADE).decode()
    few = learn(pieces([-4.0] * 3), DEFAULTS, ears=heard)[0]
    assert (few.level_lu, few.ears) == (None, ()), "rounds alone are no taste"


# ------------------------------------------------------------------ the file


def unheard(key: str, message: str) -> None:
    raise AssertionError(f"{key}: {message}")


WRITTEN = taste_file.text(learn(pieces([-2.0] * 8), DEFAULTS), made=MADE)


def test_a_taste_reads_back_as_written_and_as_edited() -> None:
    everything, own = learn(pieces([-2.0] * 8), DEFAULTS)
    read = taste_file.read(WRITTEN, "taste.toml", unheard)
    assert read is not None
    assert read.made == MADE
    assert read.usual.all_drums_lu["level"] == pytest.approx(everything.level_lu, abs=0.051)
    assert read.usual.roles["kick"].level_lu == pytest.approx(own.level_lu, abs=0.051)
    assert taste_file.is_as_written(WRITTEN)
    assert taste_file.is_as_written(WRITTEN.replace(b"\n", b"\r\n"))
    edited = WRITTEN.replace(f"level_lu = {own.level_lu:.1f}".encode(), b"level_lu = -3.25")
    again = taste_file.read(edited, "taste.toml", unheard)
    assert again is not None
    assert again.usual.roles["kick"].level_lu == -3.25
    assert again.usual.all_drums_lu == read.usual.all_drums_lu
    assert not taste_file.is_as_written(edited)
    least = taste_file.read(b"taste = 1\n", "taste.toml", unheard)
    assert least is not None
    assert (least.usual.roles["kick"].level_lu, least.usual.all_drums_lu) == (
        USUAL.roles["kick"].level_lu, pytest.approx(USUAL.all_drums_lu))  # fmt: skip


BAD = {
    b"taste = 1\n[roles.kik]\nlevel_lu = -3.0": ("roles.kik", "is not a role"),
    b"taste = 1\n[roles.kick]\nlevel_lu = nan": ("roles.kick.level_lu", "a plain number"),
    b"taste = 1\n[roles.kick]\nlevel_lu = 1e9": ("roles.kick.level_lu", "a number from -100 to 60"),
    b"taste = 1\n[roles.kick]\nlevel_lu = '-3'": ("roles.kick.level_lu", "without quotes"),
    b"taste = 1\n[roles]\nkick = -3": ("roles.kick", "a table"),
    b"taste = 1\n[all_drums]\nlevel_lu = true": ("all_drums.level_lu", "found true"),
    b"taste = 1\n[all_drums]\nlevel = -3.0": ("all_drums.level", "is not a known key"),
    b"taste = 1\n[all_drums]\ntucked_lu = 2.0\nlevel_lu = -3.0": ("all_drums", "that rise in this order"),
    b"taste = 1\n[roles.snare]\nlow_lu = -3.0\nhigh_lu = -9.0": ("roles.snare", "from low to high"),
    b"taste = 2": ("taste", "from 1 to 1"),
    b"[roles.kick]\nlevel_lu = -3.0": ("", "is no taste"),
    b"taste = \n a secret": ("", "is not valid TOML"),
    b"taste = 1\na" + b".a" * 50_000 + b" = 1": ("", "nested too deeply"),
    b"\xff\xfe": ("", "is not UTF-8"),
}  # fmt: skip


@pytest.mark.parametrize("raw", BAD, ids=[f"{key}: {words}" for key, words in BAD.values()])
def test_a_bad_taste_is_refused_with_its_place(raw: bytes, tmp_path: Path) -> None:
    key, words = BAD[raw]
    found: list[tuple[str, str]] = []
    assert taste_file.read(raw, "taste.toml", lambda where, message: found.append((where, message))) is None
    assert [where for where, _ in found] == [key]
    assert words in found[0][1]
    assert "secret" not in found[0][1]
    (tmp_path / "beat/stems").mkdir(parents=True)
    (tmp_path / "beat/stems/a.wav").write_bytes(b"")
    (tmp_path / "beat/beat.toml").write_text('taste = "own.toml"')
    (tmp_path / "beat/own.toml").write_bytes(raw)
    with pytest.raises(BeatError, match=r"beat\.toml: taste: 'own\.toml' "):
        pipeline.build(tmp_path / "beat", Archive(tmp_path / "site"), cache=Cache(), made=MADE, say=str)


def test_nothing_that_the_user_made_is_written_over(tmp_path: Path) -> None:
    target = tmp_path / "taste.toml"
    assert taste_file.write(target, WRITTEN, over=False) is None
    assert taste_file.write(target, WRITTEN, over=False) is None  # its own, unedited
    for theirs in (WRITTEN + b"# mine\n", b"title = 'notes'\n", b""):
        target.write_bytes(theirs)
        with pytest.raises(ArchiveError, match="--replace"):
            taste_file.write(target, WRITTEN, over=False)
        assert target.read_bytes() == theirs
        aside = taste_file.write(target, WRITTEN, over=True)
        assert aside is not None
        assert aside.read_bytes() == theirs
        assert target.read_bytes() == WRITTEN
    assert len(os.listdir(tmp_path)) == 4


# ------------------------------------------------------------------ the command


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_learn_writes_names_only_and_says_what_it_took(
    mixes: Path, here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["learn", str(mixes), str(mixes / "bounced")]) == cli.DONE
    out = capsys.readouterr().out
    assert "one beat folder: drums/hat.wav: closed-hat; drums/kick.wav: kick; drums/snare.wav: snare" in out
    assert "bounced: the same files as 'bounced'; counted once" in out
    raw = (here / "taste.toml").read_text()
    assert str(mixes) not in raw
    assert 'pieces = ["bounced", "by beat.toml",' in raw
    edited = raw.replace("[roles.kick]\nlevel_lu = ", "[roles.kick]\nlevel_lu = 1")
    (here / "taste.toml").write_text(edited)
    assert cli.main(["learn", str(mixes)]) == cli.USAGE
    assert "--replace" in capsys.readouterr().err
    assert cli.main(["learn", str(mixes), "--replace"]) == cli.DONE
    assert (here / "taste-before-1.toml").read_text() == edited


@pytest.mark.parametrize("told", ["bounced", "nowhere", "."])
def test_learn_writes_nothing_from_too_little(
    mixes: Path, here: Path, told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["learn", str(here if told == "." else mixes / told)]) == cli.USAGE
    words = {"bounced": "1 piece with drums; from 4 on", "nowhere": "is not there", ".": "holds no finished mixes"}
    assert words[told] in capsys.readouterr().err
    assert os.listdir(here) == []


# ------------------------------------------------------------------ a build


def test_check_reads_the_taste_that_a_build_would(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Beside the archive that is asked about, else beside the usual one; a bad one is refused in a build's words."""
    write_beat(here / "paper-harbour")
    (here / "other").mkdir()
    (here / "taste.toml").write_bytes(WRITTEN)
    (here / "other/taste.toml").write_text("taste = 2")
    assert cli.main(["check", "paper-harbour"]) == cli.DONE
    assert "taste:          taste.toml (8 of your own pieces, learnt " in capsys.readouterr().out
    assert cli.main(["check", "paper-harbour", "--archive", "other/site"]) == cli.USAGE
    checked = capsys.readouterr().err
    assert "the taste 'taste.toml' taste: found 2" in checked
    assert cli.main(["build", "paper-harbour", "-o", "other/site"]) == cli.USAGE
    assert capsys.readouterr().err == checked
    (here / "taste.toml").unlink()
    assert cli.main(["check", "paper-harbour"]) == cli.DONE
    assert "taste:" not in capsys.readouterr().out


def test_a_build_follows_the_taste_beside_its_archive(tmp_path: Path) -> None:
    """Every part stands where the taste puts it, and a build after an edit is another revision."""
    write_beat(tmp_path / "paper-harbour")
    for name in ("loop-rich_120bpm", "loop-lean_120bpm", "kick-short", "shaker"):
        (tmp_path / "paper-harbour/drums" / f"{name}.wav").unlink()
    archive, target = Archive(tmp_path / "site"), tmp_path / "taste.toml"
    target.write_bytes(taste_file.text(learn(pieces([-2.0] * 8), DEFAULTS), made=MADE))

    def build() -> pipeline.Built:
        return pipeline.build(tmp_path / "paper-harbour", archive, cache=Cache(), made=MADE, say=str)

    assert build().new
    data, own = archive.latest("paper-harbour"), taste_file.read(target.read_bytes(), "taste.toml", unheard)
    assert data is not None
    assert own is not None
    assert data.taste is not None
    assert data.balance.all_drums_lu == pytest.approx(own.usual.all_drums_lu["level"], abs=0.3)
    assert abs(own.usual.all_drums_lu["level"] - USUAL.all_drums_lu["level"]) > 3.0
    assert (data.taste.name, data.taste.pieces, data.taste.made) == ("taste.toml", 8, MADE)
    louder = own.usual.all_drums_lu["level"] - USUAL.all_drums_lu["level"]
    assert data.taste.differs_db["all drums"] == pytest.approx(louder, abs=0.051)
    assert f"Compared with the default, all drums are {louder:.1f} dB louder" in data.taste.text
    assert data.taste.text in data.balance.advice
    assert all("of your own mixes" in part.advice for part in data.balance.parts)
    assert not any(setting.value != setting.default for setting in data.settings if "usual_" in setting.name)
    assert not build().new
    was = f"level_lu = {own.usual.all_drums_lu['level']:.1f}"
    target.write_text(target.read_text().replace(was, "level_lu = -6.5"))
    assert build().new
    after = archive.latest("paper-harbour")
    assert after is not None
    assert after.balance.all_drums_lu == pytest.approx(-6.5, abs=0.3)
    assert any("taste.toml" in change for change in after.revision.changes)
