"""One gain a drum: the data file, the texts, the settings sheet and the page agree on it, and a fader can be set to it.

On the demo's beats.  And what else is told of the drums as they finally play: the verdict's figures, and what their
treatments do to the map.  Evidence: analytic.
"""

from __future__ import annotations

import csv
import json
import re
from collections import defaultdict
from collections.abc import Iterator

import numpy as np
import pytest
from html_tree import Node, parse
from stage_beat import InStages
from tests_support import Demo

from dossier.measure import hearing
from dossier.model.datafile import DossierData
from dossier.model.measures import FRAME_S
from dossier.render import format as fmt
from dossier.stages.candidates import part_powers

FULL = "lantern-market"  # its chosen drums are one-shots, most of them treated
GAIN = r"([+-]?\d+\.\d+) dB(?!TP)"
Places = Iterator[tuple[str, float, str]]  # the drum's file, a gain, where it stands


@pytest.fixture(scope="module")
def full(demo: Demo) -> DossierData:
    return demo.data(FULL)


def plain(text: str) -> str:
    """White space folded, the page's minus as it stands in the data."""
    return " ".join(text.replace("\u2212", "-").split())


def name_of(file: str) -> str:
    return file.rsplit("/", 1)[-1]


def in_the_data(data: DossierData) -> Places:
    """Every gain of a drum file in the data file."""
    assert data.kit is not None
    for candidate in data.candidates:
        if candidate.gain_db is not None:
            yield candidate.file, candidate.gain_db, "candidate"
        yield from ((candidate.file, gain, "candidate's reason") for gain in told(candidate.reason))
        for way in candidate.means:
            if way.gain_db is not None and not way.chosen:
                yield f"{way.means}:{candidate.file}", way.gain_db, "way to the tempo"
    for member in data.kit.members:
        yield member.file, member.gain_db, "kit"
        yield from ((member.file, gain, "member's reason") for gain in told(member.reason))
    files = {part.id: part.file for part in data.balance.parts}
    yield "music", data.balance.music_gain_db, "balance"
    for part in data.balance.parts:
        yield part.file, part.gain_db, "balance"
    for proposal in data.proposals:
        if proposal.kind == "gain":
            (gain,) = told(proposal.text)
            yield files[proposal.id.removeprefix("gain:")], gain, "proposal"


def told(text: str) -> list[float]:
    return [float(found) for found in re.findall(rf"(?:at|to) {GAIN}", plain(text))]


def in_the_sheet(demo: Demo, slug: str) -> Places:
    text = (demo.renders(slug) / f"{slug}-settings.csv").read_text(encoding="utf-8")
    for row in csv.DictReader(text.splitlines()):
        if row["treatment"] == "gain":
            yield row["file"], float(row["value"]), "settings sheet"


def on_the_page(page: Node, data: DossierData) -> Places:
    """Every gain in decibels that the page prints, with the one drum of which the row, entry or section speaks."""
    by_name = {name_of(candidate.file): candidate.file for candidate in data.candidates}
    by_label = {part.part: part.file for part in data.balance.parts if part.chosen}

    def files_in(node: Node) -> set[str]:
        words = plain(node.words)
        return {file for name, file in by_name.items() if name in words}

    def named(node: Node) -> set[str]:
        words = plain(node.words)
        return files_in(node) or {file for label, file in by_label.items() if re.search(rf"\b{label}\b", words, re.I)}

    def nearest(node: Node) -> str:
        above: Node | None = node
        while above is not None:  # in a candidate's row, whatever role its text compares it with
            if above.name == "details" and len(found := files_in(above.every("summary")[0])) == 1:
                return found.pop()
            above = above.parent
        while not named(node):
            assert node.parent is not None
            node = node.parent
        (file,) = named(node)
        return file

    for table in page.every("table"):
        heads = [plain(head.words)[:4] for head in table.every("thead")[0].every("th")] if table.every("thead") else []
        for row in table.every("tr") if "gain" in heads else ():
            cells = [cell for cell in row.children if isinstance(cell, Node)]
            if len(cells) != len(heads):
                continue
            gain = cells[heads.index("gain")]
            ranges = "".join(note.words for note in gain.every(class_="cell-note"))
            shown = plain(gain.words.removesuffix(ranges))
            if re.fullmatch(r"[+-]?\d+\.\d", shown):
                yield from ((file, float(shown), "table") for file in named(cells[0]))
    for node in page.every():
        own = plain("".join(child for child in node.children if isinstance(child, str)))
        if node.name in ("script", "style") or "depending on" in own:
            continue  # a range says itself that it is one
        if node.name == "strong" and node.parent is not None and node.parent.has("class_", "level"):
            row = node.parent.parent
            assert row is not None
            of = "music" if row.has("class_", "music") else nearest(row)
            yield of, float(own.removesuffix(" dB")), "gain to set"
        listed = re.findall(rf"(\S+\.wav) at {GAIN}", own)
        yield from ((by_name[name], float(gain), "sentence") for name, gain in listed)
        if not listed and "the file plays at" not in own:  # the whole kit as one file
            yield from ((nearest(node), gain, "text") for gain in told(own))


