"""A folder of 300 one-shots and 40 loops, ranked in one build: coarsely first, the promising ones closely."""

from __future__ import annotations

import csv
import html
import io
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
import soxr
from common_beats import RATE, instrumental, real, write_beat
from msgspec.structs import replace
from tests_support import write_wav

from dossier import inputs, pipeline, stages
from dossier.archive import Archive
from dossier.cache import Cache
from dossier.decide.policy import DEFAULTS
from dossier.model.beat import Given
from dossier.model.datafile import DossierData
from dossier.stages import ranking

ONE_SHOTS, LOOPS = 300, 40
SOURCES = {
    "kick": ("bd_fat", "bd_haus", "drum_heavy_kick", "bd_zome"), "snare": ("sn_dub", "sn_zome", "drum_snare_hard"),
    "hat": ("drum_cymbal_closed",), "open-hat": ("drum_cymbal_open",), "clap": ("perc_snap",),
    "tom": ("drum_tom_hi_soft", "drum_tom_lo_hard"), "cowbell": ("drum_cowbell",),
}  # fmt: skip


def write_library(folder: Path) -> None:
    """Real sounds, each retuned, shortened and turned down by seeded amounts."""
    rng = np.random.default_rng(20)
    sounds = {name: real(name)[: round(0.35 * RATE)] for names in SOURCES.values() for name in names}
    roles = list(SOURCES)
    for number in range(ONE_SHOTS):
        role = roles[number % len(roles)]
        source = SOURCES[role][number % len(SOURCES[role])]
        hit = soxr.resample(sounds[source], rng.uniform(0.9, 1.1), 1.0, quality="QQ")
        hit = hit[: round(len(hit) * rng.uniform(0.4, 1.0))]
        hit = hit * np.linspace(1.0, 0.0, len(hit))[:, None] ** 0.5 * 10 ** (-rng.uniform(0, 12) / 20)
        _write(folder / f"{role}s/{role}-{number:03d}.wav", hit)
    loops = [real("loop_industrial"), real("loop_breakbeat")]
    for number in range(LOOPS):
        _write(folder / f"loops/loop-{number:02d}.wav",
               0.8 * soxr.resample(loops[number % 2], rng.uniform(0.9, 1.1), 1.0, quality="QQ"))  # fmt: skip


def _write(path: Path, samples: np.ndarray) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    write_wav(path, samples, RATE)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("library")


@pytest.fixture(scope="module")
def built(folder: Path) -> tuple[DossierData, str]:
    root = folder
    write_library(root / "beat/drums")
    policy = "[kit]\nkick = 'drums/kicks/kick-007.wav'\n[policy]\nplan_evaluations = 2\nplan_loop_evaluations = 2\n"
    beat = write_beat(root / "beat", instrumental("open", 126.0, bars=2), {}, bpm=126.0, more=policy)
    archive = Archive(root / "site")
    done = pipeline.build(beat, archive, cache=Cache(root / "cache"), made="2026-01-02T03:04:05Z",
                          say=lambda _: None, given=Given(all_candidates=True))  # fmt: skip
    data = archive.latest(done.slug)
    assert data is not None
    return data, html.unescape(done.page.read_text(encoding="utf-8")).replace("\u00a0", " ")


def test_the_best_are_listed_and_the_page_says_how_many_were_tried(built: tuple[DossierData, str]) -> None:
    data, page = built
    looked = Counter(candidate.looked_at for candidate in data.candidates)
    assert data.looked.files == data.looked.measured == data.candidates_tried == ONE_SHOTS + LOOPS
    assert data.looked.placed == looked["closely"]
    assert data.looked.coarsely == ONE_SHOTS + LOOPS - len(data.candidates)  # loops are measured, and all are listed
    assert f"{data.looked.coarsely} left after a coarse look" in page
    assert len(data.candidates) < 200
    assert {entry.file for entry in data.inputs if entry.kind == "drum"} == {one.file for one in data.candidates}
    assert f"{ONE_SHOTS + LOOPS} files, {looked['closely']} tried in this beat" in page


def test_every_candidate_is_in_the_csv(built: tuple[DossierData, str], folder: Path) -> None:
    data, _ = built
    table = next(folder.rglob("*-candidates.csv")).read_text(encoding="utf-8")
    rows = list(csv.DictReader(io.StringIO(table)))
    assert len(rows) == ONE_SHOTS + LOOPS
    known = {candidate.file: candidate for candidate in data.candidates}
    assert known.keys() < {row["file"] for row in rows}
    for row in rows:
        if row["file"] in known:
            assert row["looked at"] == known[row["file"]].looked_at
            assert float(row["score"]) == pytest.approx(known[row["file"]].score, abs=1e-3)
        else:
            assert row["looked at"] == "coarsely"
            assert row["integrated LUFS"] == row["true peak dBTP"] == ""  # it was not measured
            assert float(row["seconds"]) > 0
            assert float(row["score"]) < 2.0


def test_the_same_win_as_when_all_are_looked_at_closely(built: tuple[DossierData, str], folder: Path) -> None:
    """Analytic: the coarse score costs no role its best file, and the kit none of its members."""
    loaded = inputs.load(folder / "beat")
    kicks_free = replace(loaded, kit_pins={})
    winners = []
    for policy in ({}, {"closely_per_role": 1e6}):
        beat = replace(kicks_free, policy={**loaded.policy, **policy})
        analysis, memo = stages.analyse(beat, Cache(folder / "cache"), lambda _: None)
        one_shots = tuple(drum for drum in analysis.drums if drum.kind == "one-shot")
        found = ranking.rank(replace(analysis, drums=one_shots), memo)
        assert len(found.sifted) == (len(one_shots) - len(found.one_shots) if not policy else 0)
        best: dict[str | None, str] = {}
        for item in found.one_shots:
            best.setdefault(item.part.role, item.drum.name)
        assert found.kit is not None
        winners.append((best, [(member.role, member.file) for member in found.kit.members]))
    assert len(winners[0][0]) >= 6
    assert winners[0] == winners[1]


def test_the_promising_of_each_role_are_looked_at_closely(built: tuple[DossierData, str]) -> None:
    """Best first within each group: a close look is given to those that lead the coarse one."""
    data, _ = built
    groups: dict[str, list[str]] = {}
    for candidate in data.candidates:
        if candidate.score is not None:
            groups.setdefault(candidate.role or candidate.kind, []).append(candidate.looked_at)
    assert {"kick", "snare", "closed-hat", "loop"} <= groups.keys()
    for group, looked in groups.items():
        most = int(DEFAULTS["closely_loops" if group == "loop" else "closely_per_role"])
        assert looked.count("closely") == min(most, len(looked))


def test_a_fixed_choice_is_always_looked_at_closely(built: tuple[DossierData, str]) -> None:
    data, _ = built
    assert data.kit is not None
    kick = next(member for member in data.kit.members if member.role == "kick")
    assert (kick.file, kick.pinned) == ("drums/kicks/kick-007.wav", True)


def test_the_kit_comes_from_the_promising_ones(built: tuple[DossierData, str]) -> None:
    data, _ = built
    assert data.kit is not None
    close = {candidate.file for candidate in data.candidates if candidate.looked_at == "closely"}
    assert {member.file for member in data.kit.members} <= close
    assert data.kit.missing_roles == ()
