"""The whole page in words, here and in the `view_*` modules beside this one.

Findings bring their own sentences; the views only word numbers.  What the data file holds ready to read, templates
take from there (`data`), wording single numbers by `format` (`fmt`) and `glossary` (`words`); they never calculate.
A view is a `SimpleNamespace`: only templates read it, and Jinja's StrictUndefined holds them to its names.
"""

from __future__ import annotations

from types import SimpleNamespace

from markupsafe import Markup

from dossier.model.datafile import DossierData
from dossier.model.ears import FEWEST_ROUNDS, MOST_ROUNDS
from dossier.model.page import PageAssets
from dossier.render import charts, view_first
from dossier.render import format as fmt
from dossier.render.trim import Trimmed
from dossier.render.view_drums import drums_view
from dossier.render.view_ears import agreement_sentence, lines
from dossier.render.view_levels import levels_view
from dossier.render.view_low_end import low_end_view
from dossier.render.view_method import method_view
from dossier.render.view_record import record_view
from dossier.render.view_room import room_view
from dossier.render.view_treatments import treatments_view


def sure_view(data: DossierData) -> SimpleNamespace:
    holds = data.approach.holds
    if holds is None:
        return SimpleNamespace(line=data.approach.uncertain or "How sure this is was not measured.", strip=Markup(""))
    line = f"Holds in {holds.of} of {holds.draws} plausible settings"
    line += f"; the others say {holds.otherwise}. What turns it most: {holds.moved_by}." if holds.otherwise else "."
    return SimpleNamespace(line=line, strip=charts.strip(holds.of, holds.draws))


def asked(data: DossierData) -> str:
    revision = data.revision
    return f"\u201c{fmt.short(' '.join(revision.asked.split()), 120)}\u201d {revision.done}" if revision.done else ""


def page_view(trimmed: Trimmed, assets: PageAssets, *, has_constants: bool = False) -> SimpleNamespace:
    """Every text of the page that the data file does not hold as it is to be read."""
    data = trimmed.data
    record = record_view(data, assets.standing)
    return SimpleNamespace(
        facts=view_first.facts(data), asked=asked(data), hear=view_first.hear(data, assets),
        where=view_first.where(data, assets), zones=view_first.zones_drawing(data), standing=record.standing.sentence,
        recipe=view_first.recipe_view(data, assets), room=room_view(data), drums=drums_view(trimmed, assets),
        treatments=treatments_view(data, assets), levels=levels_view(data, assets, has_constants=has_constants),
        low_end=low_end_view(data), sure=sure_view(data), record=record,
        method=method_view(data, inputs_left_out=trimmed.inputs),
        layers=[sound for sound in assets.previews if sound.group != "mix"],
        ears=lines(assets.heard), agreement=agreement_sentence(assets.agreement),
        rounds=range(FEWEST_ROUNDS, MOST_ROUNDS + 1),
        mix=next((sound for sound in assets.previews if sound.group == "mix"), None),
    )  # fmt: skip
