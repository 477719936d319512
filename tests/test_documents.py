"""YAML documents: every mistake is told with its line, all at once and each once, and the rest is read."""

import json
import time
from typing import Annotated, Literal

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from pydantic import Field, ValidationError

from gateway.documents import Document, Mistake, Section, find_nearest, read_document, suggest
from gateway.mapping.rules import Kind, Mapping
from gateway.yaml_tree import UNREAD


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
    numbers: list[int] = []
    marks: dict[str, str] = {}
    by_side: dict[str, Wheel] = {}
    load: str | list[str] | Wheel = ""
    from_: str | None = Field(None, alias="from")
    code: Annotated[str, Field(pattern=r"^[a-z]+$", examples=["abc"])] = "a"
    word: str = Field("a", pattern=r"^[a-z]+$")


def cart(text: str) -> Document[Cart]:
    return read_document(text, Cart, file="cart.yaml")


def faults_of(text: str) -> list[str]:
    return [str(fault) for fault in cart(text).faults]


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
    (told,) = faults_of("load: 5")
    assert told.startswith("cart.yaml:1: load: ")
    (told,) = faults_of("load: {size: x}")
    assert told.startswith("cart.yaml:1: load")
    text = "mapping: m\nkind: admissions\nabout: x\nband:\n - {at: PID-3, how: custom, where: {PID-3.4: {presnt: 1}}}\n"
    document = read_document(text, Mapping, file="m.yaml")
    assert [(fault.line, fault.path) for fault in document.faults] == [(5, "band[0].where.PID-3.4")]


def test_all_mistakes_come_at_once_in_the_order_of_the_lines() -> None:
    text = "nmae: x\nnumber: a\nwheels:\n  - {size: 0}\n  - {sise: 1}\nkind: 5\ncovered: 7\n"
    told = faults_of(text)
    assert [fault.split(": ")[0] for fault in told] == [f"cart.yaml:{line}" for line in (1, 2, 4, 5, 6, 7)]


# ── one mistake hides no other ─────────────────────────────────────────────────────────────────────


def test_a_misspelt_key_is_one_mistake_and_read_on_as_what_was_meant() -> None:
    found = cart("wheles:\n  - {sise: 3}\n  - {size: 0}\n")
    assert [str(fault) for fault in found.faults] == [
        "cart.yaml:1: wheles: unknown key: did you mean wheels?",
        "cart.yaml:2: wheels[0].sise: unknown key: did you mean size?",
        "cart.yaml:3: wheels[1].size: input should be greater than or equal to 1",
    ]
    assert found.content.wheels[0].size == 3
    assert found.content.wheels[1].size is UNREAD


def test_a_key_that_is_there_too_is_not_what_a_misspelt_one_means() -> None:
    found = cart("name: a\nnmae: b\nnaem: c\n")
    assert [fault.line for fault in found.faults] == [2, 3]
    assert found.content.name == "a"


def test_a_misspelt_word_is_read_on_as_what_was_meant() -> None:
    found = cart("kind: admision\nwheels: [{size: 1, colour: zzz}]")
    assert found.content.kind is Kind.ADMISSIONS
    assert len(found.faults) == 2


@pytest.mark.parametrize(
    ("text", "line"),
    [("# a remark\n\ncolour: red\n", 3), ("wheels:\n  - size: 1\n  - colour: red\n", 3), ("spare:\n  colour: red", 1)],
)
def test_a_missing_key_has_the_line_of_what_it_is_missing_in(text: str, line: int) -> None:
    model = Wheel if text.startswith("#") else Cart
    (fault,) = read_document(text, model, file="cart.yaml").faults
    assert (fault.line, fault.message, fault.remedy) == (line, "missing", "add size")