def in_its_arrays(page: Node, data: DossierData) -> Places:
    """The sliders start at the gains; the players hold them on top of the instrumental's own, at its stems' level."""
    music = {candidate.file: candidate.music_gain_db for candidate in data.candidates}
    music |= {f"{way.means}:{one.file}": way.music_gain_db for one in data.candidates for way in one.means}
    held = json.loads(page.one("script", id="page-data").text)
    files = {part.id: part.file for part in data.balance.parts}
    playing = {sound["id"]: sound["gain"] for sound in held["sounds"]}
    first = next(part for part in data.balance.parts if part.chosen)
    playing_gain_db = playing[first.id] - first.gain_db + first.music_gain_db  # the sound of the music is stored at it
    assert data.instrumental.integrated_lufs is not None
    left = data.beat.target_lufs - data.instrumental.integrated_lufs - data.balance.mix_over_music_lu
    assert playing_gain_db == pytest.approx(left, abs=1.0), "placed before treatments, which may turn the choice"
    assert playing["instrumental"] == 0.0
    for part in held["whatIf"]["parts"]:
        yield files[part["id"]], part["gain"], "slider"
    for sound in held["sounds"]:
        of = sound["id"].removeprefix("untreated:").removeprefix("candidate:").removeprefix("means:")
        if of != "instrumental":
            file = files.get(of, of)
            yield file, sound["gain"] - playing_gain_db + music[file], "player"


@pytest.mark.parametrize("slug", ["slow-ferry", FULL, "night-depot"])
def test_no_drum_has_two_gains_anywhere(demo: Demo, slug: str) -> None:
    data, page = demo.data(slug), parse(demo.page(slug))
    found: dict[str, dict[float, set[str]]] = defaultdict(lambda: defaultdict(set))
    for file, gain, where in (
        *in_the_data(data), *in_the_sheet(demo, slug), *on_the_page(page, data), *in_its_arrays(page, data)
    ):
        assert gain == pytest.approx(round(gain, 1), abs=1e-5), f"{file}: no fader has {gain} dB ({where})"
        found[file][round(gain, 1)].add(where)
    twice = {file: dict(gains) for file, gains in found.items() if len(gains) > 1}
    assert not twice, twice
    assert data.kit is not None
    members = {member.file: member for member in data.kit.members}
    for part in data.balance.parts:
        (seen,) = found[part.file].values()
        wanted = {"candidate", "candidate's reason", "balance", "table", "text", "player"}
        member = members.get(part.file)
        wanted |= {"kit"} if member is not None else set()
        wanted |= {"member's reason"} if member is not None and not member.pinned else set()
        chosen = {"proposal", "settings sheet", "gain to set", "slider"}
        assert seen == wanted | (chosen if part.chosen else set()), f"{part.file}: looked at in every place"


@pytest.mark.parametrize("slug", ["slow-ferry", FULL, "night-depot"])
def test_no_gain_lies_above_what_a_part_may_have(demo: Demo, slug: str) -> None:
    """In no place, section or slider; and beside each stands where else people set it."""
    data, page = demo.data(slug), parse(demo.page(slug))
    (most,) = (setting.value for setting in data.settings if setting.name == "part_most_db")
    parts = data.balance.parts
    gains = [gain for _, gain, _ in (*in_the_data(data), *in_the_sheet(demo, slug), *in_its_arrays(page, data))]
    gains += [section.gain_db for part in parts for section in part.sections]
    sliders = [slider.attributes for slider in page.every("input", type="range")]
    gains += [float(slider["max"]) for slider in sliders if "data-advised" in slider]
    assert max(gains) <= most == 6.0
    words = plain(page.words)
    for part in parts:
        assert part.gain_range_db is not None
        assert part.gain_range_db[0] <= part.gain_db <= part.gain_range_db[1]
        low, high = (fmt.number(end, 0, sign=True) for end in part.gain_range_db)
        assert not part.chosen or low == high or plain(f"{low} to {high} is usual") in words


