"""The dossier as one self-contained HTML page.

Conventions: the page asks for nothing from anywhere.  Scripts are inline and allowed by hash (W3C Content Security
Policy Level 3); data stand in inert `application/json` elements; the plotting library is a gzip in base64 that the
page unpacks by DecompressionStream (WHATWG Compression Standard) and adds as one more script of known hash.  Sound is
held once, in the `src` of audio elements, which serve readers without scripts and which the script decodes.
Jinja2 escapes every text; `names.printable` shows the hidden characters that could turn a line around.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from importlib.resources import files
from typing import Any

import jinja2
import numpy as np
from markupsafe import Markup, escape
from msgspec import Struct
from msgspec.structs import replace

from dossier.model.datafile import DossierData
from dossier.model.page import PageAssets
from dossier.names import printable
from dossier.render import format as fmt
from dossier.render import glossary
from dossier.render.map_figures import FIELDS, map_data, map_figure
from dossier.render.pack import (
    LIBRARY_LEVEL,
    base64_text,
    csp_hash,
    json_for_script,
    packed,
    plain,
    plot_library,
    squeeze,
)
from dossier.render.trim import Trimmed, trim
from dossier.render.view import page_view
from dossier.render.view_method import contours_view
from dossier.render.what_if_data import what_if_data

# One script: each file wraps itself, the last starts the page.
SCRIPTS = (
    "format.js", "theme_button.js", "page_tools.js", "page_core.js", "page_map.js", "page_hearing.js", "page_sound.js",
    "page_listen.js", "page_whatif.js", "page_blind.js", "page_answer.js", "page_save.js", "page_start.js",
)  # fmt: skip


def template_text(name: str) -> str:
    return files("dossier.templates").joinpath(name).read_text(encoding="utf-8").replace("\r\n", "\n")


def _load(name: str) -> str | None:
    place = files("dossier.templates").joinpath(name)
    return template_text(name) if place.is_file() else None


def _finalize(value: Any) -> Any:
    if isinstance(value, str) and not isinstance(value, Markup):
        return fmt.tidy(printable(value, keep="\n\t"))
    return value


def exact(value: str) -> Markup:
    """An identifier as an attribute value, exact to the character: line ends become references."""
    return Markup(str(escape(value)).replace("\r", "&#13;").replace("\n", "&#10;"))


def saved(value: float | str) -> Markup:
    """A table cell's bare value as an attribute; numbers to six digits."""
    return exact(f"{value:.6g}" if isinstance(value, float) else str(value))


@functools.cache
def environment() -> jinja2.Environment:
    made = jinja2.Environment(
        loader=jinja2.FunctionLoader(_load), autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, finalize=_finalize, optimized=False,  # folding constants takes what it saves
    )  # fmt: skip
    made.filters |= {"base64": base64_text, "exact": exact, "saved": saved}
    made.globals |= {"fmt": fmt, "words": glossary}
    return made


@functools.cache
def joined(scripts: tuple[str, ...]) -> str:
    """Scripts as one, without indentation."""
    return "\n".join(line.lstrip() for name in scripts for line in template_text(name).strip().splitlines())


def policy(hashes: list[str]) -> str:
    """The Content-Security-Policy: these scripts, inline styles, embedded pictures, and sound, also of files beside."""
    return (
        f"default-src 'none'; script-src {' '.join(hashes)}; style-src 'unsafe-inline'; img-src data: blob:; "
        "media-src data: blob: file:; base-uri 'none'; form-action 'none'"
    )


def document(data: DossierData) -> dict[str, Any]:
    """The data file without its maps, which the page holds apart and puts back when it is saved."""
    bare = replace(data.occupancy, instrumental=(), with_drums=(), overlap=(), treatment_change=())
    whole: dict[str, Any] = plain(replace(data, occupancy=bare))
    for name in FIELDS:
        del whole["occupancy"][name]
    return whole


def rounded(value: Any) -> Any:
    """Every number to ten digits, at any depth."""
    if isinstance(value, float):
        return float(f"{value:.10g}")
    if isinstance(value, list):
        return [rounded(each) for each in value]
    return {key: rounded(each) for key, each in value.items()} if isinstance(value, dict) else value


def energies_data(assets: PageAssets) -> dict[str, Any] | None:
    """What each two sounds share in every 100 ms, lower triangle by rows, to 0.01 dB; None without sounds."""
    if assets.energies is None or not len(assets.energies):
        return None
    kept = [i for i, sound in enumerate(assets.previews) if sound.group != "mix"]
    table = assets.energies[np.ix_(kept, kept)]
    pairs = table[np.tril_indices(len(kept))].astype("<f4")
    return packed((pairs.view("<u4") & 0xFFFFE000).view("<f4"))


def page_data(trimmed: Trimmed, assets: PageAssets, constants: Mapping[str, Any] | None) -> dict[str, Any]:
    """Everything the page's script works from."""
    data = trimmed.data
    what_if = what_if_data(assets, data.balance.mix.integrated_lufs) if constants else None
    return {
        "beat": data.beat.slug,
        "revision": data.revision.id,
        "identity": data.revision.identity,
        "map": map_data(data),
        "title": printable(data.beat.title),
        "figure": map_figure(data),
        "sounds": [
            {"id": sound.id, "group": sound.group, "of": sound.of, "gain": sound.gain_db, "start": sound.start_s,
             "duration": sound.duration_s, "rate": sound.rate_hz, "label": printable(sound.label)}
            for sound in assets.previews if sound.group != "mix"
        ],
        "energies": energies_data(assets),
        "asked": [proposal.id for proposal in assets.standing.proposals],
        "leftOut": trimmed.candidates,
        "comparisons": plain(data.comparisons),
        "whatIf": what_if,
        "hearing": rounded(plain(constants)) if what_if else None,
        "document": squeeze(json_for_script(document(data)).encode()),
    }  # fmt: skip


class _Later(Struct, frozen=True):
    """Markup that is still being made, waited for where it stands in the page."""

    made: Future[str]

    def __html__(self) -> str:
        return self.made.result()


def render_dossier(
    data: DossierData, assets: PageAssets, *, hearing_constants: Mapping[str, Any] | None = None,
    contour_errors: Mapping[float, Sequence[float]] | None = None,
) -> str:  # fmt: skip
    """One HTML page that works from file://, offline, and holds everything it shows.

    `hearing_constants` are those of the hearing model by name, as the analysis used them; without them the page has no
    level sliders and says so.  `contour_errors`: phon by which the model reads tones of 20, 30 ... 80 phon too loud, by
    frequency in Hz.  The text has LF line ends, is to be written as UTF-8, and the same input gives the same.
    Raises DossierError where the plotting library's browser bundle is not installed.
    """
    trimmed = trim(data)
    theme, main = joined(("theme.js",)), joined(SCRIPTS)
    library = plot_library()
    with ThreadPoolExecutor(1) as aside:
        squeezed = aside.submit(squeeze, library, LIBRARY_LEVEL)
        return environment().get_template("dossier.html.j2").render(
            page=page_view(trimmed, assets, has_constants=hearing_constants is not None),
            style=Markup("".join(template_text(name) for name in ("tokens.css", "style.css", "blind.css"))),
            policy=policy([csp_hash(theme), csp_hash(main), csp_hash(library)]), theme_script=Markup(theme),
            main_script=Markup(main), data=trimmed.data,
            script_data=Markup(json_for_script(page_data(trimmed, assets, hearing_constants))),
            contours=contours_view(contour_errors) if contour_errors else None, library=_Later(squeezed),
            program=f"{data.program.name} {data.program.version}",
        )  # fmt: skip
