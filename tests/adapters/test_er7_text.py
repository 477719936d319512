r"""Delimiters, escapes, character sets. Source: HL7 v2, edition 2.9.1, 2.5.4, 2.6 and table 0211.

"Unknown escapes stay" and the order of character sets are common practice, no source.
"""

import codecs
import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.adapters.er7_text import CODECS, NULL, USUAL, Delimiters, decode, read_delimiters
from gateway.errors import UnreadableMessage

TABLE_0211 = Path(__file__).parents[3] / "shared/standards/tables/v2-0211.csv"
SIGNS = "!#$%&'()*+,-./:;<=>?@[\\]^_`{|}~"

delimiters = st.permutations(SIGNS).flatmap(
    lambda signs: st.sampled_from([read_delimiters(signs[0], "".join(signs[1:n])) for n in (5, 6)])
)


@pytest.mark.parametrize(
    ("text", "meaning"),
    [
        (r"Gull\T\Landing", "Gull&Landing"),
        (r"\F\\S\\T\\R\\E\ ", "|^&~\\ "),
        (r"\E\F\E\ ", "\\F\\ "),  # escapes do not nest
        (r"\H\bold\N\ ", r"\H\bold\N\ "),  # formatted text only
        (r"\X41\ ", r"\X41\ "),
        (r"\P\ ", r"\P\ "),  # no truncation character is declared
        (r"C:\data", r"C:\data"),
        (r"a\b\T\c", r"a\b&c"),  # a lone escape character pairs with nothing
        (r"\Zlocal\T\ ", r"\Zlocal\T\ "),  # the local sequence ends where it ends
    ],
)
def test_escapes_of_any_component(text: str, meaning: str) -> None:
    assert USUAL.unescape(text) == meaning


@pytest.mark.parametrize(
    ("text", "meaning"),
    [
        (r"one\.br\two", "one\ntwo"),
        (r"one\.sp2\two\.sp\three", "one\n\ntwo\nthree"),
        (r"one\.sk 3\two", "one   two"),
        (r"\.ce\title\.fi\\.nf\\.in+4\\.ti-2\text", "\ntitletext"),
        (r"\H\loud\N\ and \T\ ", "loud and & "),
        (r"one\X0D0A\two\X0D\three", "one\ntwo\nthree"),
        (r"\Xc3a9\ ", "é "),
        (r"\XFF\ ", r"\XFF\ "),  # not in the character set: stays
        (r"\X00\ ", r"\X00\ "),  # no text: stays
        (r"\.sp999999999\ ", r"\.sp999999999\ "),  # no layout: stays
        (r"\C2842\ \M2442\ \Z1\ ", r"\C2842\ \M2442\ \Z1\ "),
    ],
)
def test_escapes_of_formatted_text(text: str, meaning: str) -> None:
    assert USUAL.unescape_formatted(text) == meaning


def test_the_truncation_character_can_be_escaped_where_it_is_declared() -> None:
    """HL7 v2.7, 2.5.5.2."""
    seven = read_delimiters("|", "^~\\&#")
    assert seven.escape_text("#1") == r"\P\1"
    assert seven.unescape(r"\P\1") == "#1"
    assert USUAL.escape_text("#1") == "#1"


@given(st.text(), delimiters)
def test_escape_and_unescape_are_a_pair(text: str, marks: Delimiters) -> None:
    escaped = marks.escape_text(text)
    assert marks.unescape(escaped) == text
    assert not set(escaped) & {marks.field, marks.component, marks.repetition, marks.subcomponent}


@given(st.text(alphabet="\\.XZCM0F&^TE brspkH", max_size=40))
def test_no_text_makes_unescaping_fail_or_grow_without_bound(text: str) -> None:
    assert len(USUAL.unescape(text)) <= len(text)
    assert len(USUAL.unescape_formatted(text)) <= 100 * len(text)


