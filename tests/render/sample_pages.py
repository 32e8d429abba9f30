"""The sample's pages by name, each rendered once a session."""

from __future__ import annotations

from functools import cache

import sample_data
import sample_whatif
from msgspec import structs

from dossier.archive.revisions import head_of
from dossier.archive.standing import stand
from dossier.measure.hearing import page_constants, page_contours
from dossier.measure.loudness import shared_energy
from dossier.model.datafile import DossierData
from dossier.model.page import PageAssets, WhatIfArrays
from dossier.render.page import render_dossier

LONG_BARS = 112  # 1792 slots: nearly five minutes at 92 BPM


def assets(data: DossierData, what_if: WhatIfArrays | None = None, *, sounds: bool = True) -> PageAssets:
    """What a page of the sample holds beside its data; r001, which its decision is about, stands before it."""
    head = head_of(data)
    first = structs.replace(head, revision=structs.replace(head.revision, id="r001", identity="8e" * 32))
    standing = stand([first, head], data.decisions)
    energies = shared_energy(sample_data.sounds(), sample_data.RATE) if sounds else None
    return PageAssets(sample_data.previews() if sounds else (), what_if, standing, energies)


def render(data: DossierData, found: PageAssets | None = None) -> str:
    return render_dossier(data, found or assets(data), hearing_constants=page_constants(),
                          contour_errors=page_contours())


@cache
def html(name: str) -> str:
    if name == "bare":
        return render(data := sample_data.bare(), assets(data, sounds=False))
    if name == "hostile":
        data = sample_data.hostile()
        return render(data, structs.replace(assets(data), previews=sample_data.hostile_previews()))
    bars = {"sample": 24, "long": LONG_BARS}[name]
    return render(data := sample_data.sample(bars), assets(data, sample_whatif.what_if(bars)))
