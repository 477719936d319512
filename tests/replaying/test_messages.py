"""What is sent: files, folders, order files, batches; new ids and other times over a whole run.

Batches: HL7 v2 section 2.9.2 (FHS, BHS, BTS, FTS around the messages).
"""

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from gateway.errors import UsageFault
from gateway.replaying.messages import Kind, Outgoing, read_messages, shifted_to, with_fresh_ids

FIRST = b"MSH|^~\\&|A|B|||20260314120000||ADT^A04|M1|P|2.5.1\rPID|1||77^^^AHMC^MR~88\r"
SECOND = b"MSH|^~\\&|A|B|||20260314130000||ADT^A08|M2|P|2.5.1\rPID|1||99\r"
OLD = "5f1d0f0e-2f6b-4b0e-9d2f-0a1b2c3d4e5f"
REPORT = (
    f'<EMSDataSet><Header><PatientCareReport UUID="{OLD}">'
    "<eTimes.03>2026-03-14T11:30:00-05:00</eTimes.03></PatientCareReport></Header></EMSDataSet>"
).encode()
NOW = datetime(2026, 11, 2, 9, tzinfo=UTC)


def write(folder: Path, files: dict[str, bytes]) -> Path:
    for name, content in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)
    return folder


def bodies(messages: list[Outgoing]) -> list[bytes]:
    return [message.body for message in messages]


def test_a_folder_is_walked_by_name(tmp_path: Path) -> None:
    files = {
        "b.hl7": SECOND,
        "a/z.HL7": FIRST,
        "c.xml": REPORT,
        "README.md": b"#",
        "notes.txt": b"notes",
        "d.txt": FIRST,
    }
    messages = read_messages([write(tmp_path, files)])
    assert [Path(message.file).name for message in messages] == ["z.HL7", "b.hl7", "c.xml", "d.txt"]
    assert [message.kind for message in messages] == [Kind.ADMISSION, Kind.ADMISSION, Kind.REPORT, Kind.ADMISSION]
    assert bodies(messages) == [FIRST, SECOND, REPORT, FIRST]
    assert [message.control_id for message in messages] == ["M1", "M2", "", "M1"]


def test_messages_that_belong_together(tmp_path: Path) -> None:
    write(tmp_path, {"a.hl7": FIRST, "b.hl7": SECOND, "c.xml": REPORT, "d.hl7": b"MSH|^~\\&|A|B|||1||ADT|M3|P|2.5\r"})
    assert [message.together for message in read_messages([tmp_path])] == ["77", "99", OLD, ""]


@pytest.mark.parametrize(
    "content",
    [
        FIRST + SECOND,
        FIRST + b"\r\n" + SECOND + b"\r\n\r\n",
        b"FHS|^~\\&|A\rBHS|^~\\&|A\r" + FIRST + SECOND + b"BTS|2\rFTS|1\r",
        b"\x0b" + FIRST + b"\x1c\r\x0b" + SECOND + b"\x1c\r",
        b"\xef\xbb\xbf" + FIRST + SECOND,
    ],
)
def test_several_messages_in_a_file(tmp_path: Path, content: bytes) -> None:
    messages = read_messages([write(tmp_path, {"a.hl7": content}) / "a.hl7"])
    assert bodies(messages) == [FIRST, SECOND]
    assert [message.number for message in messages] == [1, 2]


@pytest.mark.parametrize(
    "content", [FIRST, FIRST.replace(b"\r", b"\n"), b"\xef\xbb\xbf\n" + FIRST + b"\r\r", b"MSH|^~&", b"junk"]
)
def test_a_single_message_goes_out_as_it_stands(tmp_path: Path, content: bytes) -> None:
    """An unreadable one too: to see how a receiver takes it is what it is for."""
    assert bodies(read_messages([write(tmp_path, {"a.hl7": content}) / "a.hl7"])) == [content]


def test_the_control_id_of_an_unreadable_message(tmp_path: Path) -> None:
    write(tmp_path, {"a.hl7": b"MSH|^~&|A|B|||20260314||ADT^A04|M9|P|2.5\r"})  # MSH-2 lacks its escape character
    assert read_messages([tmp_path])[0].control_id == "M9"


def test_an_order_file(tmp_path: Path) -> None:
    order = "feed,file\r\nx,in/b.hl7\r\ny,in/a.xml\r\nx,in/b.hl7\r\n"
    write(tmp_path, {"order.csv": b"\xef\xbb\xbf" + order.encode(), "in/b.hl7": SECOND, "in/a.xml": REPORT})
    assert bodies(read_messages([tmp_path / "order.csv"])) == [SECOND, REPORT, SECOND]
    write(tmp_path, {"in/up.csv": b"file\nin/a.xml\n"})
    upward = read_messages([tmp_path / "in" / "up.csv"])
    assert [(message.file, message.body) for message in upward] == [(str(tmp_path / "in" / "a.xml"), REPORT)]
    assert bodies(read_messages([tmp_path])) == [REPORT, SECOND]  # a walked folder is not ordered by it


@pytest.mark.parametrize(
    ("order", "fault"),
    [
        (b"feed,name\nx,b.hl7\n", "line 1: no column named file"),
        (b"", "line 1: no column named file"),
        (b"feed,file\nx,b.hl7\nx,c.hl7\n", "line 3: c.hl7: not a .hl7"),
        (b"file,feed\n,x\n", "line 2: the column file is empty"),
        (b"file\norder.csv\n", "line 2: order.csv: not a .hl7"),
        (b"file\n\xff\n", "not a CSV file in UTF-8"),
        (b'file\n"b.hl7\n', "not a CSV file"),
    ],
)
def test_an_order_file_with_a_mistake(tmp_path: Path, order: bytes, fault: str) -> None:
    write(tmp_path, {"order.csv": order, "b.hl7": FIRST})
    with pytest.raises(UsageFault, match=f"order.csv: {fault}"):
        read_messages([tmp_path / "order.csv"])


