"""The dossier page as a document: structure, escaping, policy, determinism, size, what is absent."""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
import os
import re
import subprocess
import sys
from collections import Counter
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sample_data
from html_tree import Node, parse
from msgspec.structs import replace
from sample_pages import LONG_BARS, assets, html, render
from unpack import unpacked

from dossier.measure.hearing import page_contours
from dossier.model.datafile import SettingUsed
from dossier.render import format as fmt
from dossier.render.page import exact, render_dossier

FOLDS = ["map", "drums", "treatments", "levels", "lowend", "sure", "decisions", "method", "words"]


@cache
def tree(name: str) -> Node:
    return parse(html(name))


def data_of(name: str) -> Any:
    return json.loads(tree(name).one("script", id="page-data").text)


def test_the_method_says_how_well_equal_loudness_is_met() -> None:
    """Analytic: every tone and level of the standard is in the table, and what is off by more than 3 phon is named."""
    errors = page_contours()
    table = tree("sample").one("table", id="table-contours").one("tbody")
    assert len(table.every("tr")) == len(errors) == 29
    cells = [[c.attributes["data-value"] for c in row.every("td")] for row in table.every("tr")]
    assert [[float(v) for v in row] for row in cells] == [pytest.approx(row, abs=1e-3) for row in errors.values()]
    method = tree("sample").one("details", id="method").text
    assert f"within {max(abs(e) for row in errors.values() for e in row):.1f}" in method.replace("\xa0", " ")


@pytest.mark.parametrize(
    ("voice", "kept", "said"),
    [("expected", {"low_mid": 0.3, "mid": 0.3}, "Voice: to come; from 200 Hz to 4 kHz 30 % of what finished mixes "
      "carry is kept free for it (common practice, no source)."),
     ("none", {}, "Voice: none; no room is kept for one."),
     ("in-stems", {}, "Voice: in the stems already; no more room is kept.")],
    ids=["expected", "none", "in-stems"],
)  # fmt: skip
def test_a_voice_is_drawn_where_room_is_kept_and_always_said(voice: str, kept: dict[str, float], said: str) -> None:
    data = sample_data.bare()
    values = {"voice_room": 0.3, "voice_from_hz": 200.0, "voice_to_hz": 4000.0}
    settings = (*data.settings, *(SettingUsed(name, value, value, "", "") for name, value in values.items()))
    page = parse(render(replace(data, beat=replace(data.beat, voice=voice), settings=settings,
                                instrumental=replace(data.instrumental, kept=kept))))  # fmt: skip
    lines = [item.text.replace("\u00a0", " ") for item in page.one("details", id="method").every("li")]
    assert [line for line in lines if line.startswith("Voice")] == [said]
    first = page.one("header", id="first")
    drawn = [rect for rect in first.every("rect", class_="voice") if rect.attributes.get("height") == "16"]
    assert len(drawn) == len(kept)
    assert ("kept for a voice" in first.text) == bool(kept)


@pytest.mark.parametrize("name", ["sample", "bare", "hostile"])
def test_sections_stand_in_the_order_of_the_argument(name: str) -> None:
    """Analytic: first screen, recipe, folds, each with a line of its own; every id is there once."""
    page = tree(name)
    main = [child for child in page.one("main").children if not isinstance(child, str)]
    assert [child.attributes["id"] for child in main] == ["first", "recipe", *FOLDS]
    for fold in page.every("details", class_="fold"):
        assert len(fold.every("summary")[0].one("span", class_="line").words) > 10
    assert len(page.every("h1")) == 1
    ids = [node.attributes["id"] for node in page.every() if "id" in node.attributes]
    assert [i for i, n in Counter(ids).items() if n > 1] == []
    for node in page.every():
        for key in ("aria-describedby", "aria-labelledby", "for"):
            for target in node.attributes.get(key, "").split():
                assert target in ids, (node.name, key, target)
        href = node.attributes.get("href", "")
        assert not href.startswith("#") or href[1:] in ids, href


def test_first_screen_gives_verdict_concerns_and_switches() -> None:
    data, head = sample_data.sample(), tree("sample").one("header", id="first")
    assert head.one("p", class_="verdict").text == data.approach.verdict
    said = [item.text.replace("\u00a0", " ") for item in head.one("ul", class_="concerns").every("li")]
    assert said == list(data.concerns)
    switches = [each.attributes["value"] for each in head.every("input") if each.has("name", "hear")]
    assert switches == ["music", "untreated", "treated", "other"]
    assert "r001" in head.one(id="answer-status").text


