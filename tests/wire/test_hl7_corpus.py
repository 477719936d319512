"""Messages of others against the running gateway, by a foreign client and a raw socket: one answer each, of its kind.

The messages lie beside the project and are never part of it. The foreign client is the MLLP client of the python-hl7
package. Which answer a message must get is worked out here with plain string splitting, from HL7 v2 section 2.8:
original mode where MSH-15 and MSH-16 are empty (AA, AE, AR), else as they ask (tables 0155 and 0008); a header that
cannot be read is AR or CR, and anything else that is readable and of a known sender is kept, so AA or CA. Every sender
of the corpus is made a feed here, by its own MSH-3 and MSH-4; those without either have a port that names them.
"""

import csv
import re
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from hl7.client import MLLPClient

from gateway.store import messages
from gateway.store.messages import Outcome
from tests.wire.process import Gateway, running

CORPUS = Path(__file__).parents[3] / "shared" / "corpus" / "hl7"
pytestmark = pytest.mark.skipif(not CORPUS.exists(), reason="the corpus lies beside the project, and is not here")

#: What the corpus calls a reason for `bad` that leaves nobody in doubt: the header cannot be used (2.8.2: AR).
UNUSABLE = {"no-msh", "msh-truncated", "encoding-characters", "no-message-type", "no-control-id", "no-version"}
#: A batch is no message (2.10.3); a listener answers message by message, so it is refused whole.
BATCH = {"batch"}
#: Bytes that end or begin a frame: such a file cannot travel by MLLP as one message (transport specification).
FRAMING = re.compile(rb"[\x0b\x1c]")


class Sent(NamedTuple):
    """One file of the corpus, and what its index says of it."""

    path: Path
    notes: frozenset[str]

    @property
    def data(self) -> bytes:
        """The bytes as a sender would frame them: one that wrote its own frame into the file has it taken off."""
        return re.sub(rb"^\x0b|\x1c\r?\n?$", b"", self.path.read_bytes())


def corpus() -> list[Sent]:
    with (CORPUS / "index.csv").open(encoding="utf-8") as file:
        found = [Sent(CORPUS / row["file"], frozenset(row["note"].split())) for row in csv.DictReader(file)]
    return [each for each in found if not FRAMING.search(each.data) and each.data]


def header(data: bytes) -> list[str]:
    """MSH cut by hand, so that the index is the number of the field; empty without a usable one."""
    line = re.split(rb"[\r\n]", data.lstrip(b"\xef\xbb\xbf \t\r\n\0"), maxsplit=1)[0].decode("latin-1")
    return ["", line[3], *line[4:].split(line[3])] if line.startswith("MSH") and len(line) > 4 else []


def names(data: bytes) -> tuple[str, str]:
    """MSH-3.1 and MSH-4.1."""
    fields = [*header(data), *[""] * 5]
    mark = fields[2][:1] or "^"
    return fields[3].partition(mark)[0].strip(), fields[4].partition(mark)[0].strip()


def asked(data: bytes) -> tuple[str, str]:
    """MSH-15 and MSH-16."""
    fields = [*header(data), *[""] * 17]
    return fields[15].strip(), fields[16].strip()


def code_for(data: bytes, *, good: bool) -> str:
    """The code of the one answer to a message that is taken or refused: the first that is wanted (table 0155)."""
    accept, application = asked(data)
    if not accept and not application:
        return "AA" if good else "AR"
    wanted = {"": False, "NE": False, "ER": not good, "SU": good}
    if wanted.get(accept, True):
        return "CA" if good else "CR"
    return ("AA" if good else "AR") if wanted.get(application, True) else "none"


def kinds(sent: Sent) -> set[str]:
    """The codes that MSA-1 may have, `none` where no answer is to come."""
    if sent.notes & BATCH:
        return {"AR"}
    taken, refused = code_for(sent.data, good=True), code_for(sent.data, good=False)
    if sent.path.parent.name != "bad":
        return {taken}
    return {refused} if sent.notes & UNUSABLE else {taken, refused}


def feed_of(number: int, application: str, facility: str) -> dict[str, Any]:
    sender = {key: value for key, value in (("application", application), ("facility", facility)) if value}
    feed: dict[str, Any] = {"name": f"theirs-{number}", "organisation": "anvil-head", "kind": "admissions"}
    return feed | {"mapping": "band-in-pid3", "stage": "live"} | ({"sender": sender} if sender else {})


def with_their_feeds(region: dict[str, Any]) -> None:
    """Each sender of the corpus as a feed, and a port for those that do not say who they are."""
    senders = sorted({names(each.data) for each in corpus()} - {("", "")})
    region["feeds"] = [feed_of(number, *sender) for number, sender in enumerate(senders)] + [feed_of(999, "", "")]
    region["listeners"] = [{"name": "unnamed", "port": 0, "feed": "theirs-999"}]
    region["settings"] = {"stranger_messages": 1000}


