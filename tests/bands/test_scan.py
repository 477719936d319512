"""What scanners and keyboards send: the order of intake, GS1, foreign symbols, hostile text, bands in prose."""

from collections.abc import Iterable
from itertools import combinations

import pytest
import segno
import zxingcpp
from hypothesis import given, settings
from hypothesis import strategies as st
from stdnum import gs1_128

from gateway.bands.scan import LONGEST, SYMBOLOGIES, Band, NotABand, find_in_text, read
from gateway.bands.scheme import DIGITS, LETTERS, SEPARATORS, Scheme
from gateway.findings import FINDINGS

from .schemes import GSRN, SCHEMES, YARROWFEN
from .test_scheme import identifiers, scheme_with

GSRN_EXAMPLE = "061414112345678902"  # EPC Tag Data Standard: urn:epc:id:gsrn:0614141.1234567890
ELEMENTS = "8018" + GSRN_EXAMPLE


def canonical(raw: str, schemes: tuple[Scheme, ...] = SCHEMES) -> str:
    band = read(raw, schemes)
    assert isinstance(band, Band), band
    return band.canonical


def refusal(raw: str, schemes: tuple[Scheme, ...] = SCHEMES) -> str:
    answer = read(raw, schemes)
    assert isinstance(answer, NotABand), answer
    assert answer.code in FINDINGS
    return answer.code


# ── plain identifiers ──────────────────────────────────────────────────────────────────────────────


def test_a_clean_identifier() -> None:
    assert read("YF7K4M2QG", SCHEMES) == Band(canonical="YF7K4M2QG", scheme="yarrowfen")


def test_a_training_band() -> None:
    assert read("YT7K4M2QC", SCHEMES) == Band(canonical="YT7K4M2QC", scheme="yarrowfen", training=True)


def test_folding_is_told() -> None:
    assert read("YF7K4MZQG", SCHEMES) == Band(canonical="YF7K4M2QG", scheme="yarrowfen", folded=True)


@pytest.mark.parametrize(
    "raw",
    [
        "yf7-k4m-2qg",
        "yF7k4m2Qg",  # Caps Lock on, Shift held
        "YF7 K4M 2QG",
        "YF7.K4M.2QG",
        "YF7_K4M_2QG",
        "YF7\u2013K4M\u20132QG",  # smart punctuation
        "YF7\u00a0K4M\u00a02QG",
        "  YF7K4M2QG\r\n",
        "\tYF7K4M2QG\t",
        "\x02YF7K4M2QG\x03",
        "\ufeffYF7K4M2QG\u200b",
        "ＹＦ７Ｋ４Ｍ２ＱＧ",  # full-width, as an input method types it
        "~YF7K4M2QG#\r",
        "band:YF7K4M2QG",
        "]C0YF7K4M2QG\r",
        "]Q1YF7K4M2QG",
        "]d1YF7K4M2QG",
        "~]C0YF7K4M2QG#",
        "]C0~YF7K4M2QG#",
    ],
)
def test_the_same_band(raw: str) -> None:
    band = read(raw, SCHEMES)
    assert isinstance(band, Band)
    assert (band.canonical, band.folded) == ("YF7K4M2QG", False)


@pytest.mark.parametrize(
    ("raw", "code"),
    [
        ("YF74KM2QG", "band-check"),
        ("YF7N4M2QG", "band-check"),
        ("YT7K4M2QG", "band-check"),
        ("YF7K4M2OG", "band-check"),
        ("YF7U4M2QG", "band-pattern"),
        ("YF7K4M2Q", "band-pattern"),
        ("7K4M2QG", "band-pattern"),  # half a scan after the focus moved
        ("YF7K4M2QGYF7K4M2QG", "band-pattern"),  # two scans run together
        ("ZF7K4M2QG", "band-pattern"),  # wrong keyboard layout, Y and Z exchanged
        ("YF7K4M2QG\x1d", "band-pattern"),
        ("12E34567", "band-pattern"),
        ("", "band-pattern"),
        ("\x00", "band-pattern"),
        ("]", "band-pattern"),
        ("]C", "band-pattern"),
        ("]C0", "band-pattern"),
        ("Y\u0131F7K4M2QG", "band-pattern"),
        ("YF7K4M2QG" + " " * LONGEST, "band-pattern"),
    ],
)
def test_refused(raw: str, code: str) -> None:
    assert refusal(raw) == code