def test_numbers_of_the_argument_stand_in_tables() -> None:
    """Analytic: the value of a finding is found in the table that shows it."""
    data, page = sample_data.sample(), tree("sample")
    levels = page.one("table", id="table-levels").one("tbody").every("tr")
    assert len(levels) == len(data.balance.parts)
    for row, part in zip(levels, data.balance.parts, strict=True):
        values = [float(cell.attributes["data-value"]) for cell in row.every("td") if "data-value" in cell.attributes]
        wanted = [
            part.sample_peak_dbfs, part.true_peak_dbtp, part.integrated_lufs, part.peak_to_loudness_db,
            part.level_lu, part.audible_share, part.lift_lu, part.overlap, part.gain_db,
        ]  # fmt: skip
        assert values == pytest.approx(wanted, rel=1e-5)
    zones = page.one("table", id="table-room-by-section").one("tbody").every("tr")
    assert len(zones) == len(data.instrumental.sections) + 1
    drums = [item.every("bdi")[0].text for item in page.one(id="drums").every("ul", class_="drums")[0].every("li")
             if item.parent and item.parent.has("class_", "drums")]  # fmt: skip
    assert drums == ["kit of one-shots", "dust_90bpm.wav", "tin-roof_79bpm.wav", "far-room.wav"]
    assert len(page.one("table", id="table-room-by-bar").one("tbody").every("tr")) == data.beat.bars


def test_recipe_has_a_row_for_each_chosen_part() -> None:
    """Analytic: the gain is the balance's, and its file is the one that lies beside the page."""
    data, rows = sample_data.sample(), tree("sample").one("section", id="recipe").one("tbody").every("tr")
    chosen = [part for part in data.balance.parts if part.chosen]
    assert len(rows) == len(chosen)
    for row, part in zip(rows, chosen, strict=True):
        assert row.one("td", class_="level").one("strong").text == fmt.db(part.gain_db, sign=True)
        assert row.one("button").attributes["data-play"] == f"part:{part.id}"
    assert rows[0].one("bdi", class_="file").text == chosen[0].cycle_file
    assert f"{-chosen[0].level_lu:.1f}\u00a0LU under the music" in rows[0].text


def test_findings_speak_in_their_own_sentences() -> None:
    data, text = sample_data.sample(), tree("sample").text
    for sentence in (
        *data.approach.reasons, data.approach.uncertain, *(p.reason for p in data.plans), *data.balance.advice,
        *(pair.text for pair in data.balance.equal_peaks), *data.low_end.sentences, *data.translation.sentences,
        data.room_left.sentence, *data.warnings, *(t.reason for p in data.plans for t in p.tried),
    ):  # fmt: skip
        assert sentence is not None
        assert re.sub(r"\s", " ", sentence) in re.sub(r"\s", " ", text), sentence


def test_policy_allows_exactly_the_scripts_of_the_page() -> None:
    """Conformance: W3C CSP Level 3, 2.3.1: base64 of the SHA-256 of each script's text, the unpacked library's too."""
    page = tree("sample")
    policy = page.one("meta", **{"http_equiv": "Content-Security-Policy"}).attributes["content"]
    running = [s.text for s in page.every("script") if "type" not in s.attributes]
    packed = page.one("script", id="plot-library").text
    library = gzip.decompress(base64.b64decode(packed)).decode("utf-8")
    wanted = {
        "'sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() + "'"
        for text in (*running, library)
    }
    directives = dict(d.strip().split(" ", 1) for d in policy.split(";"))
    assert set(directives["script-src"].split()) == wanted
    assert directives["default-src"] == "'none'"
    assert directives["img-src"] == "data: blob:"
    assert directives["media-src"] == "data: blob: file:", "a next revision's rough mix, looked for on a reload"
    assert directives["base-uri"] == directives["form-action"] == "'none'"
    assert "connect-src" not in directives
    assert "unsafe-eval" not in policy
    assert "unsafe-inline" not in directives["script-src"]
    assert packed.startswith("H4sI")  # gzip
    assert base64.b64decode(packed[:16])[4:8] == b"\0\0\0\0"  # modification time 0


@pytest.mark.parametrize("name", ["sample", "bare", "hostile"])
def test_nothing_points_outside_and_nothing_runs_inline(name: str) -> None:
    for node in tree(name).every():
        for key, value in node.attributes.items():
            assert not key.startswith("on"), (node.name, key)
            assert key != "srcset"
            if key in {"src", "href", "action", "data", "poster", "formaction"}:
                inside = ("#", "data:image/png;base64,", "data:audio/mpeg;base64,")
                assert value.startswith(inside), (node.name, value[:60])
    style = tree(name).one("style").text
    assert "url(" not in style.replace("url(#hatch)", "")
    assert "@import" not in style


