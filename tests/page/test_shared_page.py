"""A beat that was sent as one file, opened where it was unpacked."""

from __future__ import annotations

import shutil
import zipfile
from pathlib import Path
from typing import Any

import sample_data
import sample_pages
from msgspec.structs import replace

from dossier.archive import Archive
from dossier.archive.share import share


def test_a_page_opens_wherever_it_is_unpacked(browser: Any, tmp_path: Path) -> None:
    """The archive that it came from is gone by then; nothing but the page itself is asked for."""
    data = sample_data.sample()
    data = replace(data, revision=replace(data.revision, id="r001", previous=None), renders=("rough-mix.flac",))
    archive = Archive(tmp_path / "site")
    archive.publish(data, sample_pages.html("sample"), {"rough-mix.flac": b"fLaC"})
    sent = share(archive, data.beat.slug, target=tmp_path / "sent.zip").path
    shutil.rmtree(archive.root)
    with zipfile.ZipFile(sent) as packed:
        packed.extractall(tmp_path / "somewhere else")
    (page,) = (tmp_path / "somewhere else").rglob("*.html")
    asked: list[str] = []
    with browser.new_context() as context:
        tab = context.new_page()
        tab.on("request", lambda request: asked.append(request.url))
        tab.goto(page.as_uri())
        tab.wait_for_selector("html[data-ready=all]", timeout=60_000)
        assert data.beat.title in tab.title()
    assert [url for url in asked if not url.startswith(("data:", "blob:"))] == [page.as_uri()]
