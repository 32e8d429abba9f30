"""What blind rounds say: counts, a coin's share, agreement with the advice, and where each is shown."""

from __future__ import annotations

import io
from pathlib import Path

import factory
import msgspec
import numpy as np
import pyloudnorm
import pytest
import sample_data
import soundfile
from msgspec.structs import replace
from scipy.stats import binomtest

from dossier.archive import Archive, ears
from dossier.model.datafile import DossierData
from dossier.model.ears import MOST_ROUNDS, Vote
from dossier.render.index import render_archive
from dossier.render.view_ears import agreement_sentence, lines, told

SLUG = "lantern-market"
T, U = factory.TREATED, factory.AS_IT_IS


def send(archive: Archive, said: str, *, by: str, data: DossierData, task: str = "preference", **values: int) -> None:
    runs = [factory.blind_run(said, task=task, **values)]
    archive.take_in(msgspec.json.encode(factory.response(data, format_version=2, name=by, id=by + said, blind=runs)))


def test_a_coins_share_is_the_exact_binomial_test() -> None:
    """Cross-check: scipy.stats.binomtest, every count of every possible run."""
    for of in range(1, MOST_ROUNDS + 1):
        for hits in range(of + 1):
            assert ears.coin(hits, of, two_sided=True) == pytest.approx(binomtest(hits, of).pvalue, abs=1e-12)
            one_sided = binomtest(hits, of, alternative="greater").pvalue
            assert ears.coin(hits, of, two_sided=False) == pytest.approx(one_sided, abs=1e-12)
    assert ears.coin(0, 0, two_sided=True) is None


@pytest.mark.parametrize(("agreed", "of"), [(0, 5), (3, 5), (5, 5), (7, 9), (40, 61)])
def test_agreement_has_wilsons_interval(agreed: int, of: int) -> None:
    """Cross-check: scipy's score interval; nothing below five."""
    sides = ["the kit"] * agreed + ["the loop"] * (of - agreed)
    cast = [Vote("Ona", "r001", side, "", "the kit") for side in sides]
    found = ears.agreement([*cast, Vote("Ona", "r001", "the kit", "the loop", "")])
    assert found is not None
    wanted = binomtest(agreed, of).proportion_ci(0.95, method="wilson")
    assert (found.agreed, found.of) == (agreed, of)
    assert (found.low, found.high) == pytest.approx((wanted.low, wanted.high), abs=1e-6)
    assert f"{agreed} of {of}" in agreement_sentence(found)
    assert ears.agreement(cast[:4]) is None


@pytest.mark.parametrize(
    ("said", "task", "planned", "words", "preferred"),
    [
        ("tttutttt", "preference", 8, f"preferred {T} to {U} in 7 of 8; a coin would do this in 7 of 100", T),
        ("uunuuunu", "preference", 8,
         f"preferred {U} to {T} in 6 of 6, no difference in 2 more; a coin would do this in 3 of 100", U),
        ("tutu", "preference", 4, f"preferred {T} as often as {U}, 2 of 4 each", None),
        ("tutn", "preference", 4, "in 2 of 3, no difference in 1 more; a coin would do this in 100 of 100", T),
        ("nnnn", "preference", 4, f"heard no difference between {T} and {U} in 4 of 4", None),
        ("uuu", "preference", 8, "in 3 of 3; stopped after 3 of 8 rounds", None),
        ("u" * 16, "preference", 16, "in 16 of 16; a coin would do this in less than 1 of 1,000", U),
        ("u" * 9, "preference", 9, "in 9 of 9; a coin would do this in 4 of 1,000", U),
        ("rrrrrrrw", "discrimination", 8, f"told {T} from {U} in 7 of 8; a coin would do this in 4 of 100", None),
    ],
)  # fmt: skip
def test_a_run_is_counted_and_told(
    tmp_path: Path, said: str, task: str, planned: int, words: str, preferred: str | None
) -> None:
    """Analytic: rounds whose sides stand under changing letters."""
    archive, data = Archive(tmp_path), factory.dossier()
    archive.publish(data, "<html></html>", {})
    send(archive, said, by="Ona", data=data, task=task, planned=planned)
    found = archive.heard(SLUG)
    assert told(found[0]).endswith(words)
    assert [vote.preferred for vote in ears.votes(found)] == [preferred] * (preferred is not None)
    ending = {T: " (as advised).", U: " (against the advice).", None: "."}[preferred]
    assert lines(found) == [f"Ona on r001: {told(found[0])}{ending}"]


