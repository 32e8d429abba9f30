"""The archive page as text: structure, escaping, policy, words, determinism.  Evidence: analytic, on known content;
the policy's hashes are checked against the W3C Content Security Policy's definition, computed here."""

from __future__ import annotations

import base64
import hashlib
import itertools
import json
import re
from pathlib import Path
from typing import Any

import factory
import msgspec
import pytest
from html_tree import parse
from msgspec.structs import replace

from dossier.archive import Archive
from dossier.archive.changes import changes
from dossier.model.datafile import InputFile, Proposal
from dossier.model.index import ArchiveIndex
from dossier.render.index import loudness_drawing, render_archive, zone_bars
from dossier.render.view_archive import archive_view

HOSTILE = '"><img src=x onerror=alert(1)></script><script>alert(2)</script>\u2028\u202e{{ 7*7 }}'


class Page:
    """A page's elements with their text."""

    def __init__(self, text: str) -> None:
        self.tree = parse(text)
        self.elements = [(node.name, node.attributes) for node in self.tree.every()]

    def all(self, tag: str, **attributes: str) -> list[tuple[dict[str, str], str]]:
        return [(node.attributes, node.text) for node in self.tree.every(tag, **attributes)]


def flat(text: str) -> str:
    return re.sub(r"\s+", " ", text.replace("\u00a0", " ")).strip()


@pytest.fixture(scope="module")
def index(tmp_path_factory: pytest.TempPathFactory) -> ArchiveIndex:
    """Three beats: one agreed and then changed, one to change, one that nobody answered."""
    archive = Archive(tmp_path_factory.mktemp("site"))
    one = factory.dossier(slug="lantern-market", seed=1, fill=0.62)
    archive.publish(one, "<html></html>", {})
    archive.record("lantern-market", factory.decision(text="Go on."))
    two = factory.dossier(slug="lantern-market", seed=2, fill=0.55, gains={"kick": -2.0}, mix_lufs=-13.2)
    info = replace(two.revision, id="r002", made="2026-03-20T08:00:00Z", previous="r001", changes=changes(one, two))
    archive.publish(replace(two, revision=info), "<html></html>", {})
    depot = factory.dossier(slug="night-depot", seed=3, mix_lufs=-17.5, rights={"drums/kick-low.wav": "unknown"})
    archive.publish(depot, "<html></html>", {})
    answer = factory.response(depot, {"drums": "to change"}, notes="The snare is too long.")
    archive.take_in(msgspec.json.encode(answer))
    archive.publish(factory.dossier(slug="slow-ferry", seed=4, mix_lufs=None, rights={}), "<html></html>", {})
    return archive.index()


@pytest.fixture(scope="module")
def page(index: ArchiveIndex) -> Page:
    return Page(render_archive(index))


def entry(page: Page, slug: str) -> tuple[dict[str, str], str]:
    ((attrs, text),) = [each for each in page.all("li", class_="entry") if each[0]["data-slug"] == slug]
    return attrs, flat(text)


def test_every_beat_stands_in_the_catalogue_with_its_facts(page: Page, index: ArchiveIndex) -> None:
    attrs, text = entry(page, "lantern-market")
    newest = index.beats[0].newest
    for said in (
        "Lantern Market", "Example Ensemble", f"{newest.tempo_bpm:g} BPM", "D minor", "4/4", "r002, 20 March 2026",
        "55 %", "one-shots, leaner", "kick-low", "snare-dry", "hat-short", "−13.2 LUFS",
        "awaiting answer",
        "r001 was agreed by Mara Example on 2 March 2026; r002 is newer and waits for an answer.", "1 clearing pending",
        "2 revisions, 1 decision", "Fill by zone: sub", "Go on.", "Gain of kick: −2.0 dB (was −4.2 dB).",
    ):  # fmt: skip
        assert said in text, said
    assert (attrs["data-status"], attrs["data-rights"], attrs["data-by-status"]) == ("awaiting answer", "pending", "0")
    assert [link["href"] for link, _ in page.all("a") if link["href"].endswith(".html")][:3] == [
        "lantern-market/lantern-market-r002.html",
        "lantern-market/lantern-market-r002.html",
        "lantern-market/lantern-market-r001.html",
    ]


def test_states_are_words_and_unknown_is_never_fine(page: Page) -> None:
    attrs, text = entry(page, "night-depot")
    assert attrs["data-status"] == "to change"
    assert "Changes were asked for by Mara Example on 3 March 2026. “The snare is too long.”" in text
    assert attrs["data-rights"] == "unknown"
    assert "1 rights unknown" in text
    attrs, text = entry(page, "slow-ferry")
    assert (attrs["data-status"], attrs["data-rights"]) == ("awaiting answer", "settled")
    assert "all settled" in text
    assert "Rough mix–" in text, "not measurable is an en dash"


