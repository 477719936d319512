"""Acknowledgements: whether to answer, with which code, and what an answer of others means.

The rules (HL7 v2, edition 2.9.1, 2.8; tables 0008, 0155, 0357, 0516):

* Original mode: MSH-15 and MSH-16 both empty; one answer AA, AE or AR. Enhanced mode: CA, CE or CR on
  receipt if MSH-15 asks, AA, AE or AR as a later message if MSH-16 asks.
* An accepting answer promises that the message is stored: whoever calls this has committed before.
* An answer speaks the sender's version and delimiters, and goes back to whom the message came from.
* No patient data: the texts are those of our findings and faults, which never hold a value; of an answer
  by others only codes are taken, never its texts.
"""

import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from enum import StrEnum
from typing import Final, NamedTuple

from gateway.adapters.er7 import Message, Position, read, trim
from gateway.adapters.er7_text import USUAL, Delimiters, read_delimiters
from gateway.adapters.er7_times import write_time
from gateway.adapters.er7_writing import Field, Raw, build
from gateway.errors import SenderFault, UnreadableMessage

# ── the message that is answered ───────────────────────────────────────────────────────────────────


class Header(NamedTuple):
    """What an answer needs to know of the message it answers.

    Fields are raw texts in `delimiters`, to be handed back as they came; empty where there was nothing.
    """

    delimiters: Delimiters = USUAL
    codec: str = "ascii"
    application: str = ""  # MSH-3
    facility: str = ""  # MSH-4
    trigger: str = ""  # MSH-9.2
    control_id: str = ""  # MSH-10
    processing_id: str = ""  # MSH-11
    version: str = ""  # MSH-12
    accept: str = ""  # MSH-15
    application_accept: str = ""  # MSH-16
    charset: str = ""  # MSH-18


_PLAIN = re.compile(r"[^\x00-\x1f\x7f]*")
_SIMPLE = re.compile(r"[^\x00-\x1f\x7f|^~\\&]*")
_HEADER_SIZE: Final = 4096  # enough of any MSH; of rubbish we look at no more


def header_of(message: Message) -> Header:
    """Give back the header of a readable message."""
    fields = message.header.fields
    return _header(fields[:19], message.delimiters, message.codec, _PLAIN)


def salvage_header(data: bytes) -> Header:
    """Give back what can be told of the header of an unreadable message; empty where nothing can.

    Where the delimiters are broken only values that hold none are taken. Never raises.
    """
    body, _ = trim(data[:_HEADER_SIZE])
    line = re.split(rb"[\r\n]", body, maxsplit=1)[0].decode("latin-1")
    if not line.startswith("MSH") or len(line) < 5:
        return Header()
    fields = ["MSH", line[3], *line[4:].split(line[3], 18)]
    try:
        delimiters, allowed = read_delimiters(line[3], fields[2]), _PLAIN
    except UnreadableMessage:
        delimiters, allowed = USUAL, _SIMPLE
    return _header(fields, delimiters, "latin-1", allowed)


def _header(fields: Sequence[str], delimiters: Delimiters, codec: str, allowed: re.Pattern[str]) -> Header:
    def take(number: int, component: int = 0) -> str:
        text = fields[number] if number < len(fields) else ""
        if component:
            text = "".join(text.split(delimiters.component, component)[component - 1 : component])
        return text if allowed.fullmatch(text) else ""

    accept, application_accept = take(15, 1), take(16, 1)
    return Header(
        delimiters,
        codec,
        take(3),
        take(4),
        take(9, 2),
        take(10),
        take(11),
        take(12),
        accept,
        application_accept,
        take(18),
    )


# ── whether and with what to answer ────────────────────────────────────────────────────────────────


class Wanted(StrEnum):
    """When an answer is wanted (table 0155)."""

    ALWAYS = "AL"
    NEVER = "NE"
    ON_ERROR = "ER"
    ON_SUCCESS = "SU"


class Mode(NamedTuple):
    """How the sender wants to be answered; in original mode the two wishes mean nothing."""

    is_enhanced: bool
    accept: Wanted = Wanted.NEVER
    application: Wanted = Wanted.NEVER


class Style(StrEnum):
    """How a feed is answered, whatever its messages say; many senders set MSH-15 and -16 without meaning it."""

    AUTO = "auto"  #: as MSH-15 and MSH-16 ask
    ORIGINAL = "original"  #: always one AA, AE or AR
    ACCEPT_ONLY = "accept-only"  #: always one CA, CE or CR
    BOTH = "both"  #: as they ask, and where they ask for both answers, both on the one connection


class Outcome(StrEnum):
    """What became of the message, as far as its sender is concerned."""

    TAKEN = "taken"  #: stored; the sender may forget it
    ERROR = "error"  #: read, and its content is at fault: the same message will fail again
    REJECTED = "rejected"  #: header unreadable, or type, version or processing id not accepted
    LATER = "later"  #: our own fault: the same message will be taken later