def test_the_archive_names_where_ears_and_advice_disagree(tmp_path: Path) -> None:
    archive, data = Archive(tmp_path), factory.dossier()
    archive.publish(data, "<html></html>", {})
    for by, said in (("Ona", "uuuu"), ("Ivo", "tttt"), ("Lin", "tttt"), ("Ada", "tttt")):
        send(archive, said, by=by, data=data)
    send(archive, "tttt", by="Ona", data=data, made="2026-03-04T10:00:00Z")  # replaces the answer, not the rounds
    send(archive, "ttttt", by="Ona", data=data, made="2026-03-05T10:00:00Z")
    cast = archive.index().beats[0].votes
    assert {vote.by: vote.preferred for vote in cast} == dict.fromkeys(("Ona", "Ivo", "Lin", "Ada"), T)
    assert archive.standing(SLUG).status == "agreed", "preferences leave the answer as it is"
    assert archive.agreement() is None
    assert "advised in 4 of 4 blind comparisons." in render_archive(archive.index()).replace("\u00a0", " ")
    send(archive, "uuun", by="Eva", data=data)
    page = render_archive(archive.index()).replace("\u00a0", " ")
    assert "Eva, r001: drums as they are rather than drums treated" in page
    assert "4 of 5 blind comparisons" in page
    assert "95" in agreement_sentence(archive.agreement())
    assert "Eva on r001: preferred drums as they are to drums treated in 3 of 3, no difference in 1 more; " in page


def test_rounds_in_a_log_that_do_not_fit_are_passed_over(tmp_path: Path) -> None:
    archive, data = Archive(tmp_path), factory.dossier()
    archive.publish(data, "<html></html>", {})
    send(archive, "tttt", by="Ona", data=data)
    log = tmp_path / SLUG / "decisions.jsonl"
    log.write_text(log.read_text().replace('"planned":4', '"planned":400'))
    assert archive.heard(SLUG) == ()
    assert archive.decisions(SLUG)[0].blind[0].planned == 400


def test_both_sides_of_a_pair_are_equally_loud_as_they_are_decoded() -> None:
    """Cross-check: pyloudnorm on the mixture of the decoded MP3s, within 0.1 LU."""
    previews = {one.id: one for one in sample_data.previews()}
    meter = pyloudnorm.Meter(sample_data.RATE)

    def lufs(gains_db: dict[str, float]) -> float:
        layers = [10 ** (gain / 20) * soundfile.read(io.BytesIO(previews[name].mp3), always_2d=True)[0]
                  for name, gain in gains_db.items()]  # fmt: skip
        return float(meter.integrated_loudness(np.repeat(np.sum(layers, axis=0), 2, axis=1)))

    pairs = sample_data.pairs(sample_data.previews())
    assert [pair.id for pair in pairs] == ["treatment", "choice", "louder", "softer"]
    for pair in pairs:
        one, other = (dict(side.gains_db) for side in pair.sides)
        assert lufs(one) == pytest.approx(lufs(other), abs=0.1), pair.id
        assert lufs(one) <= lufs({"instrumental": 0.0}) + 0.1
    louder = pairs[2]
    balance = [side.gains_db["kick"] - side.gains_db["instrumental"] for side in louder.sides]
    assert balance[1] - balance[0] == pytest.approx(3.0, abs=1e-3)
    assert [side.drums_db for side in louder.sides] == [0.0, 3.0]
    alone = [replace(one, group="mix") if one.group == "other" else one for one in sample_data.previews()[:6]]
    assert [pair.id for pair in sample_data.pairs(tuple(alone))] == ["treatment", "louder", "softer"]
    assert sample_data.pairs(tuple(alone[:1])) == ()