@pytest.mark.parametrize(
    ("name", "content", "fault"),
    [
        ("none.hl7", None, "none.hl7: no such file"),
        ("none", None, "none: no such file"),
        ("a.pdf", b"x", "a.pdf: holds what"),
        ("a.hl7", b"", "a.hl7: empty"),
        ("a.xml", b"", "a.xml: empty"),
        ("folder/x.md", b"", "no message found"),
    ],
)
def test_paths_that_cannot_be_used(tmp_path: Path, name: str, content: bytes | None, fault: str) -> None:
    if content is not None:
        write(tmp_path, {name: content})
    path = tmp_path / (name if "/" not in name else "folder")
    with pytest.raises(UsageFault, match=fault):
        read_messages([path])


def test_expected_codes(tmp_path: Path) -> None:
    write(tmp_path, {"in/a.hl7": FIRST, "in/b.hl7": SECOND, "in/c.xml": REPORT})
    write(tmp_path, {"out/a.hl7.expected": b"ae\r\nwhy\n", "out/c.xml.expected": b"422"})
    messages = read_messages([tmp_path / "in"], expected_in=tmp_path / "out")
    assert [message.expected for message in messages] == ["AE", None, "422"]
    with pytest.raises(UsageFault, match="nowhere: not a folder"):
        read_messages([tmp_path / "in"], expected_in=tmp_path / "nowhere")
    write(tmp_path, {"out/b.hl7.expected": b"\n"})
    with pytest.raises(UsageFault, match=r"b\.hl7\.expected: line 1: not an answer code"):
        read_messages([tmp_path / "in"], expected_in=tmp_path / "out")


@pytest.mark.parametrize(
    ("msh18", "codec", "charset"),
    [
        ("", "ascii", "us-ascii"),
        ("UNICODE UTF-8", "utf-8", "utf-8"),
        ("8859/1", "latin-1", "iso-8859-1"),
        ("", "utf-8", None),
    ],
)
def test_the_character_set(tmp_path: Path, msh18: str, codec: str, charset: str | None) -> None:
    """Names of the IANA registry of character sets; none where MSH-18 does not say what the bytes are."""
    name = "Quill" if codec == "ascii" else "Åström"
    body = f"MSH|^~\\&|A|B|||1||ADT^A04|M1|P|2.5||||||{msh18}\rPID|1||7||{name}\r".encode(codec)
    assert read_messages([write(tmp_path, {"a.hl7": body})])[0].charset == charset


# ── new ids, other times ───────────────────────────────────────────────────────────────────────────


def outgoing(body: bytes, kind: Kind = Kind.ADMISSION, control_id: str = "") -> Outgoing:
    return Outgoing(file="a", number=1, kind=kind, body=body, control_id=control_id)


def test_fresh_ids_hold_for_the_whole_run() -> None:
    quoting = SECOND + f"OBX|1|ST|PCR||{OLD}\r".encode()
    before = [
        outgoing(FIRST, control_id="M1"),
        outgoing(FIRST, control_id="M1"),
        outgoing(quoting, control_id="M2"),
        outgoing(REPORT, Kind.REPORT),
        outgoing(REPORT, Kind.REPORT),
    ]
    one, two, quoted, report, again = with_fresh_ids(before, now=NOW)
    assert len({"M1", "M2", one.control_id, two.control_id, quoted.control_id}) == 5
    assert one.body == FIRST.replace(b"M1", one.control_id.encode())
    assert report.body == again.body != REPORT
    new = report.body.split(b'UUID="')[1][:36]
    assert quoted.body == quoting.replace(b"M2", quoted.control_id.encode()).replace(OLD.encode(), new)
    assert report.body == REPORT.replace(OLD.encode(), new)
    assert with_fresh_ids(before, now=NOW)[0].control_id != one.control_id


def test_the_earliest_time_of_the_run_becomes_the_wanted_one() -> None:
    """The report's 11:30-05:00 is 16:30 UTC; the admissions' 12:00 and 13:00 are of the zone given."""
    messages = [outgoing(SECOND), outgoing(FIRST), outgoing(REPORT, Kind.REPORT)]
    moved = shifted_to(messages, NOW, zone=UTC)
    assert moved[1].body == FIRST.replace(b"20260314120000", b"20261102090000")
    assert moved[0].body == SECOND.replace(b"20260314130000", b"20261102100000")
    assert moved[2].body == REPORT.replace(b"2026-03-14T11:30:00", b"2026-11-02T08:30:00")
    central = timedelta(hours=-5)
    moved = shifted_to(messages, NOW, zone=timezone(central))
    assert b"2026-11-02T04:00:00-05:00" in moved[2].body


def test_what_cannot_be_read_is_told_and_sent_as_it_is() -> None:
    broken, wide = outgoing(b"MSH|^~&|A", control_id="M9"), outgoing("<a/>".encode("utf-16"), Kind.REPORT)
    for messages in (
        with_fresh_ids([broken, wide], now=NOW),
        shifted_to([outgoing(FIRST), broken, wide], NOW, zone=UTC)[1:],
    ):
        assert messages == [replace(broken, kept_as_is=True), replace(wide, kept_as_is=True)]


def test_no_time_to_count_from() -> None:
    with pytest.raises(UsageFault, match="no message has a time"):
        shifted_to([outgoing(b"MSH|^~\\&|A|B|||||ADT|M1|P|2.5\r")], NOW, zone=UTC)
