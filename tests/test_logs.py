"""Log events: named, listed, and unable to carry a person's data."""

import ast
import io
import json
import logging
import re
from pathlib import Path

import pytest

from gateway.logs import EVENTS, log, set_up

GATEWAY = Path(__file__).parent.parent / "gateway"


@pytest.fixture
def stream() -> io.StringIO:
    text = io.StringIO()
    set_up(text)
    return text


def calls() -> list[tuple[str, str, set[str]]]:
    """File, event and field names of every call of `log` in the gateway."""
    found = []
    for path in sorted(GATEWAY.rglob("*.py")):
        for call in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id == "log":
                assert isinstance(call.args[0], ast.Constant), f"{path.name}: the event is written out"
                fields = {each.arg for each in call.keywords if each.arg} - {"level"}
                found.append((path.name, str(call.args[0].value), fields))
    return found


def test_every_event_in_the_code_is_listed_with_its_fields() -> None:
    assert len(calls()) > 5
    assert [(file, event) for file, event, fields in calls() if not fields <= EVENTS.get(event, frozenset())] == []


def test_every_listed_event_is_logged_somewhere() -> None:
    assert set(EVENTS) - {event for _, event, _ in calls()} == set()


def test_no_field_could_hold_a_person() -> None:
    fields = {field for fields in EVENTS.values() for field in fields}
    assert not fields & {"name", "patient", "band", "birth_date", "sex", "phone", "message", "text", "value", "path"}


@pytest.mark.parametrize(
    ("event", "fields"), [("startd", {}), ("started", {"regoin": "x"}), ("stopped", {"band": "YF7K4M2QG"})]
)
def test_what_is_not_listed_is_refused_and_not_written(stream: io.StringIO, event: str, fields: dict[str, str]) -> None:
    with pytest.raises(ValueError, match=r"not in gateway\.logs\.EVENTS") as caught:
        log(event, **fields)
    assert "YF7K4M2QG" not in str(caught.value)
    assert stream.getvalue() == ""


def test_an_event_is_one_line_of_json_with_time_and_level(stream: io.StringIO) -> None:
    log("message_refused", level="warning", feed="anvil-head-adt", door="admissions", code="no-msh\nx")
    (line,) = stream.getvalue().splitlines()
    told = json.loads(line)
    assert told.pop("timestamp").endswith("Z")
    assert told == {
        "event": "message_refused",
        "level": "warning",
        "feed": "anvil-head-adt",
        "door": "admissions",
        "code": "no-msh\nx",
    }


def test_debug_events_are_left_out_unless_asked_for(stream: io.StringIO) -> None:
    log("connection_opened", level="debug", door="admissions", address="127.0.0.1")
    assert stream.getvalue() == ""


def test_what_a_library_complains_of_is_told_by_its_place_alone(stream: io.StringIO) -> None:
    """A library's sentence, or the traceback it logs, may quote a person."""
    try:
        raise KeyError("Quillfeather")
    except KeyError:
        logging.getLogger("some.package").exception("cannot find Quillfeather")
    told = json.loads(stream.getvalue())
    assert (told["event"], told["library"], told["error"]) == ("library_complained", "some.package", "KeyError")
    assert re.fullmatch(r"test_logs:\d+", told["place"])
    assert "Quillfeather" not in stream.getvalue()
