"""`bandgate replay` as a user calls it, against real sockets."""

import asyncio
import json
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import hl7
import hl7.mllp
import pytest
import typer
from click.testing import Result
from typer.testing import CliRunner

from gateway.cli.replay import replay
from gateway.errors import Unreachable, UsageFault
from tests.receivers import acknowledgement, field, http_receiver, threaded_mllp_receiver

app = typer.Typer(pretty_exceptions_enable=False)
app.command(name="replay")(replay)

FAMILY = "ZEPHYRINE"
ADMISSION = (
    "MSH|^~\\&|ADT|AHMC|GATE|YF|20260314120000-0500||ADT^A04^ADT_A01|{id}|P|2.5.1\r"
    "PID|1||{patient}^^^AHMC^MR||" + FAMILY + "^QUILL||19610615|F\rPV1|1|E\r"
)
REPORT = (
    '<EMSDataSet><Header><PatientCareReport UUID="5f1d0f0e-2f6b-4b0e-9d2f-0a1b2c3d4e5f">'
    "<eTimes.03>2026-03-14T11:30:00-05:00</eTimes.03></PatientCareReport></Header></EMSDataSet>"
)


def call(*arguments: object, env: dict[str, str] | None = None) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments], env=env)


@pytest.fixture
def day(tmp_path: Path) -> Path:
    for number in range(1, 5):
        text = ADMISSION.format(id=f"M{number}", patient=number % 2)
        (tmp_path / f"{number}.hl7").write_bytes(text.encode())
    return tmp_path


def test_json_alone_on_standard_output(day: Path) -> None:
    with threaded_mllp_receiver() as receiver:
        result = call(day, "--to", receiver.address, "--json", "--connections", "2", "--rate", "500")
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    assert document["to"] == [receiver.address]
    assert document["stopped"] is None
    assert [(row["file"], row["message"], row["control_id"]) for row in document["messages"]] == [
        (str(day / f"{number}.hl7"), 1, f"M{number}") for number in range(1, 5)
    ]
    assert {(row["answer"], row["good"], row["sendings"]) for row in document["messages"]} == {("AA", True, 1)}
    figures = document["summary"]
    assert (figures["sent"], figures["good"], figures["rate_offered"]) == (4, 4, 500)
    latency = figures["latency_ms"]
    assert set(latency) == {"p50", "p90", "p99", "max"}
    assert latency["p50"] <= latency["p90"] <= latency["p99"] <= latency["max"]
    assert latency["max"] == max(row["latency_ms"] for row in document["messages"])
    assert len(receiver.connections) == 2


def test_words_for_people(day: Path) -> None:
    with threaded_mllp_receiver() as receiver:
        result = call(day / "1.hl7", day / "2.hl7", "--to", receiver.address)
    assert result.exit_code == 0
    assert re.search(r"^AA +[\d.]+ ms  .*1\.hl7  M1$", result.stdout, re.MULTILINE)
    assert re.search(r"^2 messages sent: 2 as wanted$", result.stdout, re.MULTILINE)
    assert re.search(r"^Answered: half in [\d.]+ ms, 9 of 10 in ", result.stdout, re.MULTILINE)


def test_a_foreign_receiver(day: Path) -> None:
    """Outside check: the server of the `hl7` package parses each message and acknowledges it."""
    with foreign_receiver() as (address, seen):
        result = call(day, "--to", address, "--json", "--fresh-ids", "--shift-to", "2026-07-01T08:00:00-05:00")
    assert result.exit_code == 0, result.output
    rows = json.loads(result.stdout)["messages"]
    assert [str(message["MSH"][0][10]) for message in seen] == [row["control_id"] for row in rows]
    assert {str(message["MSH"][0][7]) for message in seen} == {"20260701080000-0500"}
    assert {str(message["PID"][0][7]) for message in seen} == {"19610615"}


@contextmanager
def foreign_receiver() -> Iterator[tuple[str, list[hl7.Message]]]:
    seen: list[hl7.Message] = []
    loop = asyncio.new_event_loop()

    async def answer(reader: hl7.mllp.HL7StreamReader, writer: hl7.mllp.HL7StreamWriter) -> None:
        while True:
            try:
                message = await reader.readmessage()
            except asyncio.IncompleteReadError:
                break
            seen.append(message)
            writer.writemessage(message.create_ack("AA"))
            await writer.drain()
        writer.close()
        closed.set()

    closed = threading.Event()
    server = loop.run_until_complete(hl7.mllp.start_hl7_server(answer, "127.0.0.1", 0))
    thread = threading.Thread(target=loop.run_forever)
    thread.start()
    try:
        yield f"mllp://127.0.0.1:{server.sockets[0].getsockname()[1]}", seen
    finally:
        closed.wait(5)
        loop.call_soon_threadsafe(server.close)
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        loop.close()