def test_nothing_is_a_band_where_no_scheme_is_known() -> None:
    assert refusal("YF7K4M2QG", ()) == "band-pattern"


def test_folding_is_only_the_schemes_own() -> None:
    """A number scheme without look-alikes refuses O for 0, whatever its neighbour folds."""
    assert refusal("O" + GSRN_EXAMPLE[1:]) == "band-pattern"
    assert refusal(GSRN_EXAMPLE[:-3] + "9O2") == "band-pattern"


# ── symbology identifiers (ISO/IEC 15424) ──────────────────────────────────────────────────────────


@pytest.mark.parametrize("identifier", ["]e0", "]E0", "]A0", "]L0", "]L2", "]C2", "]c0", "]q1", "]z0"])
def test_symbols_that_no_band_carries(identifier: str) -> None:
    assert refusal(identifier + "YF7K4M2QG") == "band-symbology"


@pytest.mark.parametrize("identifier", ["]C1", "]Q3", "]d2"])
def test_gs1_symbols_carry_elements_only(identifier: str) -> None:
    band = read(identifier + ELEMENTS, SCHEMES)
    assert band == Band(canonical=GSRN_EXAMPLE, scheme="service-relations", symbology=identifier)
    assert refusal(identifier + "YF7K4M2QG") == "band-gs1"


@pytest.mark.parametrize("identifier", ["]C0", "]Q1", "]d1"])
def test_plain_symbols_carry_no_elements(identifier: str) -> None:
    assert refusal(identifier + ELEMENTS) == "band-pattern"
    assert canonical(identifier + GSRN_EXAMPLE) == GSRN_EXAMPLE


# ── GS1 element strings and Digital Links (GS1 General Specifications; EPC Tag Data Standard) ──────


@pytest.mark.parametrize(
    "raw",
    [
        ELEMENTS,
        "(8018)061414112345678902",
        "(8018) 061414112345678902",
        "\x1d" + ELEMENTS + "\x1d",
        "]C1" + ELEMENTS + "\r",
        "https://id.example.org/8018/061414112345678902",
        "HTTPS://ID.EXAMPLE.ORG/8018/061414112345678902/",
        "]Q1https://example.org/some/stem/8018/061414112345678902?linkType=all#top",
        "061414 112345 678902",
    ],
)
def test_the_published_service_relation(raw: str) -> None:
    assert canonical(raw) == GSRN_EXAMPLE


@pytest.mark.parametrize(
    "raw",
    [
        ELEMENTS + "\x1d8019123",
        ELEMENTS + "8019123",  # separator lost, and still certain: 8018 has 18 digits
        ELEMENTS + "^]8019123",
        ELEMENTS + "<GS>8019123",
        ELEMENTS + "<gs>8019123",
        ELEMENTS + "{GS}8019123",
        ELEMENTS + "\\x1d8019123",
        ELEMENTS + "|8019123",
        "8019123\x1d" + ELEMENTS,
        "(8018)061414112345678902(8019)123",
        "(8019)123(8018)061414112345678902",
        "]C1" + ELEMENTS + "\x1d8019123\x1d7240PLAN",
        "https://example.org/8018/061414112345678902/8019/123",
    ],
)
def test_the_instance_beside_the_service_relation(raw: str) -> None:
    band = read(raw, SCHEMES)
    assert isinstance(band, Band)
    assert (band.canonical, band.srin) == (GSRN_EXAMPLE, "123")


def test_a_lost_separator_before_the_service_relation() -> None:
    """The trap: a reader that goes by the table of application identifiers alone finds other numbers."""
    raw = "8019123" + ELEMENTS
    assert "414" in gs1_128.info(raw)  # python-stdnum reads a location number, without a complaint
    assert refusal(raw) == "band-gs1"
    assert refusal("]C1" + raw) == "band-gs1"


