"""The dossier as one self-contained HTML page.

Conventions: the page asks for nothing from anywhere.  Scripts are inline and allowed by hash (W3C Content Security
Policy Level 3); data stand in inert `application/json` elements; the plotting library is a gzip in base64 that the
page unpacks by DecompressionStream (WHATWG Compression Standard) and adds as one more script of known hash.  Sound is
held once, in the `src` of audio elements, which serve readers without scripts and which the script decodes.
Texts are escaped by Jinja2's autoescape; `words.clean` takes away what could turn the line around.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from importlib.resources import files
from typing import Any

import jinja2
from markupsafe import Markup, escape

from dossier.model.datafile import DossierData
from dossier.model.page import PageAssets
from dossier.render import figures, words
from dossier.render.pack import base64_text, csp_hash, json_for_script, plain, plot_library, squeeze
from dossier.render.shelf import KeptTemplates, Shelf
from dossier.render.trim import Trimmed, trim
from dossier.render.view import PageView, page_view
from dossier.render.view_record import contours_view

# One script: each file wraps itself, the first makes the name space, the last starts the page.
SCRIPTS = (
    "page_core.js",
    "page_terms.js",
    "page_table.js",
    "page_map.js",
    "page_plots.js",
    "page_player.js",
    "page_hearing.js",
    "page_whatif.js",
    "page_respond.js",
    "page_save.js",
    "page_start.js",
)
_MAP_FIELDS = ("instrumental", "with_drums", "overlap", "treatment_change")


def template_text(name: str) -> str:
    return files("dossier.templates").joinpath(name).read_text(encoding="utf-8").replace("\r\n", "\n")


def _load(name: str) -> str | None:
    place = files("dossier.templates").joinpath(name)
    return template_text(name) if place.is_file() else None


def _finalize(value: Any) -> Any:
    return words.tidy(words.clean(value)) if isinstance(value, str) and not isinstance(value, Markup) else value


def exact(value: str) -> Markup:
    """An identifier for an attribute, to the character: no cleaning, and line ends as references."""
    return Markup(str(escape(value)).replace("\r", "&#13;").replace("\n", "&#10;"))


def saved(value: float | str) -> Markup:
    """A table cell's bare value for an attribute: numbers to six digits."""
    return exact(f"{value:.6g}" if isinstance(value, float) else str(value))


@functools.cache
def environment(kept: KeptTemplates | None = None) -> jinja2.Environment:
    made = jinja2.Environment(
        loader=jinja2.FunctionLoader(_load), autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, finalize=_finalize, keep_trailing_newline=False, bytecode_cache=kept,
    )  # fmt: skip
    made.filters["base64"] = base64_text
    made.filters["exact"] = exact
    made.filters["saved"] = saved
    return made


def template(name: str, shelf: Shelf | None, mark: str) -> jinja2.Template:
    """A template, as compiled by an earlier build where the shelf has it."""
    return environment(KeptTemplates(shelf, mark) if shelf is not None else None).get_template(name)


@functools.cache
def scripts() -> tuple[str, str]:
    """The script that sets the theme before the first paint, and the page's own, without indentation."""
    main = "\n".join(line.lstrip() for name in SCRIPTS for line in template_text(name).strip().splitlines())
    return template_text("page_theme.js").strip(), main


def policy(hashes: list[str]) -> str:
    """The Content-Security-Policy: nothing but these scripts, inline styles, embedded pictures and sound."""
    return (
        f"default-src 'none'; script-src {' '.join(hashes)}; style-src 'unsafe-inline'; img-src data: blob:; "
        "media-src data: blob:; base-uri 'none'; form-action 'none'"
    )


def document(data: DossierData) -> dict[str, Any]:
    """The data file without its maps, which the page holds apart and puts back when it is saved."""
    bare = replace(data.occupancy, instrumental=(), with_drums=(), overlap=(), treatment_change=())
    whole: dict[str, Any] = plain(replace(data, occupancy=bare))
    whole["occupancy"] = {name: value for name, value in whole["occupancy"].items() if name not in _MAP_FIELDS}
    return whole


