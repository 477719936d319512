"""Schemes: published check values, what the check promises, parse and print, and refused schemes."""

from itertools import combinations

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.bands.scheme import CHECK_SYSTEMS, DIGITS, LETTERS, Scheme, SchemeError, Slip, compact, find_clashes
from gateway.errors import SenderFault
from gateway.findings import FINDINGS

from .schemes import GSRN, SCHEMES, YARROWFEN


def identifiers(scheme: Scheme) -> st.SearchStrategy[str]:
    """Any valid identifier of `scheme`, training ones included."""
    body = st.text(scheme.alphabet, min_size=scheme.body_length, max_size=scheme.body_length)
    stems = st.builds(str.__add__, st.sampled_from(scheme.prefixes), body)
    return stems.map(lambda stem: stem + scheme.check_characters(stem))


def scheme_with(**changes: object) -> Scheme:
    return Scheme(**(msgspec.structs.asdict(YARROWFEN) | changes))


def mistaken_fields(**changes: object) -> set[str]:
    with pytest.raises(SchemeError) as raised:
        scheme_with(**changes)
    return {mistake.field for mistake in raised.value.mistakes}


# ── check values that others have published ────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("system", "stem", "check"),
    [
        # ISO/IEC 7064 mod 11-2: python-stdnum's published tests.
        ("mod-11-2", "0794", "0"),
        ("mod-11-2", "079", "X"),
        # ISO/IEC 7064 mod 37-2: blood-service guidance, Annex 2, worked step by step; the swapped number is
        # in python-stdnum's published tests.
        ("mod-37-2", "G123498654321", "H"),
        ("mod-37-2", "G123489654321", "Y"),
        # ISO/IEC 7064 mod 97-10: section 7.4 of the standard; python-stdnum's published tests.
        ("mod-97-10", "794", "44"),
        ("mod-97-10", "99991234567890121414", "90"),
        # ISO/IEC 7064 mod 11,10: from memory of the standard; python-stdnum's published tests.
        ("mod-11-10", "0794", "5"),
        ("mod-11-10", "79462", "3"),
        # ISO/IEC 7064 mod 37,36: python-stdnum's published tests.
        ("mod-37-36", "A12425GABC1234002", "M"),
        # Luhn: the algorithm's usual reference value, from memory; python-stdnum's published tests.
        ("luhn", "7992739871", "3"),
        ("luhn", "7894", "9"),
        # Damm: the algorithm's usual reference value, also in python-stdnum's published tests.
        ("damm", "572", "4"),
        # Verhoeff: the algorithm's usual reference value, from memory; python-stdnum's published tests.
        ("verhoeff", "236", "3"),
        ("verhoeff", "1234", "0"),
        # GS1: GSRN pair of the EPC Tag Data Standard; GTIN-13 and SSCC examples of GS1.
        ("gs1-mod-10", "06141411234567890", "2"),
        ("gs1-mod-10", "629104150021", "3"),
        ("gs1-mod-10", "10614141123456789", "7"),
    ],
)
def test_published_check_values(system: str, stem: str, check: str) -> None:
    assert CHECK_SYSTEMS[system].compute(stem, DIGITS) == check


@given(st.text(DIGITS, min_size=1, max_size=12))
def test_the_generic_system_is_the_named_one_on_the_named_alphabet(stem: str) -> None:
    """ISO/IEC 7064: mod 11-2 and mod 37-2 are one system, pure with radix 2, on 11 and 37 characters."""
    generic, names = CHECK_SYSTEMS["mod-x-2"], CHECK_SYSTEMS
    assert generic.compute(stem, DIGITS + "X") == names["mod-11-2"].compute(stem, "")
    assert generic.compute(stem, DIGITS + LETTERS + "*") == names["mod-37-2"].compute(stem, "")


@given(identifiers(YARROWFEN))
def test_the_check_is_the_congruence_of_the_standard(identifier: str) -> None:
    """ISO/IEC 7064, pure systems: the sum of value times radix to the place is 1 modulo the modulus."""
    values = map(YARROWFEN.alphabet.index, reversed(identifier))
    assert sum(value * 2**place for place, value in enumerate(values)) % 29 == 1