@pytest.fixture(scope="module")
def gateway(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Gateway]:
    with running(tmp_path_factory.mktemp("corpus"), with_their_feeds) as started:
        yield started


def port_for(gateway: Gateway, sent: Sent) -> tuple[str, int]:
    if names(sent.data) != ("", ""):
        return gateway.mllp
    listeners: Any = gateway.doors["listeners"]
    host, port = listeners["unnamed"].removeprefix("mllp://").split(":")
    return host, int(port)


def code_of(answer: bytes) -> str:
    """MSA-1, whatever the separator is."""
    mark = re.escape(answer[3:4])
    found = re.search(rb"\rMSA" + mark + rb"([A-Z]{2})", answer)
    assert found, "an answer has an MSA segment"
    return found[1].decode()


def answers_over_one_socket(gateway: Gateway, sent: list[Sent]) -> list[list[bytes]]:
    """Everything through one connection a door, one after the other; all that came back for each.

    Behind each message goes one that is always answered: what comes before that answer belongs to the message.
    """
    probe = b"MSH|^~\\&|PROBE|NOWHERE|||2026||ADT^A01|PROBE|P|2.5\r"
    found = []
    opened: dict[tuple[str, int], socket.socket] = {}
    for each in sent:
        address = port_for(gateway, each)
        if address not in opened:
            opened[address] = socket.create_connection(address, timeout=30)
        line = opened[address]
        line.sendall(b"\x0b" + each.data + b"\x1c\r\x0b" + probe + b"\x1c\r")
        heard = b""
        while (b"|PROBE\r" not in heard and b"MSA|AR|PROBE" not in heard) or not heard.endswith(b"\x1c\r"):
            piece = line.recv(65536)
            assert piece, f"{each.path.name}: the door hung up"
            heard += piece
        frames = heard.split(b"\x1c\r")[:-1]
        assert all(frame.startswith(b"\x0b") for frame in frames)
        found.append([frame[1:] for frame in frames[:-1]])
    for line in opened.values():
        line.close()
    return found


def test_every_message_gets_one_answer_of_its_kind_on_one_connection(gateway: Gateway) -> None:
    sent = corpus()
    wrong = []
    for each, answers in zip(sent, answers_over_one_socket(gateway, sent), strict=True):
        codes = [code_of(answer) for answer in answers] or ["none"]
        if len(codes) != 1 or codes[0] not in kinds(each):
            wrong.append((each.path.parent.name, each.path.name, codes, sorted(kinds(each)), sorted(each.notes)))
    assert wrong == []
    assert len(sent) > 100


def test_the_answer_names_the_message_it_answers(gateway: Gateway) -> None:
    """MSA-2 is the MSH-10 of the message (2.8), as it stood; whoever matches answers stands still otherwise."""
    sent = [each for each in corpus() if each.path.parent.name != "bad" and not each.notes & BATCH]
    sent = [each for each in sent if "none" not in kinds(each)]
    for each, (answer,) in zip(sent, answers_over_one_socket(gateway, sent), strict=True):
        mark = answer[3:4].decode("latin-1")
        msa = next(line for line in answer.decode("latin-1").split("\r") if line.startswith("MSA"))
        assert msa.split(mark)[2].strip() == header(each.data)[10].strip(), each.path.name


def test_a_foreign_client_gets_the_same_answers(gateway: Gateway) -> None:
    """The client of python-hl7 waits for one answer a message, on a connection for each."""
    for each in corpus():
        if "none" in kinds(each):
            continue
        with MLLPClient(*port_for(gateway, each)) as client:
            client.socket.settimeout(30)
            framed: bytes = client.send(b"\x0b" + each.data + b"\x1c\r")
        assert framed[:1] == b"\x0b", each.path.name
        assert framed[-2:] == b"\x1c\r", each.path.name
        assert code_of(framed[1:-2]) in kinds(each), each.path.name


def test_what_was_accepted_is_kept_once_and_the_rest_lies_in_quarantine(gateway: Gateway) -> None:
    """Sent several times by the tests above: a repeat is answered again and does nothing."""
    answers_over_one_socket(gateway, corpus())
    kept: list[messages.Message] = gateway.read(lambda tx: messages.recent(tx, limit=10_000))
    whole = [each.content_hash for each in kept if each.outcome is Outcome.KEPT]
    assert len(whole) == len(set(whole))
    good = {messages.fingerprint(each.data) for each in corpus() if each.path.parent.name == "good"}
    assert good <= set(whole)
    assert "Traceback" not in gateway.log()
    assert "request_failed" not in gateway.log()
