"""The one place that joins the stages.

    Beat -> Audio -> Measurements -> Findings -> View -> HTML

`build` runs a beat from its folder to a revision in the archive; a beat whose inputs, settings and program version are
those of an earlier revision makes no new one.  The clock is passed in (`made`), so that the same input gives the same
bytes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from dossier import __version__, audio, beatfile, workers
from dossier.archive import Archive
from dossier.archive.changes import changes
from dossier.archive.revisions import identity
from dossier.cache import Cache
from dossier.decide.policy import DEFAULTS, Policy
from dossier.errors import ArchiveError, AudioError
from dossier.model.beat import Beat
from dossier.model.datafile import FORMAT_VERSION, RevisionInfo
from dossier.model.page import PageAssets

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Built:
    """What became of one beat."""

    slug: str
    title: str
    revision: str
    page: Path
    new: bool
    verdict: str
    warnings: tuple[str, ...]


def load(folder: Path) -> Beat:
    """The beat of a folder, its policy names checked."""
    return beatfile.load(folder, known_policy=DEFAULTS)


def identity_of(beat: Beat) -> str:
    """Identity of the revision that this beat would make: inputs, settings, program version."""
    listed = [*(("stem", s.file, s.path) for s in beat.stems), *(("drum", d.file, d.path) for d in beat.drums)]
    listed += [("settings", path.name, path) for path in beat.config_files]
    listed += [("reference", path.name, path) for path in beat.references]
    digests = workers.side_by_side(_hash, [path for _, _, path in listed], ahead=len(listed))
    hashed = [(f"{kind}:{file}", digest) for (kind, file, _), digest in zip(listed, digests, strict=True)]
    settings = {
        "slug": beat.slug, "title": beat.title, "format": FORMAT_VERSION, "policy": dict(Policy(beat.policy)),
    }  # fmt: skip
    return identity(hashed, settings, __version__)


def build(folder: Path, archive: Archive, *, cache: Cache, made: str, say: Say, jobs: int = 1) -> Built:
    """Build the dossier of one beat folder into an archive.

    Parameters
    ----------
    folder, archive, cache
        Where the beat lies, where its revision goes, where measurements of files are kept.
    made
        The time that the revision carries (ISO 8601, UTC).
    say
        Gets a word at each stage.
    jobs
        Processes to use; the result does not depend on it.

    Raises
    ------
    DossierError
        The folder, its audio or the archive cannot be used; nothing was published then.
    """
    beat = load(folder)
    mark = identity_of(beat)
    known = archive.find(beat.slug, mark)
    if known is not None:
        return _unchanged(archive, beat, known)

    if archive.latest(beat.slug) is None:  # of a beat that was built before most is kept
        workers.get_ready(jobs, _ready)
    with ThreadPoolExecutor(max_workers=workers.cores()) as beside:
        return _made(beat, archive, mark, beside, cache=cache, made=made, say=say, jobs=jobs)


def _made(
    beat: Beat, archive: Archive, mark: str, beside: Executor, *, cache: Cache, made: str, say: Say, jobs: int
) -> Built:
    """The whole way of one beat; `beside` are threads for what can be done meanwhile."""
    from dossier.measure import hearing, loudness
    from dossier.render import page as pages
    from dossier.stages import (
        again,
        analyse,
        assemble,
        lowend,
        mix,
        placing,
        produce,
        rank,
        robust,
        settle,
        translate,
        treatments,
    )

    beside.submit(loudness.k_weight_db, (1000.0,))  # loads the filters
    beside.submit(pages.get_ready)
    analysis = analyse.analyse(beat, cache=cache, say=say)
    groove = placing.groove_of(analysis)
    say("placing and ranking the candidates")
    ranking = rank.rank(analysis, groove)
    say("searching treatments")
    first = settle.contenders(analysis, ranking)
    treated = treatments.search_plans(analysis, ranking, first, jobs=jobs)
    with_plans = treatments.treated_ranking(analysis, ranking, treated)
    settled_on = settle.contenders(analysis, with_plans, treated=True, way=first.direction)
    say("balancing")
    chosen, others = settle.chosen_placed(settled_on, with_plans)
    settled = settle.settle(
        analysis, ranking.slots,
        [treatments.treated_part(item, treated) for item in chosen],
        [treatments.treated_part(item, treated) for item in others],
        [item for item in (*ranking.loops, *ranking.one_shots) if item.closely],
    )
    mixing = beside.submit(mix.rough_mix, analysis, settled)
    meeting = beside.submit(lowend.measure, analysis, settled)
    approach = robust.hedge(analysis, with_plans, settled_on)
    settled = robust.with_ranges(analysis, settled, ranking.slots)
    previews = produce.previews(analysis, ranking, settled, treated)
    low, mixed = meeting.result(), mixing.result()
    travels = translate.measure(analysis, settled, mixed, ranking.slots)
    say("rendering")
    renders = {**produce.renders(analysis, groove, settled, mixed, treated), **low.renders}
    renders |= treatments.whole_kit_render(analysis, ranking, treated)
    assets = PageAssets(previews=previews, what_if=produce.what_if(analysis, settled, mixed))

    with archive.lock():
        known = archive.find(beat.slug, mark)  # another build may have been faster
        if known is not None:
            return _unchanged(archive, beat, known)
        previous = archive.latest(beat.slug)
        data = assemble.assemble(
            analysis, groove, ranking, approach, treated, settled,
            balance=mix.balance(analysis, settled, mixed.mix), low_end=low.finding, translation=travels,
            revision=RevisionInfo(
                id=archive.next_revision(beat.slug), made=made, identity=mark,
                previous=previous.revision.id if previous else None,
            ),
            version=__version__, decisions=archive.decisions(beat.slug), renders=tuple(renders),
        )  # fmt: skip
        if previous is not None:
            data = replace(data, revision=replace(data.revision, changes=changes(previous, data)))
            renders = again.from_earlier(renders, archive.renders_of(previous.beat.slug, previous.revision.id))
        html = partial(pages.render_dossier, data, assets, hearing_constants=hearing.page_constants())
        page = archive.publish(data, html, renders)
    return Built(
        slug=beat.slug, title=beat.title, revision=data.revision.id, page=page, new=True,
        verdict=approach.verdict, warnings=data.warnings,
    )  # fmt: skip


def index(archive: Archive) -> Path:
    """Rebuild the archive page from the data files alone."""
    from dossier.render.index import render_archive

    return archive.write_index(render_archive)


def check(folders: Iterable[Path]) -> list[tuple[Path, str | None]]:
    """Validate beats without building: the folder, and what is wrong with it (None: nothing)."""
    from dossier.errors import BeatError

    found: list[tuple[Path, str | None]] = []
    for folder in folders:
        try:
            beat = load(folder)
        except BeatError as error:
            found.append((folder, str(error)))
            continue
        problems = []
        for shown, path in [*((s.file, s.path) for s in beat.stems), *((d.file, d.path) for d in beat.drums)]:
            try:
                audio.read(path, shown_as=shown)
            except AudioError as error:
                problems.append(str(error))
        found.append((folder, "\n".join(problems) or None))
    return found


def _ready() -> None:
    """What a helper process needs for a search: modules and tables."""
    from dossier.measure import hearing
    from dossier.stages import treatments  # noqa: F401

    hearing.ear()


def _unchanged(archive: Archive, beat: Beat, known: RevisionInfo) -> Built:
    data = archive.latest(beat.slug)
    if data is None:
        raise ArchiveError(f"{beat.slug}: its data files cannot be read; rebuild into another archive folder")
    page = archive.root / beat.slug / f"{beat.slug}-{known.id}.html"
    return Built(
        slug=beat.slug, title=beat.title, revision=known.id, page=page, new=False, verdict=data.approach.verdict,
        warnings=(),
    )  # fmt: skip


def _hash(path: Path) -> str:
    """Hash of a file's content; of an unreadable file, nothing: it is the same revision until it can be read."""
    try:
        return audio.sha256(path)
    except AudioError:
        return ""