def test_sections_have_gains_of_their_own_and_are_listed_as_such(demo: Demo, full: DossierData) -> None:
    parts = [part for part in full.balance.parts if part.chosen]
    there = [part.sections[0] for part in parts]
    assert {(one.name, one.intent) for part in parts for one in part.sections} == {("verse", "tucked")}
    page = parse(demo.page(FULL))
    assert ", at the gains outside the verse." in plain(page.words)
    rows = page.one("table", id="table-gains-by-section").every("tr")
    (row,) = (row for row in rows if plain(row.words).startswith("verse tucked"))
    assert [plain(cell.words) for cell in row.every("td")][-len(parts) :] == [f"{one.gain_db:+.1f}" for one in there]
    assert all(one.gain_db == round(one.gain_db, 1) != part.gain_db for one, part in zip(there, parts, strict=True))


def test_the_verdict_speaks_of_the_drums_as_they_finally_play(full: DossierData) -> None:
    assert full.kit is not None
    loops = [candidate for candidate in full.candidates if candidate.kind == "loop"]
    said = next(reason for reason in full.approach.reasons if "the best kit" in reason)
    fitting = [loop for loop in loops if loop.loop is not None and not loop.loop.poor_match]
    best = max(fitting, key=lambda candidate: candidate.score)
    for fit in (best.fit, full.kit.fit):
        told = [f"{100 * share:.0f} %" if share >= 0.1 else f"{100 * share:.1f} %"
                for share in (fit.room_filled, fit.covered_music)]  # fmt: skip
        assert f"fills {told[0]} and covers {told[1]} of the music" in said
    assert best.name in said
    assert abs(full.kit.score - best.score) > 0.02, "far enough apart to say which fits better"
    assert said.endswith(f": the {'kit' if full.kit.score > best.score else 'loop'} fits better.")
    assert {member.file for member in full.kit.members} == {part.file for part in full.balance.parts if part.chosen}
    rows = {candidate.file: candidate for candidate in full.candidates}
    for member in full.kit.members:
        assert (member.gain_db, member.fit, member.reason) == (
            rows[member.file].gain_db, rows[member.file].fit, rows[member.file].reason
        )  # fmt: skip


def test_the_map_shows_what_the_treatments_change(full: DossierData, market: InStages) -> None:
    """One cell by hand: excitations add; loudness over the reference, treated less untreated, both at one gain."""
    change = np.array(full.occupancy.treatment_change)
    assert change.shape == np.shape(full.occupancy.with_drums)
    assert np.count_nonzero(change) > 1000
    band, slot = np.unravel_index(int(np.argmin(change)), change.shape)
    scene, grid = market.analysis.here.scene, market.analysis.here.grid
    begin, end = slot * grid.slot_s / FRAME_S, (slot + 1) * grid.slot_s / FRAME_S
    untreated = {item.placed.drum.name: item.placed.part for item in market.choice.plans}
    sums = []
    for as_treated in (True, False):
        mean = 0.0  # of the frames that the slot overlaps
        for frame in range(int(begin), int(np.ceil(end))):
            total = scene.excitation[frame].copy()
            for part in market.balanced.chosen:
                item = part.item
                powers = item.powers if as_treated or not item.treated else part_powers(untreated[item.drum.name])
                level = powers[frame] * 10.0 ** (item.gains.db / 10.0)
                total += hearing.excitation(level[None, :], spl_offset_db=scene.spl_offset_db)[0]
            share = (min(end, frame + 1) - max(begin, frame)) / (end - begin)
            mean += share * hearing.specific_loudness(total)[band] / scene.reference[band]
        sums.append(mean)
    assert change[band, slot] == pytest.approx(sums[0] - sums[1], abs=1.1e-3)
    assert change[band, slot] < -0.05
    assert full.occupancy.with_drums[band][slot] == pytest.approx(sums[0], abs=6e-4)
