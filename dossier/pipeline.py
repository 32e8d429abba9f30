"""The one place that joins the stages.

    Beat -> Audio -> Measurements -> Findings -> View -> HTML

`build` runs a beat from its folder to a revision in the archive; a beat whose inputs, settings and program version are
those of an earlier revision makes no new one.  The clock is passed in (`made`), so that the same input gives the same
bytes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from dossier import __version__, audio, beatfile, workers
from dossier.archive import Archive
from dossier.archive.changes import changes
from dossier.archive.revisions import identity
from dossier.cache import Cache
from dossier.decide.policy import DEFAULTS, Policy
from dossier.errors import ArchiveError, AudioError
from dossier.model.beat import Beat
from dossier.model.datafile import FORMAT_VERSION, DossierData, RevisionInfo
from dossier.model.page import PageAssets

Say = Callable[[str], None]
Out = TypeVar("Out")


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


def identity_of(beat: Beat, *, leaving: int = 0) -> str:
    """Identity of the revision that this beat would make: inputs, settings, program version.

    `leaving`: cores that are busy otherwise.
    """
    listed = [*(("stem", s.file, s.path) for s in beat.stems), *(("drum", d.file, d.path) for d in beat.drums)]
    listed += [("settings", path.name, path) for path in beat.config_files]
    listed += [("reference", path.name, path) for path in beat.references]
    digests = workers.side_by_side(_hash, [path for _, _, path in listed], ahead=len(listed), leaving=leaving)
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
    with ThreadPoolExecutor(max_workers=workers.cores() + 1) as beside:
        before = archive.latest(beat.slug)
        if before is None:  # of a beat that was built before most is kept
            workers.get_ready(jobs, _ready)
        sure = before is None or _another_drum(beat, before)  # to have something to measure, whatever the stems are
        loading = beside.submit(_load_filters) if sure else None
        mark = identity_of(beat, leaving=int(sure))
        known = archive.find(beat.slug, mark)
        if known is not None:
            return _unchanged(archive, beat, known)
        looking: list[Future[Any]] = []
        if before is not None and sure and _same_music(beat, before):  # at what may be copied, beside what is loaded
            earlier = archive.renders_of(before.beat.slug, before.revision.id)
            looking.append(beside.submit(lambda: [_hash(path) for path in sorted(earlier.glob("*.wav"))]))
        (loading or beside.submit(_load_filters)).result()
        return _made(beat, archive, mark, beside, looking, cache=cache, made=made, say=say, jobs=jobs)


def _made(
    beat: Beat, archive: Archive, mark: str, beside: Executor, begun: Sequence[Future[Any]], *, cache: Cache, made: str,
    say: Say, jobs: int,
) -> Built:  # fmt: skip
    """The whole way of one beat; `beside` are threads for what can be done meanwhile, and what they have begun."""
    from dossier.measure import hearing
    from dossier.render.page import render_dossier
    from dossier.stages import (
        again,
        analyse,
        assemble,
        low_end,
        mix,
        placing,
        produce,
        rank,
        robust,
        settle,
        together,
        translate,
        treatments,
    )
    analysis = analyse.analyse(beat, cache=cache, say=say)
    groove = placing.groove_of(analysis)
    say("placing and ranking the candidates")
    ranking = rank.rank(analysis, groove)
    say("searching treatments")
    first = settle.contenders(analysis, ranking)
    wait(begun)  # the process may be copied only while no thread is at work
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
    hedging = partial(robust.hedge, analysis, with_plans, settled_on)
    joining = partial(together.measure, analysis, ranking, settled)
    judged = workers.apart(lambda: (hedging(), joining()))  # while no thread is at work
    whole_kit = treatments.whole_kit_render(analysis, ranking, treated, beside=beside)
    size = analysis.instrumental.nbytes
    mixing = beside.submit(_in_turn, size, partial(mix.rough_mix, analysis, settled))
    meeting = beside.submit(_in_turn, size, partial(low_end.measure, analysis, settled))
    blocks = beside.submit(_in_turn, size, partial(produce.part_blocks, analysis, settled))
    settled = robust.with_ranges(analysis, settled, ranking.slots)
    previews = produce.previews(analysis, ranking, settled, treated)
    low, mixed = meeting.result(), mixing.result()
    travels = translate.measure(analysis, settled, mixed, ranking.slots)
    approach, whole = judged()
    say("rendering")
    renders = again.long_first(
        {**whole_kit, **produce.renders(analysis, groove, settled, mixed, treated), **low.renders}
    )
    what_if = produce.what_if(analysis, settled, blocks.result(), mix_gain_db=mixed.mix.gain_db)

    beside.shutdown()  # from here on no thread is at work
    with archive.lock():
        known = archive.find(beat.slug, mark)  # another build may have been faster
        if known is not None:
            return _unchanged(archive, beat, known)
        previous = archive.latest(beat.slug)
        data = assemble.assemble(
            analysis, groove, ranking, approach, treated, settled,
            together=whole, balance=mix.balance(analysis, settled, mixed.mix), low_end=low.finding,
            translation=travels,
            revision=RevisionInfo(
                id=archive.next_revision(beat.slug), made=made, identity=mark,
                previous=previous.revision.id if previous else None,
            ),
            version=__version__, decisions=archive.decisions(beat.slug), renders=tuple(renders),
        )  # fmt: skip
        if previous is not None:
            data = replace(data, revision=replace(data.revision, changes=changes(previous, data)))
            renders = again.from_earlier(renders, archive.renders_of(previous.beat.slug, previous.revision.id))
        assets = PageAssets(previews=previews, what_if=what_if, standing=archive.standing_with(data))
        html = render_dossier(data, assets, hearing_constants=hearing.page_constants())
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


def _another_drum(beat: Beat, before: DossierData) -> bool:
    """Whether a drum's content is none that the earlier revision looked at."""
    seen = {entry.sha256 for entry in before.inputs if entry.kind == "drum"}
    return any(digest not in seen for digest in workers.side_by_side(_hash, [drum.path for drum in beat.drums]))


def _same_music(beat: Beat, before: DossierData) -> bool:
    """Whether the earlier revision looked at these stems, with these settings and references."""
    seen = {entry.sha256 for entry in before.inputs if entry.kind != "drum"}
    paths = [*(stem.path for stem in beat.stems), *beat.config_files, *beat.references]
    return {_hash(path) for path in paths} == seen


def _load_filters() -> None:
    """They take a while to load, and everything that is measured needs them."""
    from dossier.measure import loudness

    loudness.k_weight_db((1000.0,))


def _in_turn(size_bytes: int, function: Callable[[], Out]) -> Out:
    from dossier.stages.keep import turn

    with turn(size_bytes):
        return function()


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
