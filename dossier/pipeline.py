"""The one place that joins the stages.

    Beat -> Audio -> Measurements -> Findings -> View -> HTML

`build` runs a beat from its folder to a revision in the archive; a beat whose inputs, settings and program version are
those of an earlier revision makes no new one.  The clock is passed in (`made`), so that the same input gives the same
bytes.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec import Struct
from msgspec.structs import replace

from dossier import __version__, inputs
from dossier.archive import Archive
from dossier.archive.changes import asked_and_done, changes
from dossier.cache import Cache, key_of
from dossier.errors import ArchiveError
from dossier.model.beat import NOTHING_GIVEN, Beat, Given
from dossier.model.datafile import BareDossier, RevisionInfo
from dossier.parallel import HERE, Engine

if TYPE_CHECKING:
    from dossier.model.checks import Checks
    from dossier.model.choice import Balanced, Choice
    from dossier.model.page import Rendered
    from dossier.model.situation import Analysis

Say = Callable[[str], None]


class Built(Struct, frozen=True):
    """What became of one beat."""

    slug: str
    title: str
    revision: str
    page: Path
    new: bool
    verdict: str
    warnings: tuple[str, ...]  # but for those on files that could not be used
    left_out: tuple[str, ...]  # these


def build(
    place: Path, archive: Archive, *, cache: Cache, made: str, say: Say, engine: Engine = HERE,
    given: Given = NOTHING_GIVEN
) -> Built:
    """Build the dossier of one beat, a folder or a bounced file, into an archive.

    The revision carries the time `made` (ISO 8601, UTC).  `say` gets a word at each stage; `cache` keeps results for
    the next build.  The result does not depend on the engine.  Raises `DossierError` where the
    folder, its audio or the archive cannot be used; nothing was published then.
    """
    given, home = replace(given, archive=archive.root), _home(place, archive)
    with inputs.digests_kept(cache):
        beat = load(place, archive, cache, given)
        mark = inputs.identity_of(beat, given)
    known = archive.find(beat.slug, mark)
    if known is not None:
        return _unchanged(archive, beat, known)
    from dossier import stages

    analysis, memo = stages.analyse(beat, cache, say)
    say("placing and ranking the candidates")
    analysis, memo, ranking = stages.place(analysis, memo, stages.rank(analysis, memo, say))
    say("searching treatments")
    way, treated = stages.treat(analysis, ranking, memo, engine=engine, say=say)
    say("balancing")
    choice = stages.choose(analysis, ranking, treated, way, memo)
    balanced = stages.balance(analysis, choice, memo)
    say("checking the mix")
    checks = stages.check(analysis, choice, balanced, memo)
    say("rendering")
    rendered = stages.render(analysis, choice, balanced, checks, memo)
    if given.all_candidates:
        listed = stages.candidates_csv(analysis.drums, choice.ranking)
        rendered = replace(rendered, files={**rendered.files, f"{beat.slug}-candidates.csv": listed})
    with archive.lock():
        if _slug(beat, archive, cache.find(home, str), given) != beat.slug:  # taken meanwhile
            raise ArchiveError(f"{beat.slug}: another beat took this name during the build; build it again")
        built = publish(archive, analysis, choice, balanced, checks, rendered, mark=mark, made=made,
                        before=cache.find(home, str))  # fmt: skip
    cache.keep(home, built.slug)
    return built


def load(place: Path, archive: Archive, cache: Cache, given: Given = NOTHING_GIVEN) -> Beat:
    """The beat of a folder or a bounced file, by its name in the archive.

    Raises `DossierError` where the folder, the archive's taste or the name cannot be used.
    """
    beat = inputs.load(place, replace(given, archive=archive.root))
    return replace(beat, slug=_slug(beat, archive, cache.find(_home(place, archive), str), given))


def _home(place: Path, archive: Archive) -> str:
    """The key of what was built from a place; paths of this machine, which no one else sees."""
    return key_of("home", *map(os.fsencode, (archive.root.resolve(), place.resolve())))


def _slug(beat: Beat, archive: Archive, before: str | None, given: Given) -> str:
    known = bool(given.name) or before == beat.slug
    return archive.slug_for(beat.slug, beat_id=beat.id, stems=inputs.stem_hashes(beat), known=known)


def publish(
    archive: Archive, analysis: Analysis, choice: Choice, balanced: Balanced, checks: Checks, rendered: Rendered, *,
    mark: str, made: str, before: str | None,
) -> Built:  # fmt: skip
    """Put the revision into the archive, unless another build was faster.

    `before`: the beat that was built last from the same place, which is another one where the title has changed.
    """
    from dossier import stages
    from dossier.measure import hearing
    from dossier.model.page import PageAssets
    from dossier.render.page import render_dossier

    beat, renders = analysis.beat, rendered.files
    with archive.lock():
        known = archive.find(beat.slug, mark)
        if known is not None:
            return _unchanged(archive, beat, known)
        previous = archive.latest_bare(beat.slug)
        revision = RevisionInfo(id=archive.next_revision(beat.slug), made=made, identity=mark,
                                previous=previous.revision.id if previous else None)  # fmt: skip
        data = stages.data_file(
            analysis, choice, balanced, checks, revision=revision, version=__version__,
            decisions=archive.decisions(beat.slug), rendered=rendered,
        )  # fmt: skip
        if previous is not None:
            asked, done = asked_and_done(previous, data)
            told = replace(data.revision, changes=changes(previous, data), asked=asked, done=done)
            data = replace(data, revision=told)
        held = archive.latest_bare(before) if previous is None and before and before in archive.slugs() else previous
        if held is not None:
            folder = archive.renders_of(held.beat.slug, held.revision.id)
            renders = stages.from_earlier(renders, folder, beat.slug, held.beat.slug)
        assets = PageAssets(
            rendered.previews, rendered.what_if, archive.standing_with(data), rendered.energies,
            archive.heard(beat.slug), archive.agreement(),
        )  # fmt: skip
        html = partial(render_dossier, data, assets, hearing_constants=hearing.page_constants(),
                       contour_errors=hearing.page_contours())  # fmt: skip
        page = archive.publish(data, html, renders, before=held.beat.slug if held is not None else None)
    return built_of(data, page, new=True)


def built_of(data: BareDossier, page: Path, *, new: bool) -> Built:
    """What is told of a revision that is in the archive."""
    unread = tuple(f"{entry.file}: " for entry in data.inputs if not entry.used and not entry.sha256)
    lost = tuple(text for text in data.warnings if unread and text.startswith(unread))
    return Built(
        slug=data.beat.slug, title=data.beat.title, revision=data.revision.id, page=page, new=new,
        verdict=data.approach.verdict, warnings=tuple(text for text in data.warnings if text not in lost),
        left_out=lost,
    )  # fmt: skip


def index(archive: Archive) -> Path:
    """Rebuild the archive page from the data files alone."""
    from dossier.render.index import render_archive

    return archive.write_index(render_archive)


def _unchanged(archive: Archive, beat: Beat, known: RevisionInfo) -> Built:
    data = archive.latest_bare(beat.slug)
    if data is None:
        raise ArchiveError(f"{beat.slug}: its data files cannot be read; rebuild into another archive folder")
    page = archive.root / beat.slug / f"{beat.slug}-{known.id}.html"
    return built_of(data, page, new=False)