@pytest.mark.parametrize("name", ["sample", "bare"])
def test_no_absolute_path_user_or_host_is_shared(name: str) -> None:
    text = re.sub(r"[A-Za-z0-9+/=]{200,}", "", html(name))  # packed data
    for part in (os.getcwd(), str(Path.home()) + "/", "/tmp/", "/home/", "/usr/", "file://", "C:\\"):
        assert part not in text


def test_hostile_names_stay_text() -> None:
    """Analytic: the same elements as with harmless names, and every hostile text read back as it was written."""
    harmless = parse(render(sample_data.sample()))
    page = tree("hostile")
    assert Counter(n.name for n in page.every()) == Counter(n.name for n in harmless.every())
    title = page.one("h1").text
    assert title.startswith('Paper Harbour"><img src=x onerror=window.broken=1></script>')
    assert "{{7*7}}" in title
    assert "\\u202e" in title  # what would turn the line round is shown instead of obeyed
    assert "\u202e" not in page.one("main").text
    proposals = [f.attributes["data-proposal"] for f in page.every("fieldset") if "data-proposal" in f.attributes]
    assert proposals == [p.id for p in sample_data.hostile().proposals]
    sounds = {s["id"] for s in data_of("hostile")["sounds"]}
    for button in page.every("button"):
        if "data-play" in button.attributes:
            kind, _, of = button.attributes["data-play"].partition(":")
            assert kind in {"treated", "other"} or {button.attributes["data-play"], of} & sounds


def test_identifiers_keep_every_character() -> None:
    """Analytic: what HTML would fold or drop is written as a reference."""
    for raw in ("drums/a\rb\nc.wav", "\u202eabc", '"><x', "&amp;", "-3 dB.wav", "a\u2028b"):
        assert parse(f'<p id="{exact(raw)}"></p>').one("p").attributes["id"] == raw


def test_embedded_json_cannot_end_its_element() -> None:
    """Conformance: WHATWG HTML 4.12.1.3; ECMA-404 allows the escapes that are used."""
    raw = re.search(r'<script type="application/json" id="page-data">(.*?)</script>', html("hostile"), re.DOTALL)
    assert raw is not None
    for character in "<>&\u2028\u2029":
        assert character not in raw[1]
    assert json.loads(raw[1])["beat"] == "paper-harbour"


@pytest.mark.parametrize("name", ["sample", "bare"])
def test_maps_travel_at_one_per_cent(name: str) -> None:
    """Analytic: unpacked bytes are the data file's shares, rounded to 1/100."""
    data = sample_data.sample() if name == "sample" else sample_data.bare()
    arrays = data_of(name)["map"]["arrays"]
    for field in ("instrumental", "with_drums", "overlap", "treatment_change"):
        rows = getattr(data.occupancy, field)
        assert (field in arrays) == bool(rows)
        if rows:
            wanted = np.asarray(rows)
            found = unpacked(arrays[field])
            if "over" in arrays[field]:
                found = found + unpacked(arrays[arrays[field]["over"]])
            assert np.abs(found / 100 - wanted).max() <= 0.005 + 1e-9


@pytest.mark.parametrize(("change", "offered"), [(0.02, True), (0.004, False), (0.0, False), (None, False)])
def test_a_map_view_with_nothing_to_show_is_not_offered(change: float | None, offered: bool) -> None:
    """Analytic: one cell that differs by a step of the map is enough; a view that is offered has its legend."""
    data = sample_data.sample()
    rows: Any = [[0.0] * len(row) for row in data.occupancy.instrumental] if change is not None else []
    if rows:
        rows[5][7] = -(change or 0.0)
    data = replace(data, occupancy=replace(data.occupancy, treatment_change=tuple(map(tuple, rows))))
    page = parse(render(data))
    room = page.one("details", id="map")
    assert len(room.every("input", value="treatment_change")) == offered
    legends = [p.one("span", class_="legend") for p in room.every("p", data_view="treatment_change")]
    assert [legend.one("span", class_="ramp").attributes["style"].count("#") for legend in legends] == [18] * offered
    assert ("treatment_change" in json.loads(page.one("script", id="page-data").text)["map"]["views"]) == offered


def test_texts_name_the_thresholds_in_force() -> None:
    """Analytic: every threshold that a text names is the data file's, also where beat.toml changed it."""
    data = sample_data.sample()
    changed = {"small_speaker_hz": 220.0, "quiet_db": 21.0}
    settings = tuple(SettingUsed(name, value, 0.0, "", "") for name, value in changed.items())
    wanted = ("left above 220 Hz", "left 21 dB quieter")
    text = parse(render(replace(data, settings=settings))).one("main").words.replace("\u00a0", " ")
    bare = parse(render(replace(data, settings=()))).one("main").words.replace("\u00a0", " ")
    for words in wanted:
        assert words in text
        assert words not in bare
    assert "left on a small speaker" in bare, "without the setting no number is made up"


