"""Comparing blind: the draw, what is heard and told, and the way of the rounds into the archive."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import sample_data
from msgspec.structs import replace
from page_wait import reloaded, until
from scipy.stats import binomtest, chisquare

from dossier.archive import Archive, ears
from dossier.cli import main
from dossier.model.ears import RunTold
from dossier.render.view_ears import often, told

PAIR = sample_data.pairs(sample_data.previews())[0]
SEEDED = """() => { let s = 20261; page.coin = () => { s ^= s << 13; s ^= s >>> 17; s ^= s << 5; return s & 1; }; }"""
SETTLED = "page.sound.playing && page.listening().which === 'blind: {}'"


def begin(tab: Any, *, task: str = "preference", rounds: int = 4) -> None:
    tab.evaluate(SEEDED)
    tab.click("#blind-open")
    tab.select_option("#blind-task", task)
    tab.select_option("#blind-planned", str(rounds))
    tab.click("#blind-start")


def under(tab: Any, letter: str) -> str:
    """Press a letter; the side whose layers then sound."""
    tab.click(f"#blind [data-letter={letter}]")
    until(tab, SETTLED.format(letter))
    gains = tab.evaluate("() => page.sound.heard()")
    for side in PAIR.sides:
        wanted = {name: 10 ** (gain / 20) for name, gain in side.gains_db.items()}
        if gains == pytest.approx(wanted):
            return side.id
    raise AssertionError(gains)


def test_the_draw_is_fair(shared: Any) -> None:
    """Cross-check: chi-square over all that can be drawn, seeded; the page itself takes its bits from `crypto`."""
    tab = shared
    assert "getRandomValues" in tab.evaluate("() => String(page.coin)")
    tab.evaluate(SEEDED)
    drawn = tab.evaluate("""() => { const sides = page.data.comparisons[0].sides;
        return Array.from({ length: 4000 }, () => page.drawRound(sides, 'discrimination')).map((r) => r.a + r.x); }""")
    counts = [drawn.count(side.id + x) for side in PAIR.sides for x in "AB"]
    assert sum(counts) == 4000
    assert chisquare(counts).pvalue > 0.01
    first = [each[:-1] == PAIR.sides[0].id for each in drawn]
    changes = sum(one != other for one, other in pairwise(first))
    assert binomtest(changes, len(first) - 1).pvalue > 0.01, "a round does not depend on the one before"


def test_the_page_computes_and_words_a_coins_share_as_the_archive_does(shared: Any) -> None:
    """Cross-check: scipy."""
    for of in (4, 7, 8, 16):
        for hits in range(of + 1):
            for two_sided in (True, False):
                share = shared.evaluate(f"() => page.coinShare({hits}, {of}, {str(two_sided).lower()})")
                wanted = binomtest(hits, of, alternative="two-sided" if two_sided else "greater").pvalue
                assert share == pytest.approx(wanted, abs=1e-12)
    assert often(binomtest(7, 8).pvalue) == "7 of 100"


@pytest.mark.parametrize("counts", [(4, 0), (1, 3), (2, 2), (2, 1), (1, 1), (0, 0)])
def test_the_page_words_a_run_as_the_archive_does(shared: Any, counts: tuple[int, int]) -> None:
    names, same = [side.id for side in PAIR.sides], 4 - sum(counts)
    said = ["A"] * counts[0] + ["B"] * counts[1] + ["no difference"] * same
    rounds = [{"a": names[0], "said": each, "x": ""} for each in said]
    run = {"comparison": PAIR.id, "task": "preference", "planned": 4, "rounds": rounds}
    wanted = told(RunTold("", "", "", PAIR.id, "preference", (names[0], names[1]), "", counts, same, 4, (0.0, 0.0),
                          ears.coin(counts[0], sum(counts), two_sided=True)))  # fmt: skip
    assert shared.evaluate("(run) => page.blindSays(run)", run) == wanted


@pytest.mark.parametrize("width", [1280, 360])
def test_rounds_are_heard_answered_saved_taken_in_and_told(open_either: Any, tmp_path: Path, width: int) -> None:
    page, data = open_either("sample", width=width, has_touch=width < 500), sample_data.sample()
    tab = page.tab
    begin(tab)
    loudness = "page.sound.loudness(page.sound.heard())"
    preferred, said = PAIR.sides[1].id, []
    for place in range(4):
        assert tab.text_content("#blind-count") == f"Round {place + 1} of 4."
        assert tab.is_disabled("#blind [data-said=A]"), "both are heard before one is chosen"
        sides = {"A": under(tab, "A")}
        before, at = tab.evaluate(f"() => {loudness}"), tab.evaluate("() => page.sound.position()")
        sides["B"] = under(tab, "B")
        assert tab.evaluate(f"() => {loudness}") == pytest.approx(before, abs=0.1)
        assert 0 <= (tab.evaluate("() => page.sound.position()") - at) % tab.evaluate("() => page.sound.length") < 2.0
        assert set(sides.values()) == {side.id for side in PAIR.sides}
        for name in ("drums", "treated", "are"):
            assert name not in tab.inner_text("#blind-round")
        assert tab.locator("#blind-result").is_hidden(), "nothing is told before the end"
        letter = next(key for key, side in sides.items() if side == preferred)
        said.append("no difference" if place == 3 else letter)
        tab.click(f"#blind [data-said='{said[-1]}']")
    text = tab.text_content("#blind-told")
    assert text.endswith(f"Advised: {PAIR.advised}.")
    assert not tab.evaluate("() => page.sound.playing")
    tab.click("#blind-close")
    assert tab.evaluate("() => document.activeElement.id") == "blind-open"
    reloaded(tab)
    with tab.expect_download() as saving:
        tab.click("#answer [type=submit]")
    archive = _site(tmp_path / "saved", data)
    archive.take_in(Path(saving.value.path()).read_bytes())
    (one,) = archive.heard(data.beat.slug)
    assert text == f"You {told(one)}. Advised: {PAIR.advised}."
    assert (one.counts, one.same, one.planned) == ((0, 3), 1, 4)
    assert "3 of 3, no difference in 1 more; a coin would do this in 25 of 100" in text
    tab.click("#copy-answer")
    copied = tab.input_value("#answer-text")
    assert f"- compared blind: {told(one)} (treatment, preference, 4 rounds planned, " in copied
    again = _site(tmp_path / "pasted", data)
    (tmp_path / "copied.txt").write_text(copied)
    with (tmp_path / "copied.txt").open() as pasted, pytest.MonkeyPatch.context() as patch:
        patch.setattr("sys.stdin", pasted)
        assert main(["decide", "--out", str(again.root), "--response", "-"]) == 0
    assert again.decisions(data.beat.slug)[0].blind == archive.decisions(data.beat.slug)[0].blind
    assert told(one) in (again.root / "index.html").read_text().replace("\u00a0", " ")
    asked_after_reload = "ERR_FILE_NOT_FOUND"  # whether a newer revision lies there
    assert [message for message in page.messages if asked_after_reload not in message] == []


def _site(root: Path, data: Any) -> Archive:
    archive = Archive(root)
    for number in range(1, int(data.revision.id[1:])):
        archive.publish(_named(data, f"r{number:03d}"), "<html></html>", {})
    archive.publish(data, "<html></html>", {})
    return archive


def _named(data: Any, revision: str) -> Any:
    return replace(data, revision=replace(data.revision, id=revision, identity=revision * 16))


def test_x_is_told_from_the_keyboard_and_stopping_gives_no_probability(open_either: Any) -> None:
    tab = open_either("sample").tab
    begin(tab, task="discrimination")
    for _ in range(3):
        sides = {}
        for letter in "ABX":
            tab.keyboard.press(letter.lower())
            until(tab, SETTLED.format(letter))
            sides[letter] = under(tab, letter)
        right = "A" if sides["X"] == sides["A"] else "B"
        tab.focus(f"#blind [data-task=discrimination] [data-said={right}]")
        tab.keyboard.press("Enter")
    tab.keyboard.press("Escape")
    assert tab.locator("#blind").is_visible()
    text = tab.text_content("#blind-told")
    assert text.startswith("You told drums treated from drums as they are in 3 of 3; stopped after 3 of 4 rounds.")
    assert "coin" not in text
    tab.keyboard.press("Escape")
    assert tab.locator("#blind").is_hidden()
    assert tab.evaluate("() => page.listening().which") == "treated"


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (360, "dark")])
def test_no_accessibility_violations(open_page: Any, width: int, scheme: str) -> None:
    """Cross-check: axe-core, WCAG 2.2 A and AA and its best practices, in each state of the dialog."""
    rules = pytest.importorskip("axe_playwright_python.base", reason="axe-core is not installed")
    page = open_page("sample", width=width, color_scheme=scheme)
    page.run(Path(rules.__file__).with_name("axe.min.js").read_text(encoding="utf-8"))
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    options = {"resultTypes": ["violations"], "runOnly": {"type": "tag", "values": tags}}

    def violations() -> list[tuple[str, str]]:
        found = page.run("(options) => axe.run(document.getElementById('blind'), options)", options)
        assert page.run("() => document.getElementById('blind').scrollWidth <= innerWidth")
        return [(v["id"], v["nodes"][0]["html"][:120]) for v in found["violations"]]

    page.tab.click("#blind-open")
    assert violations() == []
    page.tab.click("#blind-close")
    begin(page.tab)
    under(page.tab, "A")
    under(page.tab, "B")
    assert violations() == []
    page.tab.click("#blind [data-said=A]")
    page.tab.click("#blind-stop")
    assert violations() == []
