"""What is printed: one JSON document in UTF-8, and text that is only ever text."""

import json
import os
import sys
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gateway.caution import CAUTION
from gateway.cli.output import PlainConsole, counted, errors, out, print_json


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


@pytest.mark.parametrize("width", ["20", "80", "400"])
def test_a_line_in_a_file_or_a_pipe_is_never_wrapped(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, width: str
) -> None:
    monkeypatch.setenv("COLUMNS", width)
    errors.print(CAUTION, style="dim")
    out.print(CAUTION)
    assert [*capsys.readouterr()] == [f"{CAUTION}\n", f"{CAUTION}\n"]


def test_a_sentence_on_a_terminal_is_wrapped_between_words(monkeypatch: pytest.MonkeyPatch) -> None:
    """A real terminal, of which `tty(4)` says what it is."""
    ours, theirs = os.openpty()
    with os.fdopen(ours, "rb", buffering=0) as seen, os.fdopen(theirs, "w") as terminal:
        monkeypatch.setattr(sys, "stderr", terminal)
        monkeypatch.setenv("COLUMNS", "40")
        monkeypatch.setenv("NO_COLOR", "1")
        monkeypatch.setenv("TERM", "xterm")
        PlainConsole(stderr=True).print(CAUTION)
        terminal.flush()
        lines = seen.read(1000).decode().splitlines()
    assert len(lines) > 2
    assert " ".join(line.strip() for line in lines) == CAUTION


def test_things_are_counted_as_people_say_it() -> None:
    assert [counted(number, "file") for number in (0, 1, 2)] == ["0 files", "1 file", "2 files"]
    assert [counted(number, "delivery", "deliveries") for number in (1, 2)] == ["1 delivery", "2 deliveries"]
    assert counted(12345, "record") == "12345 records"


@pytest.mark.parametrize("console", [out, errors], ids=["out", "errors"])
def test_a_line_number_between_colons_is_no_picture(console: PlainConsole, capsys: pytest.CaptureFixture[str]) -> None:
    """`:100:` is one of rich's names for pictures; in `region.yaml:100: …` it is where the mistake stands."""
    console.print("region.yaml:100: host: unknown")
    told = capsys.readouterr()
    assert (told.out + told.err).strip() == "region.yaml:100: host: unknown"
