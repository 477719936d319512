"""Bands as they were seen, and people as records describe them."""

from datetime import datetime
from enum import StrEnum

from gateway.records.base import How, Record


class Sighting(Record, frozen=True, kw_only=True):
    """One band identifier seen at one place in one message.

    `raw` is what stood there, untouched; `canonical` is the identifier after normalising, or None when
    what stood there is no identifier of a known scheme, and then `fault` holds the finding code.
    `folded` tells that look-alike characters had to be folded, which is suspicious in a scanned value.
    """

    raw: str
    canonical: str | None
    how: How
    path: str
    rule: str
    line: int | None = None
    scheme: str | None = None
    training: bool = False
    folded: bool = False
    fault: str | None = None


class Identifier(Record, frozen=True, kw_only=True):
    """An identifier of a person, a visit or a report, with whatever the source said about its issuer.

    `system` is the namespace as a URI once it is known (the region's table of authorities resolves it);
    the other fields are the components of HL7 v2 CX (2A.2.14): `namespace` CX.4.1, `universal_id` CX.4.2,
    `universal_id_type` CX.4.3, `type` CX.5 (table 0203), `facility` CX.6, `start` CX.7 and `end` CX.8 as
    written. `check_digit` (CX.2) and `check_scheme` (CX.3) are kept, never appended to the value. `written` is
    the whole CX in the usual delimiters where it says more than these fields hold, so that it can be sent on.
    """

    value: str
    system: str | None = None
    type: str | None = None
    namespace: str | None = None
    universal_id: str | None = None
    universal_id_type: str | None = None
    check_digit: str | None = None
    check_scheme: str | None = None
    facility: str | None = None
    start: str | None = None
    end: str | None = None
    written: str | None = None


class Sex(StrEnum):
    """Administrative sex, in the words of FHIR administrative-gender."""

    FEMALE = "female"
    MALE = "male"
    OTHER = "other"
    UNKNOWN = "unknown"


class Age(Record, frozen=True, kw_only=True):
    """An age as recorded; `estimated` when the source says so. `unit` is a UCUM code: a mo wk d h min."""

    value: int
    unit: str
    estimated: bool = False


class Address(Record, frozen=True, kw_only=True):
    """A postal address; `city` may be a name or a GNIS number, as the source wrote it."""

    lines: tuple[str, ...] = ()
    city: str | None = None
    state: str | None = None
    postal_code: str | None = None
    country: str | None = None
    district: str | None = None


class Person(Record, frozen=True, kw_only=True):
    """Who the record is about, as far as the record says.

    `birth_date` keeps its precision: `1961-06-15`, `1961-06` or `1961`. `unidentified` is true when the
    source marks the name as a filler (PID-31/PID-32) or the name is one of the region's placeholders
    ("DOE", "UNKNOWN"): such data is never evidence.
    """

    family: str | None = None
    given: str | None = None
    middle: str | None = None
    suffix: str | None = None
    prefix: str | None = None
    birth_date: str | None = None
    sex: Sex | None = None
    age: Age | None = None
    address: Address | None = None
    phones: tuple[str, ...] = ()
    deceased: bool | None = None
    deceased_at: datetime | None = None
    unidentified: bool = False
