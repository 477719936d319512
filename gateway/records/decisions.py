"""What the house decides: episodes, links, reviews; each dated, attributed and with its reasons."""

from datetime import datetime
from enum import StrEnum

from gateway.records.base import Record, Traffic


class EpisodeState(StrEnum):
    """Whether a band may still gather records."""

    OPEN = "open"
    CLOSED = "closed"


class Episode(Record, frozen=True, kw_only=True):
    """All that belongs to one patient under one band, until it closes; `bands[0]` is the primary one."""

    id: str
    state: EpisodeState
    traffic: Traffic
    bands: tuple[str, ...]
    opened: datetime
    closed: datetime | None = None


class RecordKind(StrEnum):
    """The two kinds of record that a link can join to an episode."""

    CARE_REPORT = "care-report"
    VISIT = "visit"


class LinkState(StrEnum):
    """What has been decided about one record and one episode."""

    LINKED = "linked"  #: belongs; see `confirmed` for whether clinical content may follow it
    HELD = "held"  #: something contradicts; nothing clinical moves until a person has answered
    WITHDRAWN = "withdrawn"  #: once linked, no longer so


class Reason(Record, frozen=True, kw_only=True):
    """One piece of evidence for or against a link, in a code and in words without a value."""

    code: str
    says: str
    supports: bool = True


class Link(Record, frozen=True, kw_only=True):
    """The dated, attributed, reasoned, reversible decision that a record belongs to an episode.

    `confirmed` is the two-identifier rule: the band and at least one independent fact agree.
    """

    id: str
    episode: str
    kind: RecordKind
    record: str
    organisation: str
    state: LinkState
    confirmed: bool
    reasons: tuple[Reason, ...]
    decided: datetime
    decided_by: str = "gateway"


class ReviewState(StrEnum):
    """Whether a person still has to answer."""

    OPEN = "open"
    ANSWERED = "answered"


class Review(Record, frozen=True, kw_only=True):
    """A question only a person can answer; `question` is a code of `gateway.linking`, `says` its words."""

    id: str
    state: ReviewState
    question: str
    says: str
    opened: datetime
    traffic: Traffic = Traffic.LIVE
    episode: str | None = None
    records: tuple[tuple[RecordKind, str], ...] = ()
