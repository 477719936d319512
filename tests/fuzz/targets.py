"""What is fuzzed: for each reader one input through all of it, and the rules that must hold whatever comes in.

Only `SenderFault` may come out, and it must say where or what to do: an answer that tells a sender nothing is a find.
"""

import random
from collections.abc import Callable
from itertools import pairwise
from typing import NamedTuple

from lxml import etree

from gateway.adapters import er7
from gateway.adapters.acknowledgements import (
    Outcome,
    acknowledge,
    answers,
    header_of,
    mode_of,
    problem_of,
    salvage_header,
)
from gateway.adapters.mllp import NEED_DATA, Dropped, Event, Frame, FrameEnd, FrameReader, Skipped
from gateway.adapters.report_payload import Limits
from gateway.adapters.report_service import ENVELOPE, SERVICE, Operation
from gateway.adapters.report_service_requests import RequestReader, ServiceRequest
from gateway.errors import SenderFault
from gateway.linking.visits import acts, fold, visit_key
from gateway.mapping.rules import Kind
from gateway.reading import kind_of, read_admission, read_reports
from gateway.region import Feed
from tests.fuzz.trees import bent
from tests.working import START, yarrowfen

FRAME_BYTES, JUNK_BYTES = 4096, 512  # small limits, so that a short input can meet them
PAYLOAD = f"{{{ENVELOPE}}}Body/{{*}}SubmitDataRequest/{{*}}submitPayload/{{*}}payloadOfXmlElement/{{*}}*"
TINY = 600  # bytes that are also fed one by one
REPORT_BYTES = 1 << 20
REGION = yarrowfen()


class Target(NamedTuple):
    """A reader: what is done with one input, and how to bend one where the fuzzer's own way is too blunt."""

    check: Callable[[bytes], None]
    bend: Callable[[bytes, random.Random], bytes | None] | None = None


# ── admission messages ─────────────────────────────────────────────────────────────────────────────


def admission(data: bytes) -> None:
    """Read, map by every way of finding the feed, fold into a visit, and answer."""
    feeds = _feeds(Kind.ADMISSIONS)
    for feed in (None, feeds[len(data) % len(feeds)]):
        try:
            read = read_admission(REGION, data, feed=feed)
        except SenderFault as fault:
            _answer(data, fault)
            continue
        for each in read.admissions:
            key = visit_key(each) if acts(each.trigger) else None
            if key is not None:
                fold(fold(None, each, key=key), each, key=key)
        answers(mode_of(header_of(read.message)), Outcome.TAKEN)


def _answer(data: bytes, fault: SenderFault) -> None:
    """Every refusal is answered, and the answer is a message."""
    _check(fault)
    header = salvage_header(data)
    code = answers(mode_of(header), Outcome.REJECTED).now
    if code is not None:
        said = acknowledge(
            header, code, control_id="1", time=START, sending=("GATEWAY", "Yarrowfen"), problem=problem_of(fault)
        )
        assert str(er7.read(said).value(er7.Position("MSA", 1))) == code


def _check(fault: SenderFault) -> None:
    assert fault.code
    assert fault.path or fault.line or fault.remedy, "a fault that says neither where nor what to do"


# ── frames ─────────────────────────────────────────────────────────────────────────────────────────


def frames(data: bytes) -> None:
    """The events do not depend on how the bytes were cut into pieces, and none holds more than came in."""
    for end in FrameEnd:
        whole = _events(end, [data])
        cuts = sorted(random.Random(len(data)).sample(range(len(data) + 1), k=min(5, len(data) + 1)))
        assert _events(end, [data[a:b] for a, b in pairwise([0, *cuts, len(data)])]) == whole
        if len(data) < TINY:
            assert _events(end, [data[n : n + 1] for n in range(len(data))]) == whole
        assert sum(map(_size, whole)) <= len(data)


def _events(end: FrameEnd, pieces: list[bytes]) -> list[Event | str]:
    """What a stream means, cut into these pieces; a fault, which ends it, by its code."""
    reader = FrameReader(limit=FRAME_BYTES, junk_limit=JUNK_BYTES, end=end)
    found: list[Event | str] = []
    for piece in pieces:
        reader.receive(piece)
        try:
            while (event := reader.next_event()) is not NEED_DATA:
                found.append(event)
        except SenderFault as fault:
            return [*found, fault.code]
    left = reader.close()
    return [*found, left] if left else found


def _size(event: Event | str) -> int:
    if isinstance(event, Frame):
        return len(event.payload)
    return event.size if isinstance(event, Skipped | Dropped) else 0


# ── care reports ───────────────────────────────────────────────────────────────────────────────────


def reports(data: bytes) -> None:
    """Read and map every report of a payload, by its own agency's feed and by another; twice the same."""
    feeds = _feeds(Kind.CARE_REPORTS)
    for feed in (None, feeds[len(data) % len(feeds)]):
        try:
            for read in read_reports(REGION, data, feed=feed, limits=Limits(size=REPORT_BYTES, marks=20_000)):
                assert read.report.key
        except SenderFault as fault:
            _check(fault)
    kind_of(data)


# ── requests of the web service ────────────────────────────────────────────────────────────────────


class Asked(NamedTuple):
    """What a request turned out to be: its parameters, or the fault; and its payload as far as it was given."""

    request: ServiceRequest | None
    fault: str
    payload: bytes


def requests(data: bytes) -> None:
    """Whole and in pieces a request means the same, and its payload is the element that stands in the message."""
    operation = next((each for each in Operation if each.encode() in data), Operation.LIMIT)
    whole = _asked(operation, [data])
    step = max(1, len(data) // 7)
    pieces = _asked(operation, [data[n : n + step] for n in range(0, len(data), step)])
    assert (pieces.request is None) == (whole.request is None)
    if whole.request is None:
        return
    assert pieces == whole
    if whole.payload:
        _compare(data, whole.payload)


def _asked(operation: Operation, pieces: list[bytes]) -> Asked:
    reader, payload = RequestReader(operation, largest=REPORT_BYTES), b""
    try:
        for piece in pieces:
            payload += reader.receive(piece)
        request, rest = reader.close()
    except SenderFault as fault:
        _check(fault)
        return Asked(None, fault.code, payload)
    return Asked(request, "", payload + rest)


def _compare(data: bytes, payload: bytes) -> None:
    """Element by element, as lxml sees both; it is stricter about addresses than what reads the message."""
    parser = etree.XMLParser(resolve_entities=False, no_network=True, huge_tree=True)
    try:
        message = etree.fromstring(data, parser)
    except etree.XMLSyntaxError:
        return
    (standing,) = message.findall(PAYLOAD)
    standing.tail = None
    if not _is_of_the_envelope(standing):
        assert _said(etree.fromstring(payload, parser)) == _said(standing), "the payload is another than was sent"


def _is_of_the_envelope(root: etree._Element) -> bool:
    """Whether anything is in the namespaces that no payload is in, which are therefore not declared for it."""
    names = {str(name) for each in root.iter() for name in (each.tag, *each.attrib)}
    return any(f"{{{space}}}" in name for name in names for space in (SERVICE, ENVELOPE))


def _said(root: etree._Element) -> list[tuple[object, ...]]:
    return [(each.tag, each.text, each.tail, dict(each.attrib)) for each in root.iter()]


def _feeds(kind: Kind) -> list[Feed]:
    return [feed for feed in REGION.feeds.values() if feed.kind is kind]


TARGETS: dict[str, Target] = {
    "er7": Target(admission),
    "frames": Target(frames),
    "reports": Target(reports, bent),
    "requests": Target(requests, bent),
}