def test_negative_answers_end_with_status_1(day: Path) -> None:
    with threaded_mllp_receiver(lambda m, n: acknowledgement(m, b"AE" if n == 2 else b"AA")) as receiver:
        result = call(day, "--to", receiver.address)
    assert result.exit_code == 1
    assert "4 messages sent: 3 as wanted, 1 refused" in result.stdout
    assert f"Why AE: no reason given  [{day / '2.hl7'}]" in result.stdout


def test_expected_answers(day: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    expected = tmp_path_factory.mktemp("expected")
    (expected / "2.hl7.expected").write_text("AE\n")

    def reply(message: bytes, _: int) -> bytes:
        return acknowledgement(message, b"AE" if field(message, 10) == b"M2" else b"AA")

    with threaded_mllp_receiver(reply) as receiver:
        assert call(day, "--to", receiver.address, "--expect", expected).exit_code == 0
        (expected / "3.hl7.expected").write_text("AR\n")
        result = call(day, "--to", receiver.address, "--expect", expected)
    assert result.exit_code == 1
    assert re.search(r"3\.hl7  M3  \(expected AR\)", result.stdout)
    assert "1 not as expected" in result.stdout


def test_care_reports_and_admissions_over_http_with_a_token(day: Path) -> None:
    (day / "order.csv").write_text("file,feed\n2.hl7,a\nr.xml,b\n1.hl7,a\n")
    (day / "r.xml").write_text(REPORT)
    with http_receiver() as receiver:
        result = call(day / "order.csv", "--to", receiver.address, "--json", env={"BANDGATE_TOKEN": "demo-x"})
    assert result.exit_code == 0, result.output
    assert [body for *_, body in receiver.requests] == [(day / n).read_bytes() for n in ("2.hl7", "r.xml", "1.hl7")]
    assert {headers["authorization"] for _, headers, _ in receiver.requests} == {"Bearer demo-x"}
    assert "demo-x" not in result.output
    assert [row["status"] for row in json.loads(result.stdout)["messages"]] == [200, 200, 200]


def test_local_times_with_a_zone(tmp_path: Path) -> None:
    """Half past eleven in Chicago in winter, shifted into summer (IANA time zone database)."""
    (tmp_path / "a.hl7").write_bytes(b"MSH|^~\\&|A|B|||20260115113000||ADT^A04|M1|P|2.5\rEVN||20260115123000\r")
    wanted = ("--shift-to", "2026-07-01T08:00:00", "--zone", "America/Chicago")
    with threaded_mllp_receiver() as receiver:
        assert call(tmp_path, "--to", receiver.address, *wanted).exit_code == 0
    assert receiver.messages == [b"MSH|^~\\&|A|B|||20260701080000||ADT^A04|M1|P|2.5\rEVN||20260701090000\r"]


def test_a_reason_is_told_once_with_the_number_and_the_first_file(day: Path) -> None:
    """FHIR R4 OperationOutcome; 401 as in RFC 9110, section 15.5.2."""
    issue = {"severity": "error", "code": "login", "details": {"text": "no feed has this token"}}
    body = json.dumps({"resourceType": "OperationOutcome", "issue": [issue]}).encode()
    with http_receiver(lambda _: (401, "application/fhir+json", body)) as receiver:
        result = call(day, "--to", receiver.address)
        document = json.loads(call(day, "--to", receiver.address, "--json").stdout)
    assert result.exit_code == 1
    assert result.stdout.count("no feed has this token") == 1
    assert f"Why 401: no feed has this token  [{day / '1.hl7'} and 3 more]" in result.stdout
    assert [row["reason"] for row in document["messages"]] == ["no feed has this token"] * 4
    assert document["summary"]["reasons"] == [
        {
            "answer": "401",
            "taken": False,
            "reason": "no feed has this token",
            "messages": 4,
            "first": str(day / "1.hl7"),
        }
    ]


def test_a_long_reason_of_a_stranger_is_cut_and_moves_no_cursor(day: Path) -> None:
    with http_receiver(lambda _: (500, "text/plain", b"\x1b[2J" + b"at line 7 " * 1000)) as receiver:
        result = call(day / "1.hl7", "--to", receiver.address)
    (why,) = [line for line in result.stdout.splitlines() if line.startswith("Why 500: ")]
    assert "\x1b" not in result.stdout
    assert len(why) < 320 + len(str(day))
    assert "…  [" in why


def test_what_was_known_before_is_told_and_counted(day: Path) -> None:
    """Table 0357: 205 is "Duplicate key identifier"."""

    def reply(message: bytes, number: int) -> bytes:
        known = acknowledgement(message).replace(b"\x1c", b"ERR|||205^Duplicate key identifier^HL70357|I\r\x1c")
        return known if number == 3 else acknowledgement(message)

    with threaded_mllp_receiver(reply) as receiver:
        result = call(day, "--to", receiver.address)
    assert result.exit_code == 0
    assert re.search(r"3\.hl7  M3  \(known before: a duplicate\)$", result.stdout, re.MULTILINE)
    assert "4 messages sent: 4 as wanted, 1 known before" in result.stdout
    assert f"Known before, says AA: Duplicate key identifier  [{day / '3.hl7'}]" in result.stdout


def test_shifting_to_now(day: Path) -> None:
    with threaded_mllp_receiver() as receiver:
        assert call(day, "--to", receiver.address, "--shift-to", "now").exit_code == 0
    assert not any(field(message, 7).startswith(b"20260314") for message in receiver.messages)


def test_what_could_not_be_rewritten_is_told(tmp_path: Path) -> None:
    (tmp_path / "a.hl7").write_bytes(b"MSH|^~&|A|B|||20260115113000||ADT^A04|M1|P|2.5\r")
    with threaded_mllp_receiver(lambda m, _: acknowledgement(m, b"AR")) as receiver:
        result = call(tmp_path, "--to", receiver.address, "--fresh-ids")
    assert result.exit_code == 1
    assert "a.hl7  M1  (cannot be read: sent as it is)" in result.stdout


def test_control_characters_do_not_reach_the_terminal(tmp_path: Path) -> None:
    (tmp_path / "a.hl7").write_bytes(b"MSH|^~\\&|A|B|||20260115113000||ADT^A04|M\x1b[31m1|P|2.5\r")
    with threaded_mllp_receiver() as receiver:
        result = call(tmp_path, "--to", receiver.address)
    assert "\x1b" not in result.stdout


def test_a_receiver_that_stays_silent(day: Path) -> None:
    with threaded_mllp_receiver(lambda m, n: acknowledgement(m) if n == 1 else None) as receiver:
        result = call(day, "--to", receiver.address, "--json")
    assert isinstance(result.exception, Unreachable)
    document = json.loads(result.stdout)
    assert (document["summary"]["sent"], document["summary"]["unanswered"], document["summary"]["unsent"]) == (2, 1, 2)
    assert "2.hl7: message 1: sent twice" in document["stopped"]
    assert [row["reason"] for row in document["messages"]] == [None, "the connection broke before the answer"]


def test_nobody_there(day: Path) -> None:
    with threaded_mllp_receiver() as receiver:
        address = receiver.address
    result = call(day, "--to", address)
    assert isinstance(result.exception, Unreachable)
    assert "\n" not in str(result.exception)


@pytest.mark.parametrize(
    ("arguments", "fault"),
    [
        (["--rate", "0"], "--rate"),
        (["--rate", "nan"], "--rate"),
        (["--shift-to", "yesterday"], "--shift-to: not a time"),
        (["--shift-to", "now", "--zone", "Mars/Base"], "--zone: not a zone"),
        (["--shift-to", "now", "--zone", "America"], "--zone: not a zone"),
        (["--expect", "nowhere"], "nowhere: not a folder"),
        (["--ca", "nowhere.pem"], "nowhere.pem: no certificates"),
        (["--to", "ftp://host"], "--to: not an address"),
    ],
)
def test_usage_that_cannot_work(day: Path, arguments: list[str], fault: str) -> None:
    result = call(day, "--to", "mllp://127.0.0.1:1", *arguments)
    assert isinstance(result.exception, UsageFault)
    assert fault in str(result.exception)
    assert "\n" not in str(result.exception)
    assert result.stdout == ""


@pytest.mark.parametrize("arguments", [[], ["x.hl7"], ["x.hl7", "--to", "mllp://h", "--connections", "0"]])
def test_arguments_that_are_missing_or_out_of_range(arguments: list[str]) -> None:
    assert call(*arguments).exit_code == 2


def test_help_has_an_example() -> None:
    result = call("--help")
    assert result.exit_code == 0
    assert "bandgate replay" in result.stdout


def test_no_persons_data_is_shown(day: Path) -> None:
    with threaded_mllp_receiver(lambda m, _: acknowledgement(m, b"AE")) as receiver:
        for options in ([], ["--json"], ["--fresh-ids", "--shift-to", "now"]):
            result = call(day, "--to", receiver.address, *options)
            assert FAMILY not in result.output
            assert "19610615" not in result.output
