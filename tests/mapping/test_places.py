"""Places of a message: repetitions, occurrences, conditions, and how a position is printed."""

import pytest

from gateway.adapters import er7
from gateway.mapping.places import compile_place, compile_watch, find_filled
from gateway.mapping.rules import Condition, Presence

MESSAGE = er7.read(
    b"MSH|^~\\&|REG|AHMC|GATE|YF|20260314101500||ADT^A04|A1|P|2.5.1\r"
    b'PID|1||11^^^AHMC^MR~22^^^~33^^^AHMC&2.999.2&ISO~""\r'
    b"OBX|1|NM|8867-4||88\r"
    b"OBX|2|ST|TEMP~BAND||A^B\r"
    b"OBX|3|ST|BAND||C\r"
)


def looked(at: str, where: dict[str, Condition] | None = None) -> list[tuple[str, str, int]]:
    return list(compile_place(at, where or {}).look(MESSAGE.named, MESSAGE.delimiters))


def test_every_repetition_and_every_occurrence_is_looked_at_in_order() -> None:
    assert [path for _, path, _ in looked("PID-3")] == ["PID-3", "PID-3[2]", "PID-3[3]", "PID-3[4]"]
    assert looked("OBX-5") == [("88", "OBX-5", 3), ("A^B", "OBX[2]-5", 4), ("C", "OBX[3]-5", 5)]


def test_a_position_is_printed_as_the_adapter_reads_it() -> None:
    for at in ("PID-3", "PID-3.4.2", "OBX-5.1", "MSH-7"):
        for raw, path, line in looked(at):
            position = er7.Position.parse(path)
            segment = MESSAGE.segments(position.segment)[position.occurrence - 1]
            assert segment.line == line
            assert segment.repetitions(position.field or 0)[position.repetition - 1] == raw


@pytest.mark.parametrize(
    ("at", "where", "paths"),
    [
        # on the field of the place: in the same repetition
        ("PID-3", {"PID-3.4.1": "AHMC"}, ["PID-3", "PID-3[3]"]),
        ("PID-3", {"PID-3.4.2": "2.999.2"}, ["PID-3[3]"]),
        ("PID-3", {"PID-3.4.1": ["XYZ", "AHMC"], "PID-3.5": "MR"}, ["PID-3"]),
        ("PID-3", {"PID-3.4.1": Presence(present=False)}, ["PID-3[2]", "PID-3[4]"]),
        ("PID-3", {"PID-3.1": Presence(present=True)}, ["PID-3", "PID-3[2]", "PID-3[3]"]),
        ("PID-3.1", {"PID-3.5": Presence(present=True)}, ["PID-3.1"]),
        # on another field: in the same segment, any repetition of it
        ("OBX-5", {"OBX-3": "BAND"}, ["OBX[2]-5", "OBX[3]-5"]),
        ("OBX-5", {"OBX-3.1": "BAND", "OBX-2": "ST"}, ["OBX[2]-5", "OBX[3]-5"]),
        ("OBX-5", {"OBX-6": Presence(present=False)}, ["OBX-5", "OBX[2]-5", "OBX[3]-5"]),
        ("OBX-5", {"OBX-6": Presence(present=True)}, []),
        ("OBX-5", {"OBX-3": "band"}, []),  # codes are compared exactly
        ("ZBD-2", {}, []),
        ("PID-99", {}, []),
    ],
)
def test_conditions_hold_in_the_same_repetition_or_segment(
    at: str, where: dict[str, Condition], paths: list[str]
) -> None:
    assert [path for _, path, _ in looked(at, where)] == paths


def test_only_who_looks_at_a_filled_field_has_anything_to_find() -> None:
    places = {
        "number": ["PID-3"],
        "band": ["ZBD-2", "OBX-5.2"],
        "name": ["PID-5"],
        "unit": ["OBX-6"],
        "far": ["PID-99"],
    }
    watch = compile_watch({name: [compile_place(at, {}) for at in ats] for name, ats in places.items()})
    assert find_filled(watch, MESSAGE.named) == {"number", "band"}


@pytest.mark.parametrize("at", ["PID", "PID.3", ""])
def test_what_is_no_place_does_not_compile(at: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        compile_place(at, {})
