"""The table of findings against the code that uses it, and the sentences against the house style."""

import ast
import re
from pathlib import Path

import pytest

from gateway.findings import FINDINGS, finding
from gateway.records import Level

GATEWAY = Path(__file__).parent.parent / "gateway"


def literals() -> set[str]:
    """Every text written in the gateway's code outside the table itself."""
    return {
        node.value
        for path in GATEWAY.rglob("*.py")
        if path.name != "findings.py"
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }


def codes_asked_for() -> set[str]:
    """The code in every call of `finding("...")`."""
    return {
        call.args[0].value
        for path in GATEWAY.rglob("*.py")
        for call in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(call, ast.Call)
        and isinstance(call.func, ast.Name)
        and call.func.id == "finding"
        and call.args
        and isinstance(call.args[0], ast.Constant)
    }


def test_every_finding_is_said_somewhere() -> None:
    assert set(FINDINGS) - literals() == set()


def test_every_code_that_is_asked_for_is_in_the_table() -> None:
    asked = codes_asked_for()
    assert len(asked) > 10
    assert asked - set(FINDINGS) == set()


@pytest.mark.parametrize("code", FINDINGS)
def test_codes_and_sentences_follow_the_house_style(code: str) -> None:
    entry = FINDINGS[code]
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)+", code)
    assert code.split("-", maxsplit=1)[0] in {"band", "hl7", "report", "value", "time", "code", "authority", "feed"}
    for sentence in filter(None, (entry.message, entry.remedy)):
        assert not re.search(r"[{}%\n]", sentence), "no place for a value to slip in"
        assert sentence == sentence.strip()
        assert not sentence.endswith(".")
        assert sentence[0].islower() or re.match(r"[A-Z0-9]{2}|\d", sentence), "a sentence begins small, behind a place"
        assert len(sentence) < 120


def test_what_the_sender_must_mend_says_how() -> None:
    assert [c for c, entry in FINDINGS.items() if entry.level is Level.ERROR and not entry.remedy] == []


def test_a_finding_stands_at_its_place() -> None:
    found = finding("band-check", path="PID-3[2].1", line=3)
    assert (found.level, found.code, found.path, found.line) == (Level.ERROR, "band-check", "PID-3[2].1", 3)
    assert (found.message, found.remedy) == FINDINGS["band-check"][1:]
    assert finding("report-schema", message="element eTimes.03: missing").message == "element eTimes.03: missing"


def test_a_code_that_is_not_in_the_table_is_a_mistake_of_ours() -> None:
    with pytest.raises(KeyError):
        finding("band-chek")
