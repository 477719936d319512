"""The base of all records, and where a value came from."""

from enum import StrEnum

import msgspec


class Record(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """The base of all records: immutable, named arguments only, small when written as JSON."""


class Origin(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """Where one value stood in its message and which rule took it; a record holds a hundred of them.

    `path` is an HL7 position such as `PID-3[2].1` or an XPath such as
    `/EMSDataSet/Header[1]/PatientCareReport[1]/ePatient/ePatient.17`; `line` counts from 1 (a segment
    is a line); `rule` names the mapping and the rule in it, as `nemsis-3.5: patient.birth_date`.
    """

    path: str
    line: int | None
    rule: str


class How(StrEnum):
    """How a band identifier was recorded at the place where it was seen."""

    IDENTIFIER = "identifier"  #: a field meant for identifiers: queryable, the goal of the programme
    CUSTOM = "custom"  #: a custom element, an OBX or a Z segment: queryable by agreement
    FREE_TEXT = "free-text"  #: prose; never makes a link by itself


class Level(StrEnum):
    """How much a finding matters."""

    ERROR = "error"  #: keeps the record from doing its job; the sender must change something
    WARNING = "warning"  #: works, but will cost somebody a patient one day
    NOTE = "note"  #: worth knowing


class Finding(Record, frozen=True, kw_only=True):
    """One thing to say about a message: never a value from it, only a place.

    `code` is stable and listed in `gateway.findings`; `message` and `remedy` are the sentences shown.
    """

    level: Level
    code: str
    message: str
    remedy: str = ""
    path: str = ""
    line: int | None = None


class Traffic(StrEnum):
    """Live and test traffic never meet: not in an episode, not on a page, not in a figure."""

    LIVE = "live"
    TEST = "test"  #: processing id T or D, a training band, or a feed on trial


class Stage(StrEnum):
    """Whether what a feed sends counts."""

    TRIAL = "trial"  #: everything is done with it, but as test traffic
    LIVE = "live"