# ── the scheme of the invented region ──────────────────────────────────────────────────────────────


@pytest.mark.parametrize("identifier", ["YF7K4M2QG", "YF0000002", "YF0A1C2DA", "YFX9R3HT5", "YF123456R", "YT7K4M2QC"])
def test_identifiers_of_the_region(identifier: str) -> None:
    """Values computed with python-stdnum when the region's scheme was chosen."""
    assert YARROWFEN.parse(identifier) == identifier
    assert YARROWFEN.is_training(identifier) == identifier.startswith("YT")


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("YF74KM2QG", "band-check"),  # two neighbours swapped
        ("YF7M4K2QG", "band-check"),  # a jump swap
        ("YF7N4M2QG", "band-check"),  # one wrong
        ("YT7K4M2QG", "band-check"),  # a live band that slips into training
        ("YF7K4M2OG", "band-check"),  # Q read as O
        ("YF7K4M2Q", "band-pattern"),  # one lost
        ("YF7K4M2QGG", "band-pattern"),  # one too many
        ("YF7U4M2QG", "band-pattern"),  # U is never printed, and resembles nothing that is
        ("", "band-pattern"),
        ("YF7K4M2QG\n", "band-pattern"),
    ],
)
def test_refused_identifiers_of_the_region(text: str, code: str) -> None:
    with pytest.raises(SenderFault) as raised:
        YARROWFEN.parse(text)
    assert raised.value.code == code
    assert code in FINDINGS
    assert not text or text not in str(raised.value)


def test_two_errors_may_pass_the_check() -> None:
    """One check character cannot catch everything: two wrong characters pass one time in 29."""
    assert YARROWFEN.find_fault("YF034M2QG") is None


def test_printed_in_threes() -> None:
    assert YARROWFEN.printed("YF7K4M2QG") == "YF7 K4M 2QG"
    assert scheme_with(groups=()).printed("YF7K4M2QG") == "YF7K4M2QG"


def test_capacity() -> None:
    assert YARROWFEN.capacity == 594_823_321  # 29 to the sixth


@given(identifiers(YARROWFEN), st.sampled_from(" -._\u2013"), st.booleans())
def test_parse_and_print_are_a_pair(identifier: str, separator: str, lower: bool) -> None:
    printed = YARROWFEN.printed(identifier).replace(" ", separator)
    assert YARROWFEN.parse(printed.lower() if lower else printed) == identifier


@given(identifiers(GSRN))
def test_parse_and_print_are_a_pair_for_service_relations(identifier: str) -> None:
    assert GSRN.parse(GSRN.printed(identifier)) == identifier


@given(identifiers(YARROWFEN))
def test_every_single_substitution_is_refused(identifier: str) -> None:
    for place, right in enumerate(identifier):
        for wrong in set(YARROWFEN.alphabet) - {right}:
            assert YARROWFEN.find_fault(identifier[:place] + wrong + identifier[place + 1 :])


@given(identifiers(YARROWFEN))
def test_every_swap_of_two_characters_is_refused(identifier: str) -> None:
    for one, other in combinations(range(len(identifier)), 2):
        swapped = list(identifier)
        swapped[one], swapped[other] = swapped[other], swapped[one]
        assert identifier[one] == identifier[other] or YARROWFEN.find_fault("".join(swapped))


@given(st.text())
def test_parse_refuses_what_has_a_fault(text: str) -> None:
    canonical = YARROWFEN.folded(compact(text))
    fault = YARROWFEN.find_fault(canonical)
    if fault is None:
        assert YARROWFEN.parse(text) == canonical
        return
    with pytest.raises(SenderFault) as raised:
        YARROWFEN.parse(text)
    assert raised.value.code == fault


@pytest.mark.parametrize("text", ["ß", "ı", "ſ", "K", "é"])
def test_only_ascii_letters_change_case(text: str) -> None:
    """In Unicode some of these have an ASCII upper case; none is a character of a band."""
    assert compact(text) == text