class Code(StrEnum):
    """MSA-1 (table 0008)."""

    AA = "AA"
    AE = "AE"
    AR = "AR"
    CA = "CA"
    CE = "CE"
    CR = "CR"


# AR invites a retry in original mode (2.8.2); in enhanced mode an internal failure is CE (2.8.3).
_APPLICATION: Final = {
    Outcome.TAKEN: Code.AA,
    Outcome.ERROR: Code.AE,
    Outcome.REJECTED: Code.AR,
    Outcome.LATER: Code.AR,
}
_ACCEPT: Final = {Outcome.TAKEN: Code.CA, Outcome.ERROR: Code.CE, Outcome.REJECTED: Code.CR, Outcome.LATER: Code.CE}


class Answers(NamedTuple):
    """`now` on the same connection; `later` as a message of its own in another exchange; None for neither."""

    now: Code | None
    later: Code | None = None

    def on_connection(self, style: Style) -> tuple[Code, ...]:
        """Say which of them go out on the connection of the message, in their order.

        Where both are wanted, most senders read one answer on a connection and would take a second for that to
        their next message (common practice, no source): they get the first, unless their style says both.
        """
        wanted = tuple(code for code in self if code is not None)
        return wanted if style is Style.BOTH else wanted[:1]


def mode_of(header: Header) -> Mode:
    """Say how the sender wants to be answered.

    Only one of the two valued is against the text but met: the empty one is read as never. A value out of
    the table is read as always, since a sender left without an answer stands still (common practice).
    """
    if not header.accept and not header.application_accept:
        return Mode(is_enhanced=False)
    return Mode(is_enhanced=True, accept=_wanted(header.accept), application=_wanted(header.application_accept))


def _wanted(text: str) -> Wanted:
    if not text:
        return Wanted.NEVER
    return next((wanted for wanted in Wanted if wanted.value == text), Wanted.ALWAYS)


def answers(mode: Mode, outcome: Outcome, style: Style = Style.AUTO) -> Answers:
    """Decide what to answer. After a refusal on receipt there is no application answer."""
    if style is Style.ACCEPT_ONLY:
        return Answers(_ACCEPT[outcome])
    if style is Style.ORIGINAL or not mode.is_enhanced:
        return Answers(_APPLICATION[outcome])
    now = _ACCEPT[outcome] if _is_wanted(mode.accept, outcome) else None
    later = _APPLICATION[outcome] if _is_wanted(mode.application, outcome) else None
    is_refused = outcome is not Outcome.TAKEN and now is not None
    return Answers(now, None if is_refused else later)


def _is_wanted(wanted: Wanted, outcome: Outcome) -> bool:
    if wanted is Wanted.ON_ERROR:
        return outcome is not Outcome.TAKEN
    if wanted is Wanted.ON_SUCCESS:
        return outcome is Outcome.TAKEN
    return wanted is Wanted.ALWAYS


# ── writing an answer ──────────────────────────────────────────────────────────────────────────────

#: Table 0357.
CONDITIONS: Final[dict[str, str]] = {
    "0": "Message accepted",
    "100": "Segment sequence error",
    "101": "Required field missing",
    "102": "Data type error",
    "103": "Table value not found",
    "104": "Value too long",
    "198": "Non-Conformant Cardinality",
    "199": "Other HL7 Error",
    "200": "Unsupported message type",
    "201": "Unsupported event code",
    "202": "Unsupported processing id",
    "203": "Unsupported version id",
    "204": "Unknown key identifier",
    "205": "Duplicate key identifier",
    "206": "Application record locked",
    "207": "Application error",
}


class Problem(NamedTuple):
    """What was wrong: a code of table 0357, our words for it, and the position, if it has one."""

    code: str
    text: str
    path: str = ""
    severity: str = "E"  #: table 0516


#: What a sender is told when the fault is ours; it says nothing about us.
TRY_LATER: Final = Problem("207", "the message could not be stored now: send it again later")


def problem_of(fault: SenderFault) -> Problem:
    """Give back a fault of the sender's as the answer states it."""
    text = f"{fault.message}: {fault.remedy}" if fault.remedy else fault.message
    return Problem(fault.hl7_code, text, fault.path)


def acknowledge(
    header: Header,
    code: Code,
    *,
    control_id: str,
    time: datetime,
    sending: tuple[Field, Field],
    problem: Problem | None = None,
    expected_sequence: str = "",
) -> bytes:
    """Give back the answer to the message with that header.

    `control_id` and `time` are the answer's own; `sending` is our application and facility, each a text or
    the components of an HD; `expected_sequence` goes to MSA-4. A message that named no version is answered
    in 2.5. Raises `GatewayFault` when `sending` cannot be written.
    """
    version = version_of(header)
    msa: dict[int, Field] = {1: code.value, 2: Raw(header.control_id), 4: expected_sequence}
    segments: list[tuple[str, Mapping[int, Field]]] = [
        ("MSH", _answer_header(header, version, control_id, time, sending)),
        ("MSA", msa),
    ]
    if problem is not None:
        if version < (2, 5):
            msa[3] = _ascii(problem.text)
        segments.append(("ERR", _error_fields(problem, version)))
    return build(segments, delimiters=header.delimiters, codec=header.codec)