def test_the_summary_names_what_waits(page: Page) -> None:
    waiting = [flat(text) for _, text in page.all("div", class_="waiting")]
    assert waiting[0].startswith("Waits for an answer 2 Lantern Market r002, 20 March 2026; r001 was agreed Slow Ferry")
    assert waiting[1].startswith("To change 1 Night Depot r001, asked by Mara Example")
    assert "Lantern Market hat-short.wav (clearing pending)" in waiting[2]
    assert "Night Depot kick-low.wav (rights unknown)" in waiting[2]
    ((_, album),) = page.all("figure", class_="album")
    album = flat(album)
    assert (
        "The loudest rough mix is Lantern Market at −13.2 LUFS, the quietest Night Depot at −17.5 LUFS: 4.3 LU" in album
    )
    assert "1 mix is above −14.0 LUFS." in album
    assert "1 rough mix could not be measured." in album


def test_the_page_asks_for_nothing_and_allows_only_its_own_script_and_style(page: Page, index: ArchiveIndex) -> None:
    text = render_archive(index)
    ((meta, _),) = page.all("meta", **{"http-equiv": "Content-Security-Policy"})
    scripts = [body for attrs, body in page.all("script") if attrs.get("type") != "application/json"]
    ((_, style),) = page.all("style")

    def source(body: str) -> str:
        return f"'sha256-{base64.b64encode(hashlib.sha256(body.encode()).digest()).decode()}'"

    assert meta["content"] == (
        f"default-src 'none'; script-src {source(scripts[0])} {source(scripts[1])}; style-src {source(style)}; "
        "media-src 'self' file:; base-uri 'none'; form-action 'none'"
    )
    assert not re.search(r"""(?:src|href|action)=["']?(?:https?:)?//""", text)
    assert not re.search(r"@import|url\(|fetch\(|XMLHttpRequest|\beval\(|new Function|innerHTML", text)
    for _, attrs in page.elements:
        assert not [name for name in attrs if name.startswith("on") or name == "style"]


def test_headings_labels_and_ids_hold_together(page: Page) -> None:
    ids = [attrs["id"] for _, attrs in page.elements if "id" in attrs]
    assert len(ids) == len(set(ids))
    for _, attrs in page.elements:
        for name in ("aria-labelledby", "for"):
            assert attrs.get(name, ids[0]) in ids
        if attrs.get("href", "").startswith("#"):
            assert attrs["href"][1:] in ids
    levels = [int(tag[1]) for tag, _ in page.elements if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))
    assert page.all("html")[0][0]["lang"] == "en"
    labels = flat(" ".join(text for _, text in page.all("label")))
    for name in ("Find", "Decision", "Rights", "Order", "Left", "Right"):
        assert name in labels


def test_numbers_for_comparing_stand_in_one_document(page: Page, index: ArchiveIndex) -> None:
    (((_, raw)),) = page.all("script", type="application/json")
    data: dict[str, Any] = json.loads(raw)
    assert data["zones"] == ["sub", "bass", "low mid", "mid", "high mid", "presence", "brilliance"]
    assert [beat["slug"] for beat in data["beats"]] == ["lantern-market", "night-depot", "slow-ferry"]
    first = data["beats"][0]["revisions"]
    assert [revision["id"] for revision in first] == ["r001", "r002"]
    assert (first[0]["fill"], first[1]["fill"], first[1]["lufs"]) == (62, 55, -13.2)
    assert first[1]["zones"] == [round(100 * share) for share in index.beats[0].newest.zones.values()]
    assert first[0]["drums"][0][:2] == ["kick", "drums/kick-low.wav"]
    for beat in data["beats"]:  # what stays as it was is not repeated
        rows = beat["revisions"]
        assert not any(row[name] == rows[place][name] for place, row in enumerate(rows[1:]) for name in row
                       if name in rows[place])  # fmt: skip


def test_the_same_index_gives_the_same_text(index: ArchiveIndex) -> None:
    assert render_archive(index) == render_archive(index)