# ── other programmes' schemes ──────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("check", sorted(set(CHECK_SYSTEMS) - {"none", "mod-x-2"}))
@given(data=st.data())
def test_every_check_system_makes_a_sound_scheme(check: str, data: st.DataObject) -> None:
    """Each of these systems catches every single wrong digit: ISO/IEC 7064 for its own, else the usual
    references of Luhn, Damm, Verhoeff and GS1, from memory."""
    scheme = scheme_with(prefix="3", training_prefix="4", alphabet=DIGITS, check=check, length=10, groups=(), fold={})
    identifier = data.draw(identifiers(scheme))
    assert scheme.parse(scheme.printed(identifier)) == identifier
    for place in range(1, len(identifier)):
        for wrong in set(DIGITS) - {identifier[place]}:
            assert scheme.find_fault(identifier[:place] + wrong + identifier[place + 1 :])


def test_a_scheme_without_check() -> None:
    scheme = scheme_with(check="none", prefix="OS", training_prefix=None, length=6, alphabet=DIGITS, groups=(2, 4))
    assert scheme.parse("os-12l4") == "OS1214"  # the prefix is not folded, the body is
    assert scheme.find_fault("OS121") == "band-pattern"
    assert not scheme.is_training("OS1214")


# ── schemes that contradict themselves ─────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"name": " "}, "name"),
        ({"universal_id": "2.16.x"}, "universal_id"),
        ({"universal_id": "2.16.840"}, "system"),
        ({"alphabet": "00123456789ACDEFGHJKMNPQRTVWXY"}, "alphabet"),
        ({"alphabet": "0"}, "alphabet"),
        ({"alphabet": "0123456789acdefghjkmnpqrtvwxy"}, "alphabet"),
        ({"alphabet": YARROWFEN.alphabet + "U"}, "alphabet"),  # 30: even, so 2 divides it
        ({"alphabet": YARROWFEN.alphabet + "SU", "fold": {}}, "alphabet"),  # 31: 2^5 is 1
        ({"check": "luhn"}, "alphabet"),  # 29: odd
        ({"alphabet": DIGITS + "FTY", "check": "damm"}, "alphabet"),
        ({"prefix": "yf"}, "prefix"),
        ({"prefix": "BF"}, "prefix"),  # B is not in the alphabet, so the check cannot weigh it
        ({"prefix": "", "training_prefix": None, "check": "none"}, "prefix"),
        ({"training_prefix": "YF"}, "training_prefix"),
        ({"training_prefix": "YTT"}, "training_prefix"),
        ({"training_prefix": "Y-"}, "training_prefix"),
        ({"training_prefix": "YB"}, "training_prefix"),
        ({"length": 3, "groups": ()}, "length"),
        ({"length": 65, "groups": ()}, "length"),
        ({"check": "mod-10"}, "check"),
        ({"fold": {"A": "0"}}, "fold"),  # A is printed on bands
        ({"fold": {"O": "U"}}, "fold"),
        ({"fold": {"o": "0"}}, "fold"),
        ({"fold": {"OO": "0"}}, "fold"),
        ({"alphabet": DIGITS, "prefix": "1", "training_prefix": None, "check": "mod-11-2", "fold": {"X": "7"}}, "fold"),
        ({"groups": (3, 3)}, "groups"),
        ({"groups": (9, 0)}, "groups"),
        ({"wedge_prefixes": ("",)}, "wedge_prefixes"),
        ({"wedge_prefixes": ("YF",)}, "wedge_prefixes"),
        ({"wedge_suffixes": ("\r",)}, "wedge_suffixes"),
        ({"wedge_suffixes": ("*",)}, "wedge_suffixes"),
    ],
)
def test_refused_schemes(changes: dict[str, object], field: str) -> None:
    assert field in mistaken_fields(**changes)


@pytest.mark.parametrize("size", range(2, 37))
def test_an_alphabet_that_lets_errors_through_is_refused(size: int) -> None:
    """Checked against the congruence of ISO/IEC 7064 itself: weights 1, 2, 4, …, differences 1 … size-1."""
    weights = [2**place for place in range(9)]
    factors = weights + [one - other for one, other in combinations(reversed(weights), 2)]
    misses = any(factor * error % size == 0 for factor in factors for error in range(1, size))
    changes = {"alphabet": (DIGITS + LETTERS)[:size], "prefix": "0", "training_prefix": "1", "fold": {}}
    if misses:
        assert mistaken_fields(**changes) == {"alphabet"}
    else:
        assert scheme_with(**changes).capacity == size**7


