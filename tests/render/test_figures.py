"""Colour scales, drawings, figures, packed arrays, and what the views work out."""

from __future__ import annotations

import io
import math
import re
import tomllib
from importlib.resources import files

import numpy as np
import pytest
import sample_data
import sample_pages
from html_tree import parse
from msgspec import structs
from unpack import unpacked

from dossier.model.datafile import Mark
from dossier.model.findings import Covered
from dossier.model.measures import LoopHit
from dossier.render import charts, colour, map_figures, pack, svg, what_if_data
from dossier.render import format as fmt
from dossier.render.map_axes import band_position, beats_per_bar, merged, scale_top, zone_means
from dossier.render.trim import trim
from dossier.render.view_decisions import decision_views
from dossier.render.view_drums import drums_view
from dossier.render.view_first import beside, recipe_view
from dossier.render.view_treatments import change_by_band


def _linear(rgb: tuple[int, int, int]) -> np.ndarray:
    value = np.asarray(rgb) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def _lightness(linear: np.ndarray) -> float:
    """CIE 1976 L* from linear sRGB (luminance weights of IEC 61966-2-1): not the measure that the scale is made by."""
    y = float(np.asarray([0.2126, 0.7152, 0.0722]) @ linear)
    return 116 * y ** (1 / 3) - 16 if y > 0.008856 else 903.3 * y


@pytest.mark.parametrize("name", [n for n in colour.NAMES if not n.startswith("change")])
def test_scales_get_darker_in_equal_steps(name: str) -> None:
    """Cross-check: made in OKLab, judged by CIE L*: always one way, no step more than 1.6 times the mean one."""
    light = np.array([_lightness(_linear(colour.colour(name, x))) for x in np.linspace(0, 1, 33)])
    steps = np.diff(light) if name.endswith("-dark") else -np.diff(light)
    assert (steps > 0).all()
    assert steps.max() < 1.6 * steps.mean()
    assert abs(light[-1] - light[0]) > 60


# Vi\u00e9not, Brettel and Mollon, Color Research and Application 24 (1999): dichromats' view in linear RGB, rounded.
_DICHROMATS = {
    "red-blind": [[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]],
    "green-blind": [[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]],
}


@pytest.mark.parametrize("kind", list(_DICHROMATS))
@pytest.mark.parametrize("name", ["change", "change-dark"])
def test_less_and_more_stay_apart_for_colour_blind_eyes(name: str, kind: str) -> None:
    """Cross-check with simulated dichromats (matrices from memory): the ends differ clearly in blue against yellow."""
    less, more = (np.asarray(_DICHROMATS[kind]) @ _linear(colour.colour(name, x)) for x in (0.0, 1.0))

    def yellow_less_blue(v: np.ndarray) -> float:
        return float(np.cbrt(max(v[:2].mean(), 0)) - np.cbrt(max(v[2], 0)))

    assert yellow_less_blue(more) - yellow_less_blue(less) > 0.25


def _contrast(a: str, b: str) -> float:
    lights = []
    for code in (a, b):
        rgb = tuple(int(code[i : i + 2], 16) for i in (1, 3, 5))
        lights.append(float(np.asarray([0.2126, 0.7152, 0.0722]) @ _linear(rgb)))
    return (max(lights) + 0.05) / (min(lights) + 0.05)


