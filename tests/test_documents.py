"""YAML documents: what is read, and that every mistake is told with its line, once, and without end.

What a plain word means is checked against the core schema of YAML 1.2.2 (section 10.3.2).
"""

import time
from typing import Annotated, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import Field, ValidationError

from gateway.documents import DEPTH, LIMIT, Section, dotted, line_of, parse_yaml, read_document, suggest
from gateway.errors import ConfigurationFault
from gateway.mapping.rules import Kind, Mapping


class Wheel(Section):
    size: int = Field(ge=1)
    colour: Literal["red", "green"] = "red"


class Cart(Section):
    name: str = ""
    number: int = 0
    weight: float = 0
    covered: bool = False
    kind: Kind | None = None
    wheels: list[Wheel] = []
    spare: Wheel | None = None
    marks: dict[str, str] = {}
    by_side: dict[str, Wheel] = {}
    load: str | list[str] | Wheel = ""
    from_: str | None = Field(None, alias="from")
    code: Annotated[str, Field(pattern=r"^[a-z]+$", examples=["abc"])] = "a"
    word: str = Field("a", pattern=r"^[a-z]+$")


def faults_of(text: str) -> list[str]:
    with pytest.raises(ConfigurationFault) as caught:
        read_document(text, Cart, file="cart.yaml")
    return [str(fault) for fault in caught.value.faults]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("nmae: x", "cart.yaml:1: nmae: unknown key: did you mean name?"),
        ("Name: x", "cart.yaml:1: Name: unknown key: did you mean name?"),
        ("zzzzzz: x", "cart.yaml:1: zzzzzz: unknown key: one of: by_side, code,"),
        ("fron: x", "cart.yaml:1: fron: unknown key: did you mean from?"),
        ("1: x", "cart.yaml:1: 1: unknown key"),
        ("name: 03", "cart.yaml:1: name: text is wanted here: put it in quotes"),
        ("name: 1.10", "cart.yaml:1: name: text is wanted here: put it in quotes"),
        ("name: true", "cart.yaml:1: name: text is wanted here: put it in quotes"),
        ("name: [a]", "cart.yaml:1: name: text is wanted here: write one value"),
        ("name:", "cart.yaml:1: name: empty: write a value, or take the line out"),
        ("wheels: ~", "cart.yaml:1: wheels: empty: write a value, or take the line out"),
        ("wheels: 4", "cart.yaml:1: wheels: a list is wanted here: write [one, two], or one item a line after -"),
        ("marks: a", "cart.yaml:1: marks: keys with values are wanted here: write key: value"),
        ("spare: a", "cart.yaml:1: spare: keys with values are wanted here: write key: value"),
        ("number: many", "cart.yaml:1: number: a whole number is wanted here: write a number without quotes"),
        ("number: 1.5", "cart.yaml:1: number: a whole number is wanted here: leave the fraction out"),
        ("weight: heavy", "cart.yaml:1: weight: a number is wanted here: write a number without quotes"),
        ("weight: .inf", "cart.yaml:1: weight: a number is wanted here: write a number without quotes"),
        ("weight: 1e999", "cart.yaml:1: weight: input should be a finite number"),
        ("covered: perhaps", "cart.yaml:1: covered: yes or no is wanted here: write true or false"),
        ("kind: admision", "cart.yaml:1: kind: not a known word: did you mean admissions?"),
        ("code: A1", "cart.yaml:1: code: not in the form that is wanted here: write it as in abc"),
        ("word: A1", "cart.yaml:1: word: not in the form that is wanted here: it must match ^[a-z]+$"),
        ("\n\nwheels:\n  - {size: 1}\n  - {}", "cart.yaml:5: wheels[1].size: missing: add size"),
        ("wheels: [{size: 0}]", "cart.yaml:1: wheels[0].size: input should be greater than or equal to 1"),
        (
            "wheels:\n - size: 1\n   colour: grean",
            "cart.yaml:3: wheels[0].colour: not a known word: did you mean green?",
        ),
        (
            "by_side:\n  left: {size: 1, color: red}",
            "cart.yaml:2: by_side.left.color: unknown key: did you mean colour?",
        ),
        ("marks:\n  Name(x: 1", "cart.yaml:2: marks.Name(x: text is wanted here: put it in quotes"),
    ],
)
def test_a_mistake_is_told_with_its_line_and_a_remedy(text: str, told: str) -> None:
    faults = faults_of(text)
    assert len(faults) == 1
    assert faults[0].startswith(told)