@pytest.mark.parametrize(
    "raw",
    [
        ELEMENTS[:-1],
        ELEMENTS + "7",
        ELEMENTS + ELEMENTS,  # two scans run together
        ELEMENTS + "\x1d" + ELEMENTS,
        ELEMENTS + "10LOT",  # anything but 8019 needs its separator
        ELEMENTS + "\x1d8019",
        ELEMENTS + "\x1d801912345678901",
        ELEMENTS + "80191\x1d80192",
        "8019123",
        "]C1",
        "]C110LOT",
        "]Q3https://example.org/8018/061414112345678902",
        "https://example.org/8018/06141411234567890",
        "https://example.org/8019/123/8018/0614141123456789",
        "8018\u0660614141123456789021"[:22],  # an Arabic-Indic digit is no digit of GS1
    ],
)
def test_uncertain_element_strings(raw: str) -> None:
    assert refusal(raw) == "band-gs1"


@pytest.mark.parametrize(
    "raw",
    ["8018061414112345678903", "(8018)061414112345678903", "https://example.org/8018/061414112345678903"],
)
def test_the_digit_of_the_service_relation_is_checked(raw: str) -> None:
    """The trap: python-stdnum's element-string reader does not check it."""
    assert gs1_128.is_valid("8018061414112345678903")
    assert refusal(raw) == "band-gs1-check"


def test_a_service_relation_that_no_scheme_issues() -> None:
    assert refusal(ELEMENTS, (YARROWFEN,)) == "band-pattern"


def test_an_address_is_no_band() -> None:
    assert refusal("https://example.org/YF7K4M2QG") == "band-pattern"
    assert refusal("https://061414112345678902/") == "band-pattern"


def test_a_scheme_whose_prefix_looks_like_gs1() -> None:
    """GS1 company prefixes may begin with 8018; then the printed form is no element string."""
    scheme = scheme_with(
        name="italic", prefix="8018", training_prefix=None, alphabet=DIGITS, check="damm", fold={}, groups=(3, 3, 3)
    )
    identifier = "80181234" + scheme.check_characters("80181234")
    assert canonical(scheme.printed(identifier), (scheme, GSRN)) == identifier
    assert canonical(ELEMENTS, (scheme, GSRN)) == GSRN_EXAMPLE


# ── symbols made and read by others ────────────────────────────────────────────────────────────────


def scanned(barcode: zxingcpp.Barcode) -> str:
    """What a scanner set to send symbology identifiers would type; `bytes` is the form on the wire."""
    return barcode.symbology_identifier + barcode.bytes.decode("ascii")


def drawn(symbol: segno.QRCode) -> memoryview:
    rows = list(symbol.matrix_iter(scale=5, border=4))
    pixels = bytes(0 if dark else 255 for row in rows for dark in row)
    return memoryview(pixels).cast("B", (len(rows), len(rows[0])))


def reread(content: str, symbol: zxingcpp.BarcodeFormat, **options: object) -> zxingcpp.Barcode:
    barcode = zxingcpp.create_barcode(content, symbol, **options)
    (found,) = zxingcpp.read_barcodes(barcode.to_image(scale=4, add_quiet_zones=True))
    return found


PLAIN_SYMBOLS = {
    "]C0": zxingcpp.BarcodeFormat.Code128,
    "]Q1": zxingcpp.BarcodeFormat.QRCode,
    "]d1": zxingcpp.BarcodeFormat.DataMatrix,
}
GS1_SYMBOLS = {"]C1": PLAIN_SYMBOLS["]C0"], "]Q3": PLAIN_SYMBOLS["]Q1"], "]d2": PLAIN_SYMBOLS["]d1"]}


@pytest.mark.parametrize("symbology", PLAIN_SYMBOLS)
def test_plain_symbols_of_a_foreign_writer(symbology: str) -> None:
    barcode = reread("YF7K4M2QG", PLAIN_SYMBOLS[symbology])
    assert read(scanned(barcode), SCHEMES) == Band(canonical="YF7K4M2QG", scheme="yarrowfen", symbology=symbology)


@pytest.mark.parametrize("symbology", GS1_SYMBOLS)
def test_gs1_symbols_of_a_foreign_writer(symbology: str) -> None:
    barcode = reread("(8018)061414112345678902(8019)123", GS1_SYMBOLS[symbology], gs1=True)
    band = Band(canonical=GSRN_EXAMPLE, scheme="service-relations", symbology=symbology, srin="123")
    assert barcode.bytes == b"8018061414112345678902\x1d8019123"
    assert read(scanned(barcode), SCHEMES) == band
    assert canonical(barcode.text) == GSRN_EXAMPLE  # the human readable form