def rounded(value: Any) -> Any:
    """Numbers to ten digits, wherever they stand."""
    if isinstance(value, float):
        return float(f"{value:.10g}")
    if isinstance(value, list):
        return [rounded(each) for each in value]
    return {key: rounded(each) for key, each in value.items()} if isinstance(value, dict) else value


def page_data(trimmed: Trimmed, assets: PageAssets, constants: Mapping[str, Any] | None) -> dict[str, Any]:
    """Everything that the page's script works from."""
    data = trimmed.data
    what_if = figures.what_if_data(assets, data.balance.mix.integrated_lufs) if constants else None
    return {
        "beat": data.beat.slug,
        "revision": data.revision.id,
        "identity": data.revision.identity,
        "map": figures.map_data(data),
        "figures": {"map": figures.map_figure(data), "levels": figures.level_figure(data)},
        "sounds": [
            {
                "id": s.id,
                "group": s.group,
                "of": s.of,
                "gain": s.gain_db,
                "matched": s.matched_gain_db,
                "start": s.start_s,
                "duration": s.duration_s,
                "label": words.clean(s.label),
            }
            for s in assets.previews
        ],
        "leftOut": trimmed.candidates,
        "whatIf": what_if,
        "hearing": rounded(plain(constants)) if what_if else None,
        "document": squeeze(json_for_script(document(data)).encode("utf-8", "replace")),
    }


@dataclass(frozen=True, slots=True)
class Ready:
    """What every page needs and none changes."""

    template: jinja2.Template
    theme_script: str
    main_script: str
    library: str  # gzip in base64
    policy: str


@functools.cache
def get_ready(shelf: Shelf | None = None, mark: str = "") -> Ready:
    """Do what every page needs, so that it can be done before the first: the library packed, templates read.

    Parameters
    ----------
    shelf : Shelf, optional
        Where the packed library and the read templates are looked for first, and kept.
    mark : str
        Of the program's own source, which what is kept of a template depends on.
    """
    theme, main = scripts()
    library, library_hash = plot_library(shelf)
    return Ready(
        template=template("dossier.html.j2", shelf, mark), theme_script=theme, main_script=main,
        library=library, policy=policy([csp_hash(theme), csp_hash(main), library_hash]),
    )  # fmt: skip


def render_dossier(
    data: DossierData, assets: PageAssets, *, hearing_constants: Mapping[str, Any] | None = None,
    contour_errors: Mapping[float, Sequence[float]] | None = None, ready: Ready | None = None,
) -> str:  # fmt: skip
    """One HTML page that works from file://, offline, and holds everything it shows.

    Parameters
    ----------
    data : DossierData
        Every number and sentence of the dossier.
    assets : PageAssets
        Sound to play, and the arrays behind the level sliders.
    hearing_constants : mapping, optional
        The constants of the hearing model by name, as the analysis used them.  Without them the page has no
        level sliders and says so.
    contour_errors : mapping, optional
        Phon by which the model reads tones of 20, 30 ... 80 phon too loud, by frequency in Hz.
    ready : Ready, optional
        What `get_ready` gave.

    Returns
    -------
    str
        The page, LF line ends, to be written as UTF-8.  The same input gives the same text.

    Raises
    ------
    DossierError
        Where the plotting library's browser bundle is not installed.
    """
    ready = ready or get_ready()
    trimmed = trim(data)
    view: PageView = page_view(trimmed, assets, has_constants=hearing_constants is not None)
    text = ready.template.render(
        page=view, style=Markup(template_text("tokens.css") + template_text("style.css")),
        policy=ready.policy, theme_script=Markup(ready.theme_script), main_script=Markup(ready.main_script),
        data=Markup(json_for_script(page_data(trimmed, assets, hearing_constants))), library=Markup(ready.library),
        program=f"{data.program.name} {data.program.version}",
        contours=contours_view(contour_errors) if contour_errors else None,
    )  # fmt: skip
    return text.encode("utf-8", "replace").decode("utf-8")