@pytest.mark.parametrize(
    ("text", "content"),
    [
        ("number: x\nname: a", Cart(name="a")),
        ("wheels: 7\nname: a", Cart(name="a")),
        ("spare: 7\nname: a", Cart(name="a")),
        ("marks: {a: 7}\nname: a", Cart(name="a", marks={"a": ""})),
        ("numbers: [1, x, 3]\nname: a", Cart(name="a")),
        ("name: a\nname: b", Cart(name="a")),
    ],
)
def test_what_is_unread_has_its_default_and_the_rest_is_read(text: str, content: Cart) -> None:
    found = cart(text)
    assert len(found.faults) == 1
    assert found.content == content


def test_a_part_that_cannot_be_read_is_unread_throughout() -> None:
    found = cart("wheels: [7, {size: 2}]\nby_side: {left: x}")
    assert [fault.path for fault in found.faults] == ["wheels[0]", "by_side.left"]
    assert [wheel.size is UNREAD for wheel in found.content.wheels] == [True, False]
    assert found.content.by_side["left"].size is UNREAD


def test_what_is_concluded_from_something_unread_is_not_told() -> None:
    found = cart("wheels: [{size: x}]\nname: a\nnumber: y\n")
    mistakes = [
        Mistake(("wheels", 0, "size"), "of it"),
        Mistake(("name",), "from it", given=(("number",),)),
        Mistake(("name",), "of its own", "a remedy"),
        Mistake(("wheels", 0, "colour"), "beside it"),
        Mistake(("nothing",), "missing"),
    ]
    assert [(fault.line, fault.message) for fault in found.find_faults([*mistakes, *mistakes])] == [
        (1, "a whole number is wanted here"),
        (1, "beside it"),
        (1, "missing"),
        (2, "of its own"),
        (3, "a whole number is wanted here"),
    ]


@pytest.mark.parametrize("word", ["yes", "no", "true", "false", "on", "off"])
def test_where_yes_or_no_is_wanted_people_may_write_either_way(word: str) -> None:
    assert cart(f"covered: {word}").content.covered is (word in {"yes", "true", "on"})


def test_no_fault_repeats_a_value_of_the_document() -> None:
    secret = "gnat-sprocket-12"
    for text in (
        f"name: {secret}\nname: b{secret}",
        f"number: {secret}",
        f"code: {secret.upper()}",
        f"spare: {secret}",
    ):
        assert secret not in "\n".join(faults_of(text)).lower()


def test_suggestions_are_near_or_a_list() -> None:
    assert suggest("organisaton", ["organisation", "kind"]) == "did you mean organisation?"
    assert suggest("x", ["b", "a", "a", UNREAD]) == "one of: a, b"
    assert suggest("x", []) == ""
    assert find_nearest("KIND", ["kind", "name"]) == "kind"
    assert find_nearest("zzz", ["kind", "name"]) is None


def test_a_section_never_changes() -> None:
    with pytest.raises(ValidationError):
        Wheel(size=1).size = 2  # type: ignore[misc]


SCALARS = st.none() | st.booleans() | st.integers(-(10**17), 10**17) | st.text(max_size=8)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


@example({"by_side": {"\U00010000": {}}})
@example({"by_side": {"\ud800": {}}, "name": "\udc00"})
@given(st.dictionaries(st.sampled_from([*Cart.model_fields, "from", "x", "nmae"]), VALUES, max_size=5))
def test_any_well_formed_document_is_read_or_told_place_by_place(document: dict[str, object]) -> None:
    """Written as JSON, which is YAML too (YAML 1.2.2 section 1.2), by the standard library."""
    text = json.dumps(document, indent=1)
    known = {*document, "from" if "fron" in document else "", "name" if "nmae" in document else ""}
    for fault in cart(text).faults:
        assert fault.line is not None
        assert 1 <= fault.line <= text.count("\n") + 1
        assert fault.path.partition(".")[0].partition("[")[0] in known


def test_a_document_of_nothing_but_mistakes_is_told_in_good_time() -> None:
    started = time.perf_counter()
    unknown = len(faults_of("".join(f"key{number}: {{}}\n" for number in range(1000))))
    several = len(faults_of("wheels:\n" + "  - {size: x, sise: 1, colour: 7}\n" * 1000))
    assert (unknown, several) == (1000, 3000)
    assert time.perf_counter() - started < 10
