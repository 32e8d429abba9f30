"""Nothing in the data leads a page away: no refresh, form, base element, frame or foreign link comes alive from a text.

What opens the pages is the fixture `browser`; with another browser there, all of this holds for that one too.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import sample_data
import sample_pages

from dossier.archive import Archive
from dossier.archive.dataformat import encode
from dossier.render.index import render_archive

AWAY = "https://led-away.invalid/"
LEADING = {
    "refresh": f'"\'></p></script></style></title></textarea><meta http-equiv="refresh" content="0;url={AWAY}">',
    "base": f'"\'></p></script></style></title><base href="{AWAY}" target="_top">',
    "form": f'"\'></p></script></title><form action="{AWAY}"><input autofocus><button id="go">x</button></form>',
    "frame": f'"\'></p></script></title><iframe src="{AWAY}"></iframe><embed src="{AWAY}">',
    "link": f'"\'></p></script></title><a id="go" href="{AWAY}">x</a><link rel="stylesheet" href="{AWAY}">',
    "script link": "\"'></p></script></title><a id=\"go\" href=\"javascript:location='" + AWAY + "'\">x</a>",
    "drawing": f'"\'></p></script></title><svg><a id="go" xlink:href="{AWAY}"><text>x</text></a></svg>',
    "comment": f'--><!--><meta http-equiv=refresh content="0;{AWAY}"><!--',
    "style": f"</style><style>@import '{AWAY}';",
    "script": f"</script><script>location = '{AWAY}'</script>", "template": "{{ 7 * 7 }}{% raw %}${location='x'}`",
    "data": f"]]></script>\u2028';location='{AWAY}'//", "handler": f'" autofocus onfocus="location=\'{AWAY}\'" x="',
}  # fmt: skip
COUNTED = ("base", "form", "iframe", "object", "embed", "meta", "link", "script", "style", "img[onerror]", "#go")


@pytest.fixture
def tab(browser: Any) -> Any:
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    page.asked = []
    page.answered, page.refused = [], []
    page.on("request", lambda request: page.asked.append(request.url))
    page.on("response", lambda response: page.answered.append(response.url))
    page.on("requestfailed", lambda request: page.refused.append((request.url, request.failure)))
    yield page
    context.close()


def look(tab: Any, path: Path) -> dict[str, int]:
    """Open a page, wait as long as a refresh would take, and count what could lead away from it."""
    tab.goto(path.as_uri())
    tab.wait_for_timeout(600)
    assert tab.url == path.as_uri()
    assert [url for url in tab.asked if not url.startswith(("data:", "blob:"))] == [path.as_uri()]
    schemes = tab.evaluate("() => [...document.querySelectorAll('a')].map((a) => a.href.baseVal ?? a.protocol)")
    assert set(schemes) <= {"file:", "data:", "blob:", ""}, schemes
    tab.asked.clear()
    found: dict[str, int] = tab.evaluate(
        "(names) => Object.fromEntries(names.map((n) => [n, document.querySelectorAll(n).length]))", list(COUNTED)
    )
    return found


@pytest.mark.parametrize("what", ["refresh", "all"])
def test_no_text_of_the_data_leads_a_page_away(
    what: str, tab: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every text that a user can write ends so, in the dossier and in the archive page; both are as before."""
    plain, archive = sample_data.sample(), Archive(tmp_path / "site")
    (tmp_path / "plain.html").write_text(sample_pages.render(plain), encoding="utf-8")
    monkeypatch.setattr(sample_data, "HOSTILE", LEADING.get(what) or " ".join(LEADING.values()))
    data = sample_data.hostile()
    page = sample_pages.render(data)
    assert page.count("led-away") > 50
    (tmp_path / "page.html").write_text(page, encoding="utf-8")
    assert look(tab, tmp_path / "page.html") == look(tab, tmp_path / "plain.html")
    for root, told in ((archive.root, data), (tmp_path / "other", plain)):
        folder = root / told.beat.slug
        folder.mkdir(parents=True)
        (folder / f"{told.beat.slug}-{told.revision.id}.json").write_bytes(encode(told))
    wanted = look(tab, Archive(tmp_path / "other").write_index(render_archive))
    found = look(tab, archive.write_index(render_archive))
    assert found == wanted
    assert len(archive.index().beats) == 1


def test_the_policy_holds_a_page_even_where_markup_got_in(tab: Any, tmp_path: Path) -> None:
    """A base element, a form, a frame and a request that a script puts in are all refused."""
    path = tmp_path / "page.html"
    path.write_text(sample_pages.html("bare"), encoding="utf-8")
    look(tab, path)
    tab.evaluate(
        """(away) => {
        document.head.insertAdjacentHTML('afterbegin', `<base href="${away}">`);
        document.body.insertAdjacentHTML('beforeend', `<form id=f action="${away}"></form>
            <iframe src="${away}"></iframe>
            <img src="${away}"><link rel=stylesheet href="${away}"><audio src="${away}"></audio>`);
        document.getElementById('f').submit(); }""",
        AWAY,
    )
    tab.wait_for_timeout(600)
    assert tab.evaluate("() => document.baseURI") == path.as_uri()
    assert tab.url == path.as_uri()
    assert [url for url in tab.answered if "led-away" in url] == []
    assert {why for url, why in tab.refused if "led-away" in url} <= {"csp"}
