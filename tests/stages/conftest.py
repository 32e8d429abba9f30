"""The small beat, built once a session, and the demo's full beat stage by stage."""

from __future__ import annotations

import shutil

import pytest
from small_beat import MADE, Small, write_beat
from stage_beat import InStages
from tests_support import Demo

from dossier import inputs, pipeline, stages
from dossier.archive import Archive
from dossier.cache import Cache


@pytest.fixture(scope="session")
def small(tmp_path_factory: pytest.TempPathFactory) -> Small:
    root = tmp_path_factory.mktemp("small")
    folder = root / "paper-harbour"
    write_beat(folder)
    archive, cache = Archive(root / "site"), Cache(root / "cache")
    built = pipeline.build(folder, archive, cache=cache, made=MADE, say=lambda _: None)
    data = archive.latest(built.slug)
    assert data is not None
    return Small(folder=folder, archive=archive, cache=cache, built=built, data=data)


@pytest.fixture(scope="session")
def market(demo: Demo, tmp_path_factory: pytest.TempPathFactory) -> InStages:
    """Lantern Market as far as its balance, worked out anew from a copy: nothing that other tests leave is found."""
    root = tmp_path_factory.mktemp("market")
    beats = shutil.copytree(demo.audio, root / "audio")
    cache = Cache(root / "cache")
    analysis, memo = stages.analyse(inputs.load(beats / "lantern-market"), cache, lambda _: None)
    analysis, memo, ranking = stages.place(analysis, memo, stages.rank(analysis, memo))
    way, treated = stages.treat(analysis, ranking, memo)
    choice = stages.choose(analysis, ranking, treated, way, memo)
    return InStages(analysis, choice, stages.balance(analysis, choice, memo))