def test_a_square_symbol_of_another_foreign_writer() -> None:
    (barcode,) = zxingcpp.read_barcodes(drawn(segno.make("YF7K4M2QG", micro=False)))
    assert canonical(scanned(barcode)) == "YF7K4M2QG"


def test_a_digital_link_in_a_square_symbol() -> None:
    link = segno.make(f"https://example.org/8018/{GSRN_EXAMPLE}/8019/7", micro=False)
    (barcode,) = zxingcpp.read_barcodes(drawn(link))
    assert canonical(scanned(barcode)) == GSRN_EXAMPLE


def test_a_symbol_that_names_its_character_set() -> None:
    """The reader's ECI mode sends `]Q2` and an escape with the number of the character set first."""
    symbol = segno.make("YF7K4M2QG", micro=False, mode="byte", encoding="utf-8", eci=True)
    (barcode,) = zxingcpp.read_barcodes(drawn(symbol), text_mode=zxingcpp.TextMode.HexECI)
    sent = bytes.fromhex(barcode.text).decode("ascii")
    assert sent == "]Q2\\000026YF7K4M2QG"
    assert canonical(sent) == "YF7K4M2QG"


@pytest.mark.parametrize(
    ("content", "symbol"),
    [
        ("YF7K4M2QG", zxingcpp.BarcodeFormat.Code39),
        ("YF7K4M2QG", zxingcpp.BarcodeFormat.PDF417),
        ("6291041500213", zxingcpp.BarcodeFormat.EAN13),
    ],
)
def test_foreign_symbols_that_no_band_carries(content: str, symbol: zxingcpp.BarcodeFormat) -> None:
    assert refusal(scanned(reread(content, symbol))) == "band-symbology"


# ── never to a neighbour ───────────────────────────────────────────────────────────────────────────


def stays_or_is_refused(raws: Iterable[str], identifier: str) -> bool:
    answers = (read(raw, SCHEMES) for raw in raws)
    return all(isinstance(answer, NotABand) or answer.canonical == identifier for answer in answers)


@settings(max_examples=400)
@given(st.one_of(st.text(alphabet=DIGITS + LETTERS + "yf801" + SEPARATORS, max_size=24), identifiers(YARROWFEN)))
def test_the_short_way_for_other_identifiers_ends_where_the_long_way_does(raw: str) -> None:
    """A control character means nothing, and keeps `read` from taking any short way."""
    assert read(raw, SCHEMES) == read(f"\x01{raw}", SCHEMES)


@settings(max_examples=40)
@given(identifiers(YARROWFEN))
def test_no_substitution_becomes_another_band(identifier: str) -> None:
    """A look-alike typed for its own character is the same band; every other slip is refused."""
    slips = (
        identifier[:place] + typed + identifier[place + 1 :]
        for place in range(len(identifier))
        for typed in DIGITS + LETTERS + "-?"
    )
    assert stays_or_is_refused(slips, identifier)


@settings(max_examples=40)
@given(identifiers(YARROWFEN))
def test_no_swap_becomes_another_band(identifier: str) -> None:
    for one, other in combinations(range(len(identifier)), 2):
        swapped = list(identifier)
        swapped[one], swapped[other] = swapped[other], swapped[one]
        assert identifier[one] == identifier[other] or isinstance(read("".join(swapped), SCHEMES), NotABand)


@settings(max_examples=40)
@given(identifiers(YARROWFEN))
def test_no_lost_or_added_character_becomes_another_band(identifier: str) -> None:
    lost = (identifier[:place] + identifier[place + 1 :] for place in range(len(identifier)))
    added = (identifier[:place] + typed + identifier[place:] for place in range(10) for typed in YARROWFEN.alphabet)
    assert all(isinstance(read(raw, SCHEMES), NotABand) for raw in (*lost, *added))


# ── hostile text ───────────────────────────────────────────────────────────────────────────────────

