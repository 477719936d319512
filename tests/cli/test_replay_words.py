"""A replay in words: plain sentences for what was counted, and never a character a terminal obeys."""

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from gateway.cli.replay_words import line, lines
from gateway.replaying.ends import Answer
from gateway.replaying.messages import Kind, Outgoing
from gateway.replaying.report import summary
from gateway.replaying.sending import Outcome, Run
from tests.cli.conftest import FIXTURES
from tests.receivers import threaded_mllp_receiver

TAKEN = Answer("AA", True)


def outcome(file: str = "a.hl7", answer: Answer | None = TAKEN, **more: Any) -> Outcome:
    message = Outgoing(file=file, number=1, kind=Kind.ADMISSION, body=b"", control_id=more.pop("control_id", "M1"))
    return Outcome(message=message, answer=answer, **({"seconds": 0.0125, "sendings": 1} | more))


def told(*outcomes: Outcome, unsent: int = 0, rate: float | None = None) -> list[str]:
    return list(lines(summary(Run(outcomes=outcomes, seconds=2.0, unsent=unsent, stopped=None), rate=rate)))


def test_one_message() -> None:
    assert told(outcome()) == [
        "1 message sent: 1 as wanted",
        "It took 2 s: 0.5 answers a second",
        "Answered in 12.5 ms",
    ]


def test_none_at_all() -> None:
    assert told(unsent=2, rate=5) == ["0 messages sent: 0 as wanted, 2 not sent", "It took 2 s"]


def test_some_of_everything() -> None:
    refused = Answer("AE", False, reason="PV1-19: missing")
    known = Answer("200", True, 200, "report 7: unchanged", is_duplicate=True)
    said = told(
        outcome(),
        outcome("b.hl7", refused),
        outcome("c.hl7", refused),
        outcome("d.hl7", known, seconds=0.1),
        outcome("e.hl7", None, sendings=2, lost="no answer in time"),
        unsent=3,
        rate=20,
    )
    assert said == [
        "Why AE: PV1-19: missing  [b.hl7 and 1 more]",
        "Known before, says 200: report 7: unchanged  [d.hl7]",
        "Why no answer: no answer in time  [e.hl7]",
        "5 messages sent: 2 as wanted, 2 refused, 1 known before, 1 not answered, 3 not sent, 1 sent twice",
        "It took 2 s: 2 answers a second, where 20 were wanted",
        "Answered: half in 12.5 ms, 9 of 10 in 100.0 ms, 99 of 100 in 100.0 ms, all in 100.0 ms",
    ]


@given(st.text(), st.text(), st.text())
def test_what_strangers_say_stays_on_its_line(file: str, control_id: str, reason: str) -> None:
    refused = outcome(file, Answer("AE", False, reason=reason), control_id=control_id)
    assert all(text.isprintable() for text in (line(refused), *told(refused)))


def test_on_a_terminal_each_row_has_a_line_of_its_own(tmp_path: Path) -> None:
    """The progress, on standard error, and the rows, on standard output, meet on one terminal."""
    number = 40
    message = next((FIXTURES / "day" / "admissions").glob("*.hl7")).read_bytes()
    for each in range(number):
        (tmp_path / f"{each:03}.hl7").write_bytes(message)
    with threaded_mllp_receiver() as receiver:
        command = [sys.executable, "-m", "gateway", "replay", str(tmp_path), "--to", receiver.address, "--rate", "200"]
        seen = on_a_terminal(command)
    rows = [text for text in seen.splitlines() if ".hl7  " in text]
    assert len(rows) == number
    assert [text for text in rows if "answered" in text] == []
    assert f"{number} messages answered" in seen


def on_a_terminal(command: list[str]) -> str:
    ours, theirs = os.openpty()
    environment = {**os.environ, "TERM": "xterm", "COLUMNS": "200", "NO_COLOR": "1"}
    with subprocess.Popen(command, stdout=theirs, stderr=theirs, env=environment, cwd=FIXTURES.parent) as process:
        os.close(theirs)
        seen = b""
        while piece := read_terminal(ours):
            seen += piece
        assert process.wait(30) == 0, seen
    os.close(ours)
    return seen.decode()


def read_terminal(ours: int) -> bytes:
    """Some bytes, none at the end, which Linux tells as an error (pty(7))."""
    try:
        return os.read(ours, 65536)
    except OSError:
        return b""