def test_the_branches_of_a_union_are_no_part_of_the_path() -> None:
    """Pydantic names the branch it tried in the location; the writer of the document knows no branches."""
    assert {fault.partition(": ")[2].partition(":")[0] for fault in faults_of("load: 5")} == {"load"}
    assert {fault.partition(": ")[2].partition(":")[0] for fault in faults_of("load: {size: x}")} <= {
        "load",
        "load.size",
    }
    text = "mapping: m\nkind: admissions\nabout: x\nband:\n - {at: PID-3, how: custom, where: {PID-3.4: {presnt: 1}}}\n"
    with pytest.raises(ConfigurationFault) as caught:
        read_document(text, Mapping, file="m.yaml")
    assert [(fault.line, fault.path) for fault in caught.value.faults] == [(5, "band[0].where.PID-3.4")]


def test_all_mistakes_come_at_once_in_the_order_of_the_lines() -> None:
    text = "nmae: x\nnumber: a\nwheels:\n  - {size: 0}\n  - {sise: 1}\nkind: 5\ncovered: 7\n"
    told = faults_of(text)
    assert [fault.split(": ")[0] for fault in told] == [f"cart.yaml:{line}" for line in (1, 2, 4, 5, 5, 6, 7)]


@pytest.mark.parametrize(
    ("word", "value"),
    [
        ("no", "no"), ("on", "on"), ("NO", "NO"), ("2026-03-14", "2026-03-14"), ("2026-13-45", "2026-13-45"),
        ("1:30:20", "1:30:20"), ("0x1F", "0x1F"), ("0o17", "0o17"), ("1_000", "1_000"), (".nan", ".nan"),
        ("'03'", "03"), ('"true"', "true"), ("a b", "a b"), ("<<", "<<"), ("=", "="),
        ("null", None), ("~", None), ("", None), ("Null", None), ("true", True), ("FALSE", False),
        ("03", 3), ("-7", -7), ("+7", 7), ("1.5", 1.5), (".5", 0.5), ("1e3", 1000.0), ("1.", 1.0),
    ],
)  # fmt: skip
def test_plain_words_mean_what_the_core_schema_says(word: str, value: object) -> None:
    """YAML 1.2.2 section 10.3.2; octal, hexadecimal, infinite numbers are left out on purpose and stay text."""
    found = parse_yaml(f"key: {word}", file="x").plain()["key"]
    assert found == value
    assert type(found) is type(value)


@pytest.mark.parametrize("word", ["yes", "no", "true", "false", "on", "off"])
def test_where_yes_or_no_is_wanted_people_may_write_either_way(word: str) -> None:
    assert read_document(f"covered: {word}", Cart, file="x").covered is (word in {"yes", "true", "on"})


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("name: a\nname: b", "cart.yaml:2: the same key twice"),
        ("marks: {1: a, '1': b}", "cart.yaml:1: the same key twice"),
        ("- a\n- b", "cart.yaml:1: must be a mapping"),
        ("hello", "cart.yaml:1: must be a mapping"),
        ("", "cart.yaml:1: must be a mapping"),
        ("# a remark\n", "cart.yaml:1: must be a mapping"),
        ("name: x\n\tnumber: 3", "cart.yaml:2: not YAML: found character '\\t'"),
        ("name: 'a", "cart.yaml:1: not YAML"),
        ("name: [a", "cart.yaml:1: not YAML"),
        ("name: a: b", "cart.yaml:1: not YAML"),
        ("name: a\n---\nname: b", "cart.yaml:2: a second document"),
        ("{a: b}: c", "cart.yaml:1: a key must be a word"),
        ("[a, b]: c", "cart.yaml:1: a key must be a word"),
        ("name: &a x", "cart.yaml:1: anchors and aliases are not read"),
        ("name: *a", "cart.yaml:1: anchors and aliases are not read"),
        ("name: !!python/object/apply:os.system [ls]", "cart.yaml:1: tags are not read"),
        ("!cart\nname: x", "cart.yaml:1: tags are not read"),
        ("name: !!binary aGVsbG8=", "cart.yaml:1: tags are not read"),
        ("name: x\nnumber: \x00", "cart.yaml:2: not YAML: a character that is no text"),
        ("name: \ud800", "cart.yaml:1: not YAML: a character that is no text"),
        ('name: "\\UFFFFFFFF"', "cart.yaml: not YAML"),
        ('name: "\\U00110000"', "cart.yaml: not YAML"),
        ("%YAML 9.9\n---\nname: x", "cart.yaml:1: not YAML"),
    ],
)
def test_what_is_no_plain_document_is_refused_with_its_line(text: str, told: str) -> None:
    faults = [fault for fault in faults_of(text) if fault.startswith(told)]
    assert len(faults) == 1


