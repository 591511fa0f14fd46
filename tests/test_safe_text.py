"""The border for foreign text; the hostile characters are those of FAULTS and of Unicode's own categories."""

import unicodedata

from hypothesis import given
from hypothesis import strategies as st

from analysis.safe_text import file_slug, safe_text


def test_escape_sequences_controls_and_bidi_overrides_do_not_pass() -> None:
    hostile = "a\x1b[2J\x9b\x07\u202e\u2028\u2066b\ud800"
    assert safe_text(hostile).startswith("a\ufffd[2J")
    assert not any(unicodedata.category(c).startswith("C") for c in safe_text(hostile))


@given(st.text(max_size=400), st.integers(1, 80))
def test_any_text_becomes_printable_and_short(text: str, limit: int) -> None:
    clean = safe_text(text, limit)
    assert len(clean) <= limit
    assert not any(unicodedata.category(c)[0] == "C" or c in "\u2028\u2029" for c in clean)
    assert safe_text(clean, limit) == clean


@given(st.binary(max_size=400))
def test_any_bytes_become_text(data: bytes) -> None:
    assert len(safe_text(data)) <= 64


@given(st.text(max_size=200))
def test_any_text_becomes_a_file_name_part(text: str) -> None:
    slug = file_slug(text)
    assert 1 <= len(slug) <= 70
    assert set(slug) <= set("abcdefghijklmnopqrstuvwxyz0123456789.-")
    assert not slug.startswith((".", "-"))


def test_reserved_names_are_not_used() -> None:
    assert file_slug("CON") == "ride-con"
    assert file_slug("../../etc/passwd") == "etc-passwd"
