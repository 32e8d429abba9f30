"""Names made safe: slugs, titles, what is printed, what is suggested."""

from __future__ import annotations

import re

from hypothesis import given, settings
from hypothesis import strategies as st

from dossier.model.vocabulary import ROLES
from dossier.names import MAX_SLUG, clean, nearest, printable, slug


def test_slugs() -> None:
    for title, wanted in (
        ("Lantern Market", "lantern-market"), ("  Don't   Stop & Go!  ", "dont-stop-and-go"), ("CON", "con-beat"),
        ("\u00c6r\u00f8 \u2013 \u0141\u00f3d\u017a, Stra\u00dfe", "aero-lodz-strasse"),
        ("../../etc/passwd", "etc-passwd"), ('"><img onerror=alert(1)>', "img-onerror-alert-1"),
        ("\u202eevil\u202c", "evil"), ("\uff11\uff12 Steps", "12-steps"),
    ):  # fmt: skip
        assert slug(title) == wanted


def test_slugs_of_what_has_few_letters_are_still_apart() -> None:
    for title in ("", "..", "\u202e", "/", "\u591c\u5e02", "\u591c\u5e02 mix", "\u671d mix", "x" * 300, "\udcff"):
        assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*-[0-9a-f]{6}", slug(title))
        assert len(slug(title)) <= MAX_SLUG


def test_titles_in_other_scripts_do_not_fall_together() -> None:
    assert len({slug(title) for title in ("\u591c\u5e02 mix", "\u671d mix", "mix", "\u591c\u5e02", "\u671d")}) == 5


@given(st.text(max_size=120))
@settings(deadline=None)
def test_any_title_gives_a_safe_slug(title: str) -> None:
    """Invariant."""
    made = slug(title)
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", made)
    assert len(made) <= MAX_SLUG
    assert slug(title) == made


@given(st.text(max_size=60))
def test_cleaned_text_stays_clean(text: str) -> None:
    """Invariant: idempotent, one line, no hidden characters, writable as UTF-8."""
    once = clean(text)
    assert clean(once) == once
    assert printable(once) == once
    assert once.encode().decode() == once
    assert "\n" not in once


@given(st.text(max_size=60))
def test_printable_text_stays_printable(text: str) -> None:
    """Invariant: escapes are plain text; what can be seen is kept."""
    assert printable(printable(text)) == printable(text)
    assert printable(text).encode().decode() == printable(text)


def test_suggestions_are_near() -> None:
    assert nearest("kik", ROLES) == "kick"
    assert nearest("OPEN HAT", ROLES) == "open-hat"
    assert nearest("didgeridoo", ROLES) is None