def test_no_fault_repeats_a_value_of_the_document() -> None:
    secret = "gnat-sprocket-12"
    for text in (
        f"name: {secret}\nname: b{secret}",
        f"number: {secret}",
        f"code: {secret.upper()}",
        f"spare: {secret}",
    ):
        assert secret not in "\n".join(faults_of(text)).lower()


def laughs(levels: int) -> str:
    """Each level names the one before nine times: 9 ** levels words in a few hundred characters."""
    lines = ["a0: &a0 [ha]"] + [f"a{n}: &a{n} [{','.join([f'*a{n - 1}'] * 9)}]" for n in range(1, levels)]
    return "\n".join(lines)


@pytest.mark.parametrize(
    "text",
    [
        laughs(40),
        "name: " + "[" * 20_000,
        "name: " + "{a: " * 5_000,
        "".join(" " * depth + "a:\n" for depth in range(DEPTH + 2)),
        "name: &a [*a]",
        "#" * (LIMIT + 1),
        "number: " + "9" * 100_000,
        "a: &a {b: *a}",
    ],
    ids=["laughs", "brackets", "braces", "indents", "itself", "huge", "digits", "circle"],
)
def test_a_document_made_to_exhaust_us_is_refused_quickly(text: str) -> None:
    started = time.perf_counter()
    assert all(len(fault) < 200 for fault in faults_of(text))
    assert time.perf_counter() - started < 3


def test_the_line_of_a_place_is_its_own_or_that_of_what_holds_it() -> None:
    tree = parse_yaml("a:\n  - x\n  - b:\n      c: 1\n", file="x")
    assert line_of(tree, ("a",)) == 1
    assert line_of(tree, ("a", 1)) == 3
    assert line_of(tree, ("a", 1, "b", "c")) == 4
    assert line_of(tree, ("a", 1, "b", "nothing", 7)) == 3
    assert line_of(tree, ("nothing",)) is None
    assert line_of(tree, ()) is None
    assert dotted(("a", 1, "b", "c")) == "a[1].b.c"


def test_suggestions_are_near_or_a_list() -> None:
    assert suggest("organisaton", ["organisation", "kind"]) == "did you mean organisation?"
    assert suggest("x", ["b", "a", "a"]) == "one of: a, b"
    assert suggest("x", []) == ""


def test_a_section_never_changes() -> None:
    with pytest.raises(ValidationError):
        Wheel(size=1).size = 2  # type: ignore[misc]


SCALARS = st.none() | st.booleans() | st.integers(-(10**17), 10**17) | st.text(max_size=8)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


@given(st.dictionaries(st.sampled_from([*Cart.model_fields, "from", "x"]), VALUES, max_size=5))
def test_any_well_formed_document_is_read_or_told_place_by_place(document: dict[str, object]) -> None:
    """Written as JSON, which is YAML too (YAML 1.2.2 section 1.2), by the standard library."""
    import json

    text = json.dumps(document, indent=1)
    try:
        read_document(text, Cart, file="cart.yaml")
    except ConfigurationFault as error:
        for fault in error.faults:
            assert fault.line is None or 1 <= fault.line <= text.count("\n") + 1
            assert fault.path.partition(".")[0].partition("[")[0] in {*document, ""}


@given(st.text(alphabet=st.sampled_from("ab:-[]{}&*!|>'\"%@`#,?\n \t~1."), max_size=60) | st.text(max_size=60))
def test_any_text_is_a_document_or_a_fault(text: str) -> None:
    faults = []
    try:
        parse_yaml(text, file="cart.yaml")
    except ConfigurationFault as error:
        faults = [str(fault) for fault in error.faults]
    assert all(fault.startswith("cart.yaml") and "\n" not in fault for fault in faults)