def test_the_whole_data_file_is_in_the_page() -> None:
    packed = data_of("hostile")["document"]
    whole = json.loads(gzip.decompress(base64.b64decode(packed)))
    data = sample_data.hostile()
    assert whole["beat"]["title"] == data.beat.title
    assert [c["file"] for c in whole["candidates"]] == [c.file for c in data.candidates]
    assert whole["balance"]["mix"]["integrated_lufs"] == data.balance.mix.integrated_lufs
    assert "instrumental" not in whole["occupancy"]
    assert len(whole["occupancy"]["band_hz"]) == 38


def test_same_input_same_bytes() -> None:
    """Analytic: a second run, and a run in another process with another hash seed, give the same page."""
    once = html("sample")
    assert html.__wrapped__("sample") == once
    code = (
        "import sys, hashlib; sys.path.insert(0, sys.argv[1]); from sample_pages import html;"
        "print(hashlib.sha256(html('sample').encode()).hexdigest())"
    )
    said = subprocess.run(
        [sys.executable, "-c", code, str(Path(__file__).parent)], capture_output=True, text=True, check=True,
        env={**os.environ, "PYTHONHASHSEED": "77"},
    )  # fmt: skip
    assert said.stdout.strip() == hashlib.sha256(once.encode()).hexdigest()


def sound_bytes(page: Node) -> int:
    held = [node.attributes["src"] for node in page.every("audio")]
    return sum(len(text) for text in held + [s.text for s in page.every("script") if "data-sound" in s.attributes])


def test_a_long_beat_stays_within_the_size() -> None:
    """Bar: 2.6 MB without sound, for 1,792 slots and three parts."""
    assert sample_data.sample(LONG_BARS).beat.bars * 16 == 1792
    audio = sound_bytes(tree("long"))
    assert len(html("long").encode()) - audio <= 2_600_000
    assert audio > 0


def test_three_hundred_candidates_stay_within_the_size() -> None:
    """Bar: the page shows the best of each ranking and counts the rest."""
    data = sample_data.sample()
    many = tuple(
        replace(data.candidates[i % 7], file=f"d/{i}.wav", name=f"{i}.wav", chosen=False, score=i / 300)
        for i in range(300)
    )
    page = render(replace(data, candidates=(*data.candidates, *many)))
    assert len(page.encode()) - sound_bytes(parse(page)) <= 2_600_000
    assert "more files that fit no better" in page.replace("\u00a0", " ")


def test_without_constants_or_arrays_there_are_no_sliders() -> None:
    page = parse(render_dossier(data := sample_data.sample(), assets(data)))
    assert page.every(id="what-if") == []
    assert json.loads(page.one("script", id="page-data").text)["whatIf"] is None


def test_what_is_absent_is_said_in_a_sentence() -> None:
    page = tree("bare")
    wanted = {
        "first": "holds no sound", "recipe": "nothing to balance", "drums": "No drum files were given",
        "treatments": "nothing to treat", "levels": "no drum parts", "lowend": "no kick and bass pair",
        "decisions": "Nothing has been decided",
    }  # fmt: skip
    for section, words in wanted.items():
        assert words in page.one(id=section).text, section
    assert page.every("audio") == []
    assert page.every(id="play") == []
    assert "None" not in re.sub(r"<script.*?</script>", "", html("bare"), flags=re.DOTALL)
    assert "nan" not in page.one("main").text.lower().split()


def test_every_sound_is_held_once_and_the_mix_plays_without_scripts() -> None:
    page, sounds = tree("sample"), sample_data.previews()
    held = [base64.b64decode(s.text) for s in page.every("script") if "data-sound" in s.attributes]
    assert held == [s.mp3 for s in sounds if s.group != "mix"]
    mix = page.one("audio")
    assert "controls" in mix.attributes
    assert base64.b64decode(mix.attributes["src"].split(",")[1]) == next(s.mp3 for s in sounds if s.group == "mix")
    for sound in sounds:
        assert html("sample").count(base64.b64encode(sound.mp3).decode()) == 1


def test_rights_that_are_not_settled_never_look_settled() -> None:
    for row in tree("sample").one("table", id="table-rights").one("tbody").every("tr"):
        state = row.every("td")[1]
        assert state.has("class_", "tone-open") == (state.attributes["data-value"] in {"pending", "unknown"})


def test_the_page_keeps_to_its_words() -> None:
    """One word a thing: none of the synonyms stands in the page's own text."""
    text = re.sub(r"<(script|style).*?</\1>", "", html("bare"), flags=re.DOTALL).lower()
    for word in ("masked", "buried", "taken by", "occupied", "proposal"):
        assert not re.search(rf"\b{word}", re.sub(r"<[^>]*>", " ", text)), word
