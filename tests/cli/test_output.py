"""What is printed: one JSON document in UTF-8, and text that is only ever text."""

import json
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gateway.cli.output import CAUTION, out, print_json


@pytest.mark.parametrize(
    "document",
    [{}, [], {"name": "Ψηλός"}, {"half": "\ud800"}, {"file": "\udcff.hl7"}, {"deep": [{"x": None}, 1.5, True]}],
)
def test_a_document_is_printed_so_that_any_reader_gets_it_back(capsysbinary: Any, document: object) -> None:
    print_json(document)
    printed = capsysbinary.readouterr().out
    assert printed.endswith(b"\n")
    assert json.loads(printed.decode("utf-8")) == document


def test_times_are_printed_as_text(capsys: pytest.CaptureFixture[str]) -> None:
    print_json({"at": datetime(2026, 3, 14, tzinfo=UTC)})
    assert json.loads(capsys.readouterr().out)["at"].startswith("2026-03-14T00:00:00")


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.text(st.characters(codec="utf-8")))
def test_a_line_stays_a_line_and_moves_no_cursor(capsys: pytest.CaptureFixture[str], text: str) -> None:
    out.print(f"  value {text}")
    printed = capsys.readouterr().out
    assert printed.endswith("\n")
    assert all(character.isprintable() for character in printed[:-1])


def test_brackets_are_no_markup(capsys: pytest.CaptureFixture[str]) -> None:
    out.print("[bold]PID-3[2].1[/bold]")
    assert capsys.readouterr().out == "[bold]PID-3[2].1[/bold]\n"


def test_the_caution_is_short() -> None:
    assert len(CAUTION) < 200