@pytest.mark.parametrize("theme", ["light", "dark", "dark by choice", "print"])
def test_tokens_keep_the_contrast_of_wcag_aa(theme: str) -> None:
    """Conformance: WCAG 2.1, 1.4.3 (text 4.5:1) and 1.4.11 (graphics 3:1), on both papers."""
    css = files("dossier.templates").joinpath("tokens.css").read_text(encoding="utf-8")
    blocks = [dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", block)) for block in re.findall(r"\{([^{}]*)\}", css)]
    named = dict(zip(("light", "dark", "dark by choice", "print"), [b for b in blocks if "paper" in b], strict=True))
    tokens = {**named["light"], **named[theme]}
    assert named["dark"] == named["dark by choice"]
    for paper in ("paper", "paper-raised"):
        for text in ("ink", "ink-soft", "instrumental", "drums"):
            assert _contrast(tokens[text], tokens[paper]) >= 4.5, (text, paper)
        for fill in ("instrumental-fill", "drums-fill", "overlap-fill", "rule-strong", "focus"):
            assert _contrast(tokens[fill], tokens[paper]) >= 3.0, (fill, paper)


def test_png_is_read_back_by_another_reader() -> None:
    """Cross-check: matplotlib's reader gives the palette's colours back, first row on top."""
    import matplotlib.image

    indices = np.arange(6, dtype=np.uint8).reshape(2, 3)
    palette = [(i * 40, 255 - i * 40, i) for i in range(6)]
    read = matplotlib.image.imread(io.BytesIO(svg.png(indices, palette)), format="png")
    assert (np.rint(255 * read[..., :3]).astype(int) == np.asarray(palette)[indices]).all()


def test_drawings_escape_their_texts() -> None:
    drawn = charts.stacks([charts.Stack('<b>"', "", 0.5)], label='"><script>')
    assert "<b>" not in drawn
    assert 'aria-label="&#34;&gt;&lt;script&gt;"' in drawn
    assert svg.coordinate(-0.001) == "0"
    assert svg.coordinate(12.0) == "12"


def test_stacks_end_where_their_shares_end() -> None:
    """Analytic: music and drums stand end to end, the line is at 1, and what goes over it is marked."""
    drawn = parse(charts.stacks([charts.Stack("sub", "", 0.9, 0.6), charts.Stack("mid", "", 0.4, 0.2)], label="x"))
    rows = [{rect.attributes["class"]: rect.attributes for rect in row.every("rect")} for row in drawn.every("div")[1:]]
    scale = 1.05 * 1.5

    def at(kind: str, row: int, key: str = "width") -> float:
        return float(rows[row][kind][key].removesuffix("%")) / 100 * scale

    assert [at("music", 0), at("drums", 0), at("over", 0)] == pytest.approx([0.9, 0.6, 0.5], abs=2e-3)
    assert at("drums", 0, "x") == pytest.approx(0.9, abs=2e-3)
    assert at("over", 0, "x") == at("track", 0) == pytest.approx(1.0, abs=2e-3)
    assert "over" not in rows[1]


def test_every_row_of_a_scale_lies_on_the_same_scale() -> None:
    drawn = parse(charts.scale([("kick", "", -6.0, (-9.0, -3.0)), ("hat", "", 0.0, None)], unit="LU", label="x"))
    dots = [float(dot.attributes["cx"].removesuffix("%")) for dot in drawn.every("circle")]
    zero = {line.attributes["x1"] for line in drawn.every("line", class_="full-line")}
    assert zero == {f"{dots[1]:g}%"}
    usual = drawn.one("rect", class_="usual").attributes
    low, wide = (float(usual[key].removesuffix("%")) for key in ("x", "width"))
    assert low + wide / 2 == pytest.approx(dots[0], abs=0.02)


@pytest.mark.parametrize("data", [sample_data.sample(), sample_data.bare()], ids=["sample", "bare"])
def test_figures_are_valid_by_the_library_s_own_schema(data: sample_data.DossierData) -> None:
    """Cross-check: plotly.py accepts every attribute once the page's colours are put in."""
    import plotly.graph_objects as go

    def painted(value: object) -> object:
        if isinstance(value, str):
            return re.sub(r"var\(--[a-z-]+\)", "#123456", value)
        if isinstance(value, dict):
            return {k: painted(v) for k, v in value.items()}
        return [painted(v) for v in value] if isinstance(value, list) else value

    go.Figure(painted(map_figures.map_figure(data)))


@pytest.mark.parametrize(
    "array",
    [
        np.array([[0, 255, 0], [7, 7, 7]], dtype=np.uint8), np.array([[-127, 127], [0, -1]], dtype=np.int8),
        np.array([[0, 65535, 3], [256, 255, 1]], dtype=np.uint16), np.arange(4, dtype=np.float32),
        np.tile(np.arange(200, dtype=np.uint8), (9, 1)), np.tile(np.arange(200, dtype=np.uint16)[:, None], (1, 9)),
        np.cumsum(np.ones((9, 900), dtype=np.uint16), axis=1, dtype=np.uint16),
    ],
    ids=lambda array: f"{array.dtype}-{array.shape}",
)  # fmt: skip
def test_packed_arrays_unpack_to_themselves(array: np.ndarray) -> None:
    """Analytic, in every spelling: plain, differences with wrap-around, turned, byte planes."""
    packed = pack.packed(array)
    assert (unpacked(packed) == array).all()
    assert packed["dtype"] == array.dtype.name
    assert pack.packed(array) == packed


def test_merged_columns_are_means() -> None:
    values = np.arange(10.0).reshape(2, 5)
    assert merged(values, 1) is values
    assert merged(values, 2).tolist() == [[0.5, 2.5, 4.0], [5.5, 7.5, 9.0]]


def test_levels_are_coded_to_half_a_step() -> None:
    """Analytic: within a quarter of a decibel, and silence stays silence."""
    powers = np.array([0.0, 1e-14, 1e-9, 3.3e-5, 0.5, 1.0])
    codes = what_if_data.powers_as_bytes(powers).astype(float)
    back = np.where(codes > 0, what_if_data.POWER_FLOOR_DB + codes * what_if_data.POWER_STEP_DB, -np.inf)
    assert codes[0] == codes[1] == 0
    assert np.abs(back[2:] - 10 * np.log10(powers[2:])).max() <= what_if_data.POWER_STEP_DB / 2


def test_positions_along_the_bands() -> None:
    """Analytic: a band's centre lies in its middle; outside the bands the ends hold."""
    centres = (100.0, 200.0, 400.0)
    assert band_position(200.0, centres) == pytest.approx(1.5)
    assert band_position(math.sqrt(200.0 * 400.0), centres) == pytest.approx(2.0)
    assert band_position(10.0, centres) == 0.0
    assert band_position(1e5, centres) == 3.0
    assert [beats_per_bar(m) for m in ("3/4", "12/8", "odd", "")] == [3, 12, 4, 4]


def test_zone_means_count_what_is_over_the_reference() -> None:
    data = sample_data.sample()
    values = np.full((len(data.occupancy.band_hz), 32), 2.0)
    values[:, 16:] = 0.25
    means = zone_means(values, data.occupancy.band_zone, 16)
    assert np.nanmax(means[:, 0]) == 2.0
    assert np.nanmin(means[:, 1]) == 0.25


def test_scales_reach_what_they_must_show() -> None:
    assert scale_top(np.zeros((0, 0))) == 0.05
    assert scale_top(np.full((10, 10), -0.17)) == 0.2
    assert scale_top(np.full((10, 10), 7.0)) == 1.0


def test_kit_and_loops_share_one_ranking_by_score() -> None:
    view = drums_view(trim(data := sample_data.sample()), sample_pages.assets(data))
    scores = [float(row.score.replace("\u2212", "-")) for row in view.groups[0].rows]
    assert scores == sorted(scores, reverse=True)
    assert view.groups[0].rows[0].id == "kit"
    by_file = {row.id: row for group in view.groups for row in group.rows}
    assert by_file["kit"].sound == "treated"
    assert by_file["drums/kick-felt.wav"].sound == "part:kick"  # a chosen drum is heard as its layer
    assert by_file["drums/kick-long.wav"].sound == "candidate:drums/kick-long.wav"
    assert by_file["drums/snare-wide.wav"].sound == ""


def test_the_cuts_of_a_loop_are_drawn_a_row_a_role_and_can_be_written_back() -> None:
    """Analytic: a mark at each hit's share of the file, as high as it is loud; the line under it is TOML."""
    data = sample_data.sample()
    (loop, *_) = (c for c in data.candidates if c.file == "loops/dust_90bpm.wav")
    hits = (LoopHit(0.0, "kick", 0.0), LoopHit(0.5004, "snare", -20.0), LoopHit(1.0, "kick", -60.0))
    entry = structs.replace(data.inputs[0], file=loop.file, duration_s=2.0)
    others = [one for one in data.inputs if one.file != loop.file]
    candidates = [structs.replace(c, hits=hits) if c is loop else c for c in data.candidates]
    data = structs.replace(data, inputs=(*others, entry), candidates=tuple(candidates))
    rows = {r.id: r for group in drums_view(trim(data), sample_pages.assets(data)).groups for r in group.rows}
    drawn = parse(str(rows[loop.file].cuts))
    assert drawn.one("div", class_="stack").attributes["aria-label"] == (
        "Where it is cut: kick at 0.00 and 1.00 s; snare at 0.50 s")
    marks = [(mark.attributes["x"], mark.attributes["height"]) for mark in drawn.every("rect")]
    assert marks == [("0%", "15"), ("50%", "3"), ("25.02%", "9")]
    assert tomllib.loads(rows[loop.file].slices) == {"slices": [0.0, 0.5, 1.0]}
    assert rows["loops/tin-roof_79bpm.wav"].cuts is None


def test_long_rankings_are_cut_and_say_so() -> None:
    """Analytic: the best of each ranking and all that is chosen stay, the rest is counted."""
    data = sample_data.sample()
    first = data.candidates[1]
    many = tuple(
        structs.replace(first, file=f"d/{i}.wav", name=f"{i}.wav", score=1 - i / 1000, chosen=i == 399)
        for i in range(400)
    )
    inputs = tuple(structs.replace(data.inputs[3], file=c.file) for c in many)
    trimmed = trim(structs.replace(data, candidates=many, inputs=(*data.inputs[:3], *inputs), kit=None))
    view = drums_view(trimmed, sample_pages.assets(data))
    assert [row.id for row in view.groups[0].rows] == [f"d/{i}.wav" for i in (*range(15), 399)]
    assert view.groups[0].left_out.startswith("384\u00a0more files")
    assert trimmed.candidates == trimmed.inputs == 384
    assert [f.kind for f in trimmed.data.inputs[:3]] == ["stem"] * 3
    assert trim(data).data == data


def test_before_and_after_are_one_curve_at_equal_loudness() -> None:
    """Analytic: what only turns a drum up changes nothing; what it adds in one band shows there; silence does not."""
    plan = next(one for one in sample_data.sample().plans if one.helped)
    bands = len(plan.before.spectrum_db)
    before = structs.replace(plan.before, spectrum_db=(0.0,) * (bands - 1) + (-90.0,), integrated_lufs=-20.0)
    louder = tuple(db + 7.0 for db in before.spectrum_db)
    after = structs.replace(plan.after, spectrum_db=(louder[0] + 3.0, *louder[1:]), integrated_lufs=-13.0)
    found = change_by_band(structs.replace(plan, before=before, after=after))
    assert [place for place, _ in found] == [i + 0.5 for i in range(bands - 1)]
    assert [db for _, db in found] == pytest.approx([3.0] + [0.0] * (bands - 2))
    unmeasured = structs.replace(after, integrated_lufs=None)
    assert change_by_band(structs.replace(plan, before=before, after=unmeasured)) == []


def test_a_chosen_drum_has_one_set_of_figures() -> None:
    """Its line tells the shares of the level balance, and what covers it instead of a praise."""
    data = sample_data.sample()
    part = next(one for one in data.balance.parts if one.chosen and one.role)
    hidden = Covered(part=part.id, by="stems/wide-pad.wav", zone="mid", share=0.01, usual_share=0.02, give_way_db=None,
                     raise_db=None, text="")  # fmt: skip
    data = structs.replace(data, balance=structs.replace(data.balance, covered=(hidden,)))
    rows = {row.id: row for group in drums_view(trim(data), sample_pages.assets(data)).groups for row in group.rows}
    told = next(line for line in rows[part.file].details if line.startswith("Beside the other drums"))
    assert f"overlap {fmt.small_percent(part.overlap)}, audible share {fmt.percent(part.audible_share)}" in told
    assert rows[part.file].why == "wide-pad covers it"
    other = next(c for c in data.candidates if c.fit and not c.chosen)
    assert any(line.startswith("Alone over the music") for line in rows[other.file].details)
    recipe = recipe_view(data, sample_pages.assets(data))
    assert any(row.words.lower().endswith("wide-pad covers it") for row in recipe.rows)


def test_levels_stand_beside_the_loudest_drum() -> None:
    parts = [one for one in sample_data.sample().balance.parts if one.chosen and one.level_lu is not None]
    loudest = max(parts, key=lambda one: one.level_lu)
    for part in parts:
        told = beside(part, loudest)
        assert (f" under the {loudest.part}" in told) is (part is not loudest)
        if part is not loudest:
            assert f"{fmt.lu(loudest.level_lu - part.level_lu)} under the {loudest.part}" in told


def test_marks_on_another_revision_are_named_not_worded_anew() -> None:
    """What was proposed then may have read otherwise than what is proposed now."""
    mark = Mark(proposal="gain:kick", mark="agreed", note="")
    entry = structs.replace(sample_data.sample().decisions[0], revision="r001", marks=(mark,))
    for revision, text in (("r001", "Set kick to -3.0 dB."), ("r002", "Level: kick")):
        (view,) = decision_views([entry], {"gain:kick": "Set kick to -3.0 dB."}, revision)
        assert view.marks == ((text, "agreed", ""),)


@pytest.mark.parametrize(("range_db", "said"), [((-5.2, -2.0), "\u22125 to \u22122 is usual"), (None, "")])
def test_a_gain_in_the_kit_has_its_usual_range(range_db: tuple[float, float] | None, said: str) -> None:
    data = sample_data.sample()
    assert data.kit is not None
    kick, *others = data.kit.members
    kit = structs.replace(data.kit, members=(structs.replace(kick, gain_range_db=range_db), *others))
    assets = sample_pages.assets(data := structs.replace(data, kit=kit))
    rows = [row for group in drums_view(trim(data), assets).groups for row in group.rows if row.id == "kit"]
    assert rows[0].members[0] == ("kick", "drums/kick-felt.wav", "\u22123.0\u00a0dB", said)
    told = parse(sample_pages.render(data, assets)).words
    assert f"kick drums/kick-felt.wav \u22123.0\u00a0dB {f'({said}) ' if said else ''}snare" in told
