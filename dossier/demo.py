"""The demo: three invented beats, built into an archive, so that a newcomer sees in a minute what the program does.

One beat has a history: a first revision, the artist's answer to it, and a second revision that follows the answer.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable
from functools import partial
from pathlib import Path

import msgspec

from dossier import pipeline
from dossier.archive import Archive
from dossier.cache import Cache
from dossier.model.datafile import DossierData, Mark, Response
from dossier.parallel import cores, process_map

Say = Callable[[str], None]
Show = Callable[[pipeline.Built], None]

TOLD_FIRST = "night-depot"  # the beat with a history
NOW, BEFORE = "target_loudness = -14.0", "target_loudness = -16.0"  # what its first revision said instead
ANSWER_ID = "demo-answer-1"


def run(out: Path, beats: Path, *, made: str, say: Say, built: Show) -> Path:
    """Write the demo beats to `beats`, build their archive in `out`, several at a time; the archive page."""
    from dossier.demo_beats import write

    say(f"writing the demo beats to {beats}")
    folders = write(beats)
    jobs = cores()
    say(f"building {len(folders)} beats, {min(jobs, len(folders))} at a time; this takes most of a minute")
    # The longest work starts first: the beat with two revisions, then those with the most sound.
    order = sorted(range(len(folders)), key=lambda index: (folders[index].name != TOLD_FIRST, -_bytes(folders[index])))
    told = process_map(partial(_build, out=out, made=made), [folders[index] for index in order], jobs=jobs)
    for _, revisions in sorted(zip(order, told, strict=True), key=lambda pair: pair[0]):
        for revision in revisions:
            built(revision)
    return pipeline.index(Archive(out, say=say))


def _bytes(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.rglob("*.wav"))


def _build(folder: Path, *, out: Path, made: str) -> list[pipeline.Built]:
    """The revisions of one beat."""
    archive, cache = Archive(out), Cache()
    done = []
    if folder.name == TOLD_FIRST and not archive.revisions(TOLD_FIRST):
        first = _first_revision(folder, archive, cache, made=made)
        done += [first] if first is not None else []
    done.append(pipeline.build(folder, archive, cache=cache, made=made, say=_silent))
    return done


def _first_revision(folder: Path, archive: Archive, cache: Cache, *, made: str) -> pipeline.Built | None:
    """Build the beat as it was before the answer, and take the answer in; None where its beat.toml was edited."""
    settings = folder / "beat.toml"
    text = settings.read_text(encoding="utf-8")
    if NOW not in text:
        return None
    with tempfile.TemporaryDirectory() as place:
        earlier = Path(place) / folder.name
        shutil.copytree(folder, earlier, ignore=shutil.ignore_patterns(".*"))
        (earlier / "beat.toml").write_text(text.replace(NOW, BEFORE), encoding="utf-8")
        done = pipeline.build(earlier, archive, cache=cache, made=made, say=_silent)
    answered = any(decision.response_id == ANSWER_ID for decision in archive.decisions(done.slug))
    data = archive.latest(done.slug)
    if not answered and data is not None and data.revision.id == done.revision:
        archive.take_in(msgspec.json.encode(_answer(data, made)))
    return done


def _silent(_: str) -> None:
    """Other processes do not talk into the terminal."""


def _answer(data: DossierData, made: str) -> Response:
    """What the artist sends back: agreed to the approach and the drums, wants the mix louder as a whole."""
    marks = []
    for proposal in data.proposals:
        if proposal.kind == "gain":
            marks.append(Mark(proposal=proposal.id, mark="to change"))
        elif proposal.kind in ("approach", "drums"):
            marks.append(Mark(proposal=proposal.id, mark="agreed"))
    return Response(
        format="dossier response", format_version=1, id=ANSWER_ID, beat=data.beat.slug, revision=data.revision.id,
        identity=data.revision.identity, name=data.beat.artist, made=made, marks=tuple(marks),
        notes="I like the drums. Louder as a whole, please: it is for the car.",
    )  # fmt: skip