def test_hostile_names_stay_text(tmp_path: Path) -> None:
    archive = Archive(tmp_path)
    data = factory.dossier(title=HOSTILE, drums=(("kick", f"drums/{HOSTILE}.wav", -3.0),), rights={})
    data = replace(
        data, beat=replace(data.beat, artist=HOSTILE, key=HOSTILE),
        inputs=(*data.inputs, InputFile(f"drums/{HOSTILE}.wav", "ab" * 32, "drum", "pending", HOSTILE)),
        revision=replace(data.revision, changes=(HOSTILE,)), proposals=(Proposal("drums", "drums", HOSTILE),),
    )
    archive.publish(data, "<html></html>", {})
    marks = [{"proposal": "drums", "mark": "to change", "note": HOSTILE}]
    archive.take_in(msgspec.json.encode(factory.response(data, name=HOSTILE, notes=HOSTILE, marks=marks)))
    (tmp_path / "lantern-market" / "lantern-market-r002.json").write_text("damaged")
    text = render_archive(archive.index())
    page = Page(text)
    assert page.all("img") == []
    assert len(page.all("script")) == 3
    assert "alert(1)" in text
    assert "\u202e" not in text, "nothing turns the line around"
    assert "{{ 7*7 }}" in text
    assert "49" not in {flat(said) for _, said in page.all("bdi")}
    (((_, raw)),) = page.all("script", type="application/json")
    assert "<" not in raw
    assert json.loads(raw)["beats"][0]["title"].startswith('"><img src=x')
    assert "Passed over" in flat(page.all("section", id="skipped")[0][1])


def test_an_empty_archive_says_so(tmp_path: Path) -> None:
    page = Page(render_archive(Archive(tmp_path).index()))
    ((_, text),) = page.all("main")
    assert "No beat of this archive has a readable dossier." in flat(text)
    assert page.all("li", class_="entry") == []


def test_one_beat_alone_reads_well(tmp_path: Path) -> None:
    archive = Archive(tmp_path)
    archive.publish(factory.dossier(), "<html></html>", {})
    view = archive_view(archive.index())
    assert (view.title, view.kicker[:2]) == ("Dossiers", ("1\u00a0beat", "1\u00a0dossier"))
    assert flat(view.loudness.sentence) == "The rough mix of Lantern Market is at −16.0 LUFS."
    archive.publish(factory.dossier(slug="night-depot", mix_lufs=-16.02), "<html></html>", {})
    assert flat(archive_view(archive.index()).loudness.sentence) == "All rough mixes are at −16.0 LUFS."


def test_zone_bars_are_as_high_as_the_zones_are_full() -> None:
    def drawn(shares: list[float], name: str) -> list[tuple[float, float, float]]:
        """Left edge, foot and height of each bar."""
        ((attrs, _),) = Page(str(zone_bars(shares, 1))).all("path", class_=name)
        bars = re.findall(r"M(\S+) (\S+)v-(\S+?)h10v(\S+?)z", attrs["d"])
        assert all(up == down for _, _, up, down in bars)
        return [(float(x), float(y), float(up)) for x, y, up, _ in bars]

    bars = Page(str(zone_bars([0.0, 0.25, 0.5, 1.0], 1)))
    assert drawn([0.0, 0.25, 0.5, 1.0], "taken") == [(0, 40, 0), (14, 40, 10), (28, 40, 20), (42, 40, 40)]
    assert drawn([2.0, 0.5], "track") == [(0, 40, 20), (14, 40, 20)]
    assert drawn([2.0, 0.5], "taken") == [(0, 40, 40), (14, 40, 10)]
    ((dot, _),) = bars.all("circle")
    assert dot["cx"] == "19"
    assert Page(str(zone_bars([0.5], -1))).all("circle") == []


def test_loudness_lies_on_one_scale() -> None:
    points = [("Amber", -18.0), ("Basalt", -16.0), ("Cedar", -14.0)]
    drawing = Page(str(loudness_drawing(points, "Said.")))
    places = [float(attrs["cx"].rstrip("%")) for attrs, _ in drawing.all("circle")]
    guides = [float(attrs["x1"].rstrip("%")) for attrs, _ in drawing.all("line", class_="guide")][:2]
    assert places[1:] == guides, "the dots at -16 and -14 LUFS lie on the guides"
    assert places[1] - places[0] == pytest.approx(places[2] - places[1], abs=0.02)
    ((box, _),) = drawing.all("div", role="img")
    assert box["aria-label"].endswith("Said.")


def test_many_beats_are_piled_up() -> None:
    points = [(f"Beat {number}", -16.0 if number < 90 else -14.0) for number in range(100)]
    drawing = Page(str(loudness_drawing(points, "Said.")))
    assert [flat(text) for _, text in drawing.all("text", class_="pile-count")] == ["90", "10"]
    heights = [float(a["y1"]) - float(a["y2"]) for a, _ in drawing.all("line", class_="pile")]
    assert heights[0] == pytest.approx(9 * heights[1], rel=0.01)
    assert loudness_drawing([], "") == ""