def version_of(header: Header) -> tuple[int, ...]:
    """Give back MSH-12 as comparable numbers; 2.5 where it names none."""
    numbers = re.match(r"(\d{1,2})\.(\d{1,2})(?:\.(\d{1,2}))?", header.version, re.ASCII)
    return tuple(int(number) for number in numbers.groups() if number) if numbers else (2, 5)


def _answer_header(
    header: Header, version: tuple[int, ...], control_id: str, time: datetime, sending: tuple[Field, Field]
) -> dict[int, Field]:
    """MSH-9 has three components from 2.3.1 on; MSH-15 and -16 stay empty: nobody answers an answer."""
    message_type: Field = "ACK"
    if version >= (2, 3, 1) and header.trigger:
        message_type = ("ACK", Raw(header.trigger), "ACK")
    return {
        3: sending[0],
        4: sending[1],
        5: Raw(header.application),
        6: Raw(header.facility),
        7: write_time(time),
        9: message_type,
        10: control_id,
        11: Raw(header.processing_id or "P"),
        12: Raw(header.version if _names_something(header.version, header.delimiters) else "2.5"),
        18: Raw(header.charset),
    }


def _names_something(text: str, delimiters: Delimiters) -> bool:
    """Whether the first component of a raw field is more than blanks and the delete indicator."""
    return bool(text.partition(delimiters.component)[0].strip(' "'))


def _error_fields(problem: Problem, version: tuple[int, ...]) -> dict[int, Field]:
    """ERR: location and code in one field to 2.4 (ELD from 2.3.1), apart from 2.5 on."""
    place = _location(problem.path)
    words = CONDITIONS.get(problem.code, CONDITIONS["207"])
    if version >= (2, 5):
        coded = (problem.code, words, "HL70357")
        return {2: place, 3: coded, 4: problem.severity, 8: _ascii(problem.text)}
    if version >= (2, 3, 1):
        return {1: (*(place + (None,) * 3)[:3], (problem.code, words, "HL70357"))}
    return {1: (*(place + (None,) * 3)[:3], problem.code)}


def _location(path: str) -> tuple[str | None, ...]:
    """ERL: segment, its sequence, field, repetition, component, subcomponent; empty when there is no position."""
    try:
        position = Position.parse(path)
    except ValueError:
        return ()
    if position.field is None:
        return (position.segment, str(position.occurrence))
    parts = (position.occurrence, position.field, position.repetition, position.component, position.subcomponent)
    return (position.segment, *(str(number) if number else None for number in parts))


def _ascii(text: str) -> str:
    return text.encode("ascii", "replace").decode("ascii")


# ── reading an answer ──────────────────────────────────────────────────────────────────────────────


class Accepted(NamedTuple):
    """The receiver has it."""

    code: str


class Refused(NamedTuple):
    """The receiver said no. With `retry` the same bytes may be taken later; without, a person must look.

    `condition` is the code of table 0357 and `segment` the segment it complained of, when it said so.
    """

    code: str
    retry: bool
    condition: str = ""
    segment: str = ""


class NoAnswer(NamedTuple):
    """What came is no answer to our message; it counts as none. `reason` is a short word."""

    reason: str


class Echo(StrEnum):
    """What a receiver must put into MSA-2; a setting of the subscriber."""

    REQUIRED = "required"
    MAY_BE_EMPTY = "may-be-empty"  #: some receivers echo nothing


_RETRY: Final = {"AR", "CR"}
_ALL: Final = {code.value for code in Code}


def read_answer(data: bytes, expected_control_id: str, *, echo: Echo = Echo.REQUIRED) -> Accepted | Refused | NoAnswer:
    """Say what the answer to the message with that control id means. Never raises for bad bytes."""
    try:
        message = read(data, may_lack=(9, 10, 12))
    except SenderFault as fault:
        return NoAnswer(fault.code)
    segment = message.find_segment("MSA")
    if segment is None:
        return NoAnswer("no-msa")
    code, echoed = segment.value(1), segment.value(2)
    if echoed != expected_control_id and not (echoed is None and echo is Echo.MAY_BE_EMPTY):
        return NoAnswer("other-control-id")
    if not isinstance(code, str) or code not in _ALL:
        return NoAnswer("no-code")
    if code in {Code.AA, Code.CA}:
        return Accepted(code)
    return Refused(code, code in _RETRY, *_complaint(message))


def _complaint(message: Message) -> tuple[str, str]:
    """The condition code and segment of ERR, in the form of 2.5 and later or in the earlier one."""
    segment = message.find_segment("ERR")
    if segment is None:
        return "", ""
    code, place = segment.value(3), segment.value(2)
    if code is None:
        code, place = segment.value(1, 4), segment.value(1)
    condition = code if isinstance(code, str) and code in CONDITIONS else ""
    return condition, place if isinstance(place, str) and re.fullmatch(r"[A-Z][A-Z0-9]{2}", place) else ""