PIECES = st.sampled_from(
    [
        *SYMBOLOGIES,
        *("]E0", "]", "8018", "8019", "(8018)", "(", "\x1d", "^]", "<GS>", "{GS}", "\\x1d", "|", "\\000026"),
        *("https://", "HTTP://x/", "/8018/", "/8019/", "?", "#", "~", "BAND:", " ", "-", "\r\n", "\x00"),
        *("YF7K4M2QG", "YF7", "K4M", "2QG", "yf", "YT", GSRN_EXAMPLE, ELEMENTS, "0", "O", "l", "Z"),
        *("ß", "ı", "ſ", "ﷺ", "½", "²", "⑦", "７", "٧", "\u0301", "\u202e", "\u200d", "\ud800", "\U0001f9e0"),
    ]
)


@settings(max_examples=600)
@given(st.one_of(st.text(), st.lists(PIECES, max_size=8).map("".join)))
def test_anything_is_a_band_that_obeys_its_scheme_or_none(raw: str) -> None:
    answer = read(raw, SCHEMES)
    if isinstance(answer, NotABand):
        assert answer.code in FINDINGS
        return
    scheme = next(scheme for scheme in SCHEMES if scheme.name == answer.scheme)
    assert scheme.find_fault(answer.canonical) is None
    assert read(answer.canonical, SCHEMES) == Band(
        canonical=answer.canonical, scheme=answer.scheme, training=answer.training
    )


@pytest.mark.parametrize("raw", ["\ufdfa" * LONGEST, "a" + "\u0301\u0327" * 500, "(8018)" * 150, "YF" * 2_000_000])
def test_long_and_swelling_text(raw: str) -> None:
    assert refusal(raw) in {"band-pattern", "band-gs1"}


# ── bands in prose ─────────────────────────────────────────────────────────────────────────────────


def words_found(text: str) -> list[tuple[str, str]]:
    return [(text[found.start : found.end], found.band.canonical) for found in find_in_text(text, SCHEMES)]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("Pt banded YF7 K4M 2QG on left wrist.", ["YF7 K4M 2QG"]),
        ("band#yf7-k4m-2qg; second band (YFX9R3HT5).", ["yf7-k4m-2qg", "YFX9R3HT5"]),
        ("band_YF7K4M2QG_", ["YF7K4M2QG"]),
        ("YF7.K4M.2QG.", ["YF7.K4M.2QG"]),
        ("YF7 YF7 K4M 2QG", ["YF7 K4M 2QG"]),  # a false start hides nothing
        ("exercise band YT7K4M2QC", ["YT7K4M2QC"]),
        ("typed with a look-alike: YF7K4MZQG", ["YF7K4MZQG"]),
        ("XYF7K4M2QG YF7K4M2QG1 éYF7K4M2QG", []),  # part of a longer word
        ("YF7  K4M  2QG", []),  # more than one separator
        ("YF7K 4M2QG", []),  # not in the printed groups
        ("YF74KM2QG", []),  # the check does not fit
        ("relation 061414112345678902 given", ["061414112345678902"]),
        ("", []),
    ],
)
def test_bands_in_prose(text: str, words: list[str]) -> None:
    assert [word for word, _ in words_found(text)] == words


@pytest.mark.parametrize("written", ["Y F7K4 M2QG", "yF7k4-m2qg", "y.f7k4.m2qg"])
def test_a_band_whose_prefix_is_parted_is_found_too(written: str) -> None:
    scheme = scheme_with(groups=(1, 4, 4))
    assert [found.band.canonical for found in find_in_text(f"band {written} on", [scheme])] == ["YF7K4M2QG"]


@given(identifiers(YARROWFEN), st.text(), st.text())
def test_a_band_between_any_words_is_found(identifier: str, before: str, after: str) -> None:
    assert (identifier, identifier) in words_found(f"{before} : {identifier} : {after}")


@given(st.lists(PIECES, max_size=30).map("".join))
def test_what_is_found_is_what_stands_there(text: str) -> None:
    end = 0
    for found in find_in_text(text, SCHEMES):
        assert found.start >= end
        assert read(text[found.start : found.end], SCHEMES) == found.band
        end = found.end


@pytest.mark.parametrize("text", ["YF9 " * 50_000, "Y" * 200_000, "YF7-K4M-" * 25_000, "0614141" * 30_000])
def test_long_prose_takes_time_in_proportion(text: str) -> None:
    """A search that goes back would need hours for these; this one ends at once."""
    assert find_in_text(text, SCHEMES) == []