@pytest.mark.parametrize(
    ("separator", "characters", "reason"),
    [
        ("|", "^~&", "four or five"),
        ("|", "^~\\&#$", "four or five"),
        ("|", "", "four or five"),
        ("|", "^^\\&", "two purposes"),
        ("^", "^~\\&", "two purposes"),
        ("|", "^~\\a", "cannot be a delimiter"),
        ("|", "^~\\ ", "cannot be a delimiter"),
        ("|", "^~\\\x7f", "cannot be a delimiter"),
        ("|", "^~\\§", "cannot be a delimiter"),
        ("|", '^~\\"', "cannot be a delimiter"),
        ("H", "^~\\&", "cannot be a delimiter"),
    ],
)
def test_delimiters_that_would_mix_up_fields_are_refused(separator: str, characters: str, reason: str) -> None:
    with pytest.raises(UnreadableMessage, match=reason) as caught:
        read_delimiters(separator, characters)
    assert caught.value.code == "encoding-characters"


def test_parts_of_a_repetition() -> None:
    """CX (2A.2.14): the assigning authority is component 4, its universal id subcomponent 2."""
    text = r"4711^^^ANVIL&2.999.10&ISO^MR^\T\ "
    assert USUAL.part(text) == "4711"
    assert USUAL.part(text, 4) == "ANVIL"
    assert USUAL.part(text, 4, 2) == "2.999.10"
    assert USUAL.part(text, 2) is None
    assert USUAL.part(text, 6) == "& "
    assert USUAL.part(text, 9) is None
    assert USUAL.part("E", 1, 2) is None


def test_the_delete_indicator_holds_for_all_that_is_in_it() -> None:
    """2.4.3.1: exactly two quotes, alone."""
    assert USUAL.part('""') is NULL
    assert USUAL.part('""', 4) is NULL
    assert USUAL.part('FERN^""', 2) is NULL
    assert USUAL.part('FERN^""', 2, 3) is NULL
    assert USUAL.part('FERN^""&X', 2, 1) is NULL
    assert USUAL.part('""FERN') == '""FERN'


# ── character sets ─────────────────────────────────────────────────────────────────────────────────


@pytest.mark.skipif(not TABLE_0211.exists(), reason="table 0211 lies beside the project, and is not here")
def test_every_character_set_of_table_0211_is_known_or_known_to_be_impossible() -> None:
    with TABLE_0211.open(encoding="utf-8") as file:
        names = {row["code"] for row in csv.DictReader(file)}
    # JAS2020 and JIS X 0202 are deprecated families; CNS has no codec; the UTF-16 and -32 forms cannot travel in MLLP
    without = {"JAS2020", "JIS X 0202", "CNS 11643-1992", "UNICODE UTF-16", "UNICODE UTF-32"}
    assert names - set(CODECS) == without


def test_every_codec_named_exists() -> None:
    for codec in CODECS.values():
        assert codecs.lookup(codec)


@pytest.mark.parametrize(
    ("data", "declared", "text", "codec", "findings"),
    [
        ("Åse".encode(), "UNICODE UTF-8", "Åse", "utf-8", ()),
        ("Åse".encode("latin-1"), "8859/1", "Åse", "iso8859-1", ()),
        ("Åse".encode(), "", "Åse", "utf-8", ("hl7-charset-mismatch",)),
        ("Åse".encode("latin-1"), "", "Åse", "cp1252", ("hl7-charset-mismatch",)),
        ("Åse".encode("latin-1"), "UNICODE UTF-8", "Åse", "cp1252", ("hl7-charset-mismatch",)),
        ("Åse".encode(), "LOCAL", "Åse", "utf-8", ("hl7-charset-unknown",)),
        (b"\x81\xff", "", "\x81ÿ", "latin-1", ("hl7-charset-mismatch",)),  # 0x81 is not in cp1252
    ],
)
def test_bytes_are_read_as_declared_else_utf_8_else_the_fallback(
    data: bytes, declared: str, text: str, codec: str, findings: tuple[str, ...]
) -> None:
    assert decode(data, declared, fallback="cp1252") == (text, codec, findings)


@given(st.binary(), st.sampled_from([*CODECS, "LOCAL"]))
def test_no_byte_is_ever_dropped(data: bytes, declared: str) -> None:
    decoded = decode(data, declared, fallback="cp1252")
    if decoded.codec in {"utf-8", "cp1252", "latin-1", "ascii"} or decoded.codec.startswith("iso8859"):
        assert decoded.text.encode(decoded.codec) == data
