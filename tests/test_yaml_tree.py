"""YAML trees: what is read, the line of everything, and what is refused or read in spite of a mistake.

What a plain word means is checked against the core schema of YAML 1.2.2 (section 10.3.2), lines against the marks
that the round-trip loader of ruamel.yaml keeps.
"""

import io
import time
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from ruamel.yaml import YAML

from gateway.errors import ConfigurationFault
from gateway.yaml_tree import DEPTH, LIMIT, UNREAD, Steps, dotted, parse_yaml


def faults_of(text: str) -> list[str]:
    """Every fault, whether something could be read in spite of it or not."""
    try:
        _, faults = parse_yaml(text, file="cart.yaml")
    except ConfigurationFault as error:
        faults = list(error.faults)
    return [str(fault) for fault in faults]


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
    tree, _ = parse_yaml(f"key: {word}", file="x")
    found = tree.plain()["key"]
    assert found == value
    assert type(found) is type(value)


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
    assert [fault.startswith(told) for fault in faults_of(text)] == [True]


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


# ── lines ──────────────────────────────────────────────────────────────────────────────────────────


def test_the_line_of_a_place_is_its_own_or_that_of_what_holds_it() -> None:
    tree, _ = parse_yaml("# a remark\na:\n  - x\n  - b:\n      c: 1\n", file="x")
    assert tree.line_of(("a",)) == 2
    assert tree.line_of(("a", 1)) == 4
    assert tree.line_of(("a", 1, "b", "c")) == 5
    assert tree.line_of(("a", 1, "b", "nothing", 7)) == 4
    assert tree.line_of(("nothing",)) == tree.line_of(()) == 2
    assert dotted(("a", 1, "b", "c")) == "a[1].b.c"


KEYS = st.text("abcdef", min_size=1, max_size=4)
LEAVES = st.text("uvwxyz", min_size=1, max_size=4)
PARTS = st.recursive(
    LEAVES,
    lambda inner: st.lists(inner, min_size=1, max_size=3) | st.dictionaries(KEYS, inner, min_size=1, max_size=3),
    max_leaves=12,
)


def marks(node: Any, above: Steps = ()) -> dict[Steps, int]:
    """The line, from 1, that ruamel.yaml remembers for each key and item."""
    found: dict[Steps, int] = {}
    steps = node if isinstance(node, dict) else range(len(node)) if isinstance(node, list) else ()
    for step in steps:
        line, _ = node.lc.key(step) if isinstance(node, dict) else node.lc.item(step)
        found |= {(*above, step): line + 1} | marks(node[step], (*above, step))
    return found


@given(st.dictionaries(KEYS, PARTS, min_size=1, max_size=4), st.booleans())
def test_every_line_is_the_one_that_ruamel_marks(document: dict[str, Any], in_flow: bool) -> None:
    text = io.StringIO()
    writer = YAML()
    writer.default_flow_style = in_flow
    writer.dump(document, text)
    tree, faults = parse_yaml("# a remark\n\n" + text.getvalue(), file="x")
    loaded = YAML(typ="rt").load("# a remark\n\n" + text.getvalue())
    assert faults == []
    assert {path: tree.line_of(path) for path in marks(loaded)} == marks(loaded)
    assert tree.plain() == document


# ── what could not be read ─────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("a: 1\na: 2\nb: 3", {"a": 1, "b": 3}),
        ("a: &x 1\nb: *x\nc: 3", {"a": 1, "b": UNREAD, "c": 3}),
        ("a: !mine 1\nb: [!mine 2, 3]", {"a": UNREAD, "b": [UNREAD, 3]}),
        ("[a]: 1\nb: 2", {"b": 2}),
        ("a: 1\n---\nb: 2", {"a": 1}),
    ],
)
def test_what_can_be_read_in_spite_of_a_mistake_is_read(text: str, plain: dict[str, object]) -> None:
    tree, faults = parse_yaml(text, file="x")
    assert faults
    assert repr(tree.plain()) == repr(plain)  # UNREAD is equal to the empty text, and is not written like it


def test_a_place_is_known_where_nothing_on_the_way_is_unread() -> None:
    tree, _ = parse_yaml("a: {b: !mine 1, c: ''}", file="x")
    assert [tree.knows(path) for path in [(), ("a",), ("a", "c"), ("a", "d")]] == [True] * 4
    assert not tree.knows(("a", "b"))
    assert not tree.knows(("a", "b", 0, "deep"))


def test_a_part_is_taken_out_and_put_elsewhere_with_its_line() -> None:
    tree, _ = parse_yaml("a: 1\nb:\n  - c: 2\n", file="x")
    taken = tree.take(("b", 0, "c"))
    assert taken is not None
    tree.put(("b", 0, "d"), taken)
    assert tree.plain() == {"a": 1, "b": [{"d": 2}]}
    assert tree.line_of(("b", 0, "d")) == 3
    tree.put(("b", 0), taken)
    assert tree.plain() == {"a": 1, "b": [2]}
    assert tree.take(("b", 0)) is None


@given(st.text(alphabet=st.sampled_from("ab:-[]{}&*!|>'\"%@`#,?\n \t~1."), max_size=60) | st.text(max_size=60))
def test_any_text_is_a_document_or_a_fault(text: str) -> None:
    assert all(fault.startswith("cart.yaml") and "\n" not in fault for fault in faults_of(text))