def test_every_mistake_is_told_at_once() -> None:
    assert mistaken_fields(
        name="", prefix="?", training_prefix=None, length=2, fold={"A": "0"}, wedge_suffixes=("",)
    ) == {
        "name",
        "prefix",
        "length",
        "groups",
        "fold",
        "wedge_suffixes",
    }


def test_the_message_names_the_fields() -> None:
    with pytest.raises(ValueError, match=r"^name: empty; check: not a known check system"):
        scheme_with(name="", check="sum")


def test_schemes_that_stand_side_by_side() -> None:
    assert find_clashes(SCHEMES) == []


@pytest.mark.parametrize(
    "changes",
    [
        {"name": "twin"},
        {"name": "twin", "prefix": "XX", "training_prefix": "YF"},
        {"name": "twin", "prefix": "Y", "training_prefix": None, "groups": ()},
        {"name": "twin", "prefix": "", "training_prefix": None, "groups": ()},
    ],
)
def test_prefixes_that_do_not_tell_the_scheme(changes: dict[str, object]) -> None:
    for pair in ((YARROWFEN, scheme_with(**changes)), (scheme_with(**changes), YARROWFEN)):
        assert {mistake.field for mistake in find_clashes(pair)} == {"prefix"}


def test_names_that_do_not_tell_the_scheme() -> None:
    assert {mistake.field for mistake in find_clashes((GSRN, msgspec.structs.replace(GSRN, prefix="9")))} == {"name"}


def test_a_bare_number_scheme_stands_beside_a_lettered_one() -> None:
    bare = scheme_with(name="bare", prefix="", training_prefix=None, alphabet=DIGITS, check="damm", fold={})
    assert find_clashes((YARROWFEN, bare)) == []


# ── what an identifier looks like, and what is wrong with a text that is none ───────────────────────


@pytest.mark.parametrize("scheme", SCHEMES, ids=[scheme.name for scheme in SCHEMES])
def test_the_example_is_an_identifier_as_printed_and_nobody_s_where_the_scheme_allows(scheme: Scheme) -> None:
    canonical = scheme.parse(scheme.example)
    assert scheme.printed(canonical) == scheme.example
    assert scheme.is_training(canonical) is (scheme.training_prefix is not None)


@pytest.mark.parametrize(
    ("text", "slip"),
    [
        ("YF7K4M2QG", None),
        ("yf7-k4m 2qg", None),
        ("7K4M2QG", Slip("prefix", 1)),
        ("", Slip("prefix", 1)),
        ("YF7K4M2Q", Slip("length", 8)),
        ("YF7K4M2QGG", Slip("length", 10)),
        ("YF7-K4U-2QG", Slip("character", 6)),  # U is not of the alphabet, nor read as one that is
        ("YF7K4M2QU", Slip("character", 9)),
        ("YF7K4M2QH", Slip("check", 0)),
    ],
)
def test_the_first_thing_wrong_with_a_text(text: str, slip: Slip | None) -> None:
    assert YARROWFEN.find_slip(text) == slip


@given(st.sampled_from(SCHEMES), st.data())
def test_a_text_has_a_slip_just_when_it_cannot_be_parsed(scheme: Scheme, data: st.DataObject) -> None:
    near = identifiers(scheme).flatmap(
        lambda text: st.tuples(st.integers(0, len(text) - 1), st.text(max_size=2)).map(
            lambda change: text[: change[0]] + change[1] + text[change[0] + 1 :]
        )
    )
    text = data.draw(st.text(max_size=20) | near)
    try:
        scheme.parse(text)
    except SenderFault:
        slip = scheme.find_slip(text)
        assert slip is not None
        assert slip.kind == "length" or 0 <= slip.at <= scheme.length
    else:
        assert scheme.find_slip(text) is None
