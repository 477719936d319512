r"""Messages written. Source: HL7 v2, edition 2.9.1, 2.5 to 2.7; `\.br\` for line ends is 2.6.

"A blank for a line end in a plain value" is common practice, no source.
"""

import hl7
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.adapters.er7 import Position, read
from gateway.adapters.er7_text import NULL, USUAL, Delimiters, Null, read_delimiters
from gateway.adapters.er7_writing import Field, Formatted, Leaf, Raw, build, write
from gateway.errors import GatewayFault

MSH: tuple[str, dict[int, Field]] = ("MSH", {3: "GATE", 9: ("ADT", "A31", "ADT_A05"), 10: "M1", 11: "P", 12: "2.5.1"})


def test_a_message_is_built_by_field_numbers() -> None:
    identifiers: Field = [
        ("4711", None, None, ("ANVIL", "2.999.10", "ISO"), "MR"),
        ("YF7K4M2QG", None, None, "YFBAND", "PNT", None),
    ]
    data = build([MSH, ("EVN", {2: "20260115"}), ("PID", {1: "1", 3: identifiers, 5: ("TARN", "WREN", None), 8: ""})])
    assert data == (
        b"MSH|^~\\&|GATE||||||ADT^A31^ADT_A05|M1|P|2.5.1||||||UNICODE UTF-8\r"
        b"EVN||20260115\r"
        b"PID|1||4711^^^ANVIL&2.999.10&ISO^MR~YF7K4M2QG^^^YFBAND^PNT||TARN^WREN\r"
    )
    assert not read(data).notes


def test_every_value_is_escaped_and_read_back_by_another_reader() -> None:
    """The foreign reader is the python-hl7 package."""
    data = build([MSH, ("PID", {5: ("T|A^R~N\\", ("W&R",))})])
    assert b"PID|||||T\\F\\A\\S\\R\\R\\N\\E\\^W\\T\\R\r" in data
    assert hl7.parse(data.decode()).extract_field("PID", 1, 5, 1, 1) == "T|A^R~N\\"


def test_line_ends_become_blanks_or_layout() -> None:
    data = build([MSH, ("OBX", {4: "one\r\ntwo\tthree", 5: Formatted("one & \r\ntwo\nthree")})])
    assert data.endswith(b"OBX||||one two three|one \\T\\ \\.br\\two\\.br\\three\r")
    assert read(data).formatted(Position("OBX", 5)) == "one & \ntwo\nthree"


def test_a_raw_piece_is_handed_on_and_the_delete_indicator_is_asked_for_by_name() -> None:
    data = build([MSH, ("PID", {3: Raw("1^^^A&B~2\\F\\"), 5: NULL, 7: (None, NULL)})])
    assert data.endswith(b'PID|||1^^^A&B~2\\F\\||""||^""\r')


@pytest.mark.parametrize("text", ["a\x0bb", "a\x1cb", "a\0b", '""', Raw("a\x1cb")])
def test_what_would_break_the_frame_or_delete_by_accident_is_refused_by_place(text: str) -> None:
    with pytest.raises(GatewayFault, match=r"PID-5: ") as caught:
        build([MSH, ("PID", {5: ("TARN", text)})])
    assert "TARN" not in str(caught.value)


def test_a_character_that_the_character_set_lacks_is_never_replaced() -> None:
    assert build([MSH, ("PID", {5: "Å"})], codec="iso8859-1").endswith(b"PID|||||\xc5\r")
    with pytest.raises(GatewayFault, match="character set"):
        build([MSH, ("PID", {5: "Å"})], codec="ascii")


def test_msh_18_says_what_the_bytes_are() -> None:
    assert b"2.5.1||||||8859/1\r" in build([MSH], codec="iso8859-1")
    assert build([MSH], codec="ascii").endswith(b"2.5.1\r")
    assert build([("MSH", {**MSH[1], 18: None})]).endswith(b"2.5.1\r")


@pytest.mark.parametrize("segments", [[], [("PID", {1: "1"})], [MSH, ("pid", {1: "1"})], [MSH, ("PID|", {1: "1"})]])
def test_what_is_no_message_is_not_built(segments: list[tuple[str, dict[int, Field]]]) -> None:
    with pytest.raises(GatewayFault):
        build(segments)


texts = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), max_size=8).filter(lambda t: t != '""')
leaves = st.none() | st.just(NULL) | texts
components = leaves | st.lists(leaves, max_size=3).map(tuple)
repetitions = components | st.lists(components, max_size=4).map(tuple)
fields = repetitions | st.lists(repetitions, max_size=3)
segments = st.tuples(st.sampled_from(["PID", "ZPI", "OBX"]), st.dictionaries(st.integers(1, 20), fields, max_size=6))
marks = st.sampled_from(
    [USUAL, read_delimiters("|", "^~\\&#"), read_delimiters("^", "~|\\&"), read_delimiters(".", "!*'_")]
)


def leaf_at(field: Field, repetition: int, component: int, subcomponent: int) -> Leaf:
    """What was put there, by the shape of the field alone; beyond the end there is nothing."""

    def pick(item: object, kind: type, number: int) -> object:
        if isinstance(item, kind):
            return item[number - 1] if number <= len(item) else None  # type: ignore[index,arg-type]
        return item if number == 1 else None

    leaf = pick(pick(pick(field, list, repetition), tuple, component), tuple, subcomponent)
    assert leaf is None or isinstance(leaf, str | Null)
    return leaf or None


@given(st.lists(segments, max_size=5), marks)
def test_build_and_read_are_a_pair(built: list[tuple[str, dict[int, Field]]], delimiters: Delimiters) -> None:
    data = build([MSH, *built], delimiters=delimiters)
    message = read(data)
    assert write(message) == data
    assert len(message.lines) == len(built) + 1
    for segment, (name, numbered) in zip(message.lines[1:], built, strict=True):
        assert segment.name == name
        for number, field in numbered.items():
            for repetition, component, subcomponent in [
                (1, 1, 1),
                (1, 2, 1),
                (2, 1, 1),
                (2, 3, 2),
                (1, 1, 2),
                (1, 4, 3),
            ]:
                if is_deleted_above(field, repetition, component, subcomponent):
                    continue
                found = segment.value(number, component, subcomponent, repetition=repetition)
                assert found == leaf_at(field, repetition, component, subcomponent)


def is_deleted_above(field: Field, repetition: int, component: int, subcomponent: int) -> bool:
    """Whether two quotes stand alone at a higher level, so that all below reads as deleted."""
    alone = leaf_at(field, repetition, 1, 1) is NULL and component > 1
    return alone or (leaf_at(field, repetition, component, 1) is NULL and subcomponent > 1)
