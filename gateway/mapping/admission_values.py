"""The values of an admission record: each looked for at its places, converted, and kept with its origin.

A value that cannot be read costs the value and is told at its place; the next place is tried. What a list
value gathers comes from all its places, each thing once.
"""

from collections.abc import Callable, Mapping, Sequence, Set
from functools import partial
from typing import Any, NamedTuple

from gateway.adapters.er7 import Message
from gateway.adapters.er7_text import NULL
from gateway.adapters.er7_times import Clock, Precision, Time, read_time, zone_of
from gateway.findings import finding
from gateway.mapping import conversions
from gateway.mapping.conversions import CX, XCN, XCN_FIELDS, XPN_FIELDS
from gateway.mapping.places import Segments, Spot, compile_place
from gateway.mapping.rules import Conversion, Place
from gateway.mapping.source import Source
from gateway.mapping.tables import CodeTable
from gateway.records import Diagnosis, Finding, Identifier, Origin, Sex

#: What a number is by the value it is mapped to, where CX.5 does not say (table 0203; PV1-19 in the v2-to-FHIR map
#: PV1[Encounter], PID-18 by its name).
IMPLIED_TYPES = {"visit_number": "VN", "account": "AN"}


class Case:
    """One patient of one message while it is being read: what is looked at, and what has been found.

    `filled` are the names of the values that may be there (see `find_filled`); `lacks_issuers` tells that a number
    was met whose issuer the message does not name or nobody knows.
    """

    __slots__ = (
        "delimiters",
        "filled",
        "findings",
        "has_local_times",
        "lacks_issuers",
        "message",
        "origins",
        "segments",
        "source",
        "times",
        "zone",
        "zone_is_sent",
    )

    def __init__(self, message: Message, segments: Segments, source: Source, filled: Set[str]) -> None:
        self.message = message
        self.segments = segments
        self.filled = filled
        self.delimiters = message.delimiters
        self.source = source
        self.origins: dict[str, Origin] = {}
        self.findings: list[Finding] = []
        self.times: dict[str, Time | None] = {}
        self.has_local_times = False
        self.lacks_issuers = False
        # A zone in MSH-7 holds for the whole message (HL7 v2, MSH-7).
        said = message.header.value(7)
        self.zone = zone_of(said, source.zone) if isinstance(said, str) else source.zone
        self.zone_is_sent = self.zone is not source.zone

    def settle(self, result: Any, path: str, line: int) -> Any:
        """Give back the value, having told what was wrong with it, if anything was."""
        if result.__class__ is not Doubtful:
            return result
        self.findings.append(finding(result.code, path=path, line=line, message=result.message))
        return result.value

    def time(self, said: str) -> Time | None:
        """Read a time once, however many places repeat it."""
        if said not in self.times:
            self.times[said] = read_time(said, self.zone)
        return self.times[said]


class Doubtful(NamedTuple):
    """What a conversion gives when there is something to say: the finding's code, and the value if there is one."""

    code: str
    value: Any = None
    message: str | None = None


#: From the raw text of one repetition to a value of the record, to None where it holds none, or to a `Doubtful`.
Convert = Callable[[Case, Spot, str], Any]


class Value(NamedTuple):
    """One value of the record, compiled: its dotted name, its rule, and each place with its conversion.

    `field` is the name without the part of the record it belongs to.
    """

    name: str
    field: str
    rule: str
    places: tuple[tuple[Spot, Convert], ...]


def compile_value(name: str, mapping: str, place: Place, conversion: Conversion, table: CodeTable | None) -> Value:
    """Give back the compiled value of a checked mapping; `conversion` is how the record needs it read."""
    spots = [compile_place(at, place.where) for at in place.places]
    converts = ((spot, _conversion(name, conversion, spot, table)) for spot in spots)
    return Value(name, name.rpartition(".")[2], f"{mapping}: {name}", tuple(converts))


def take_each(values: Sequence[Value], case: Case) -> dict[str, Any]:
    """Give back, by field, what stands at the first place of each value that holds something readable, or None.

    Values that cannot be there are left out.
    """
    return {value.field: _take(value, case) for value in values if value.name in case.filled}


def _take(value: Value, case: Case) -> Any:
    for spot, convert in value.places:
        for raw, path, line in spot.look(case.segments, case.delimiters):
            result = convert(case, spot, raw)
            if result.__class__ is Doubtful:
                result = case.settle(result, path, line)
            if result is not None:
                case.origins[value.name] = Origin(path, line, value.rule)
                return result
    return None


def gather(value: Value, case: Case) -> tuple[Any, ...]:
    """Give back what stands at all places, each thing once."""
    if value.name not in case.filled:
        return ()
    results: dict[Any, None] = {}
    for spot, convert in value.places:
        for raw, path, line in spot.look(case.segments, case.delimiters):
            result = case.settle(convert(case, spot, raw), path, line)
            if result is not None and result not in results:
                case.origins[f"{value.name}[{len(results)}]"] = Origin(path, line, value.rule)
                results[result] = None
    return tuple(results)


def take_any(value: Value, case: Case) -> bool:
    """Give back whether any place says yes; the first that does is the origin."""
    for spot, convert in value.places:
        for raw, path, line in spot.look(case.segments, case.delimiters):
            if case.settle(convert(case, spot, raw), path, line):
                case.origins[value.name] = Origin(path, line, value.rule)
                return True
    return False


def read_diagnoses(values: tuple[Value, ...], case: Case) -> tuple[Diagnosis, ...]:
    """Give back a diagnosis for each segment that has a code; the values of one segment belong together."""
    rows: dict[int, dict[str, tuple[Any, Origin]]] = {}
    for value in values:
        if value.name not in case.filled:
            continue
        for spot, convert in value.places:
            for raw, path, line in spot.look(case.segments, case.delimiters):
                row = rows.setdefault(line, {})
                if value.field not in row:
                    result = case.settle(convert(case, spot, raw), path, line)
                    if result is not None:
                        row[value.field] = (result, Origin(path, line, value.rule))
    diagnoses: list[Diagnosis] = []
    for line in sorted(line for line in rows if rows[line]):
        row = rows[line]
        if "code" in row:
            case.origins.update({f"diagnoses[{len(diagnoses)}].{field}": origin for field, (_, origin) in row.items()})
            diagnoses.append(Diagnosis(**{field: result for field, (result, _) in row.items()}))
        else:
            case.findings.append(finding("hl7-diagnosis-without-code", path="DG1", line=line))
    return tuple(diagnoses)


# ── the named conversions, put to work ─────────────────────────────────────────────────────────────

_SEXES = {word.value: word for word in Sex}


def _conversion(name: str, conversion: Conversion, spot: Spot, table: CodeTable | None) -> Convert:
    field = f"{spot.segment}-{spot.field}"
    if name == "patient.sex":
        return _Codes({code: Sex(word) for code, word in table.meanings.items()} if table else _SEXES)
    if conversion == "flag":
        return _Codes(
            {code: conversions.FLAGS[word] for code, word in table.meanings.items()} if table else conversions.FLAGS
        )
    if table is not None:
        return _Codes(table.meanings)
    if conversion in ("identifier", "identifiers"):
        return _person_number if field in XCN_FIELDS else partial(_number, IMPLIED_TYPES.get(name))
    if conversion == "name":
        return _name_alone if field in XPN_FIELDS else _name_behind_number
    return _CONVERSIONS[conversion]


class _Codes:
    """A code translated by a table; one the table does not have is told and left out."""

    __slots__ = ("meanings",)

    def __init__(self, meanings: Mapping[str, Any]) -> None:
        self.meanings = meanings

    def __call__(self, case: Case, spot: Spot, raw: str) -> Any:
        said = _text(case, spot, raw)
        if said is None:
            return None
        meaning = self.meanings.get(said)
        return Doubtful("code-unknown") if meaning is None else meaning


def _text(case: Case, spot: Spot, raw: str) -> str | None:
    value = case.delimiters.part(raw, spot.component, spot.subcomponent)
    return None if value is NULL else value


def _date(case: Case, spot: Spot, raw: str) -> Any:
    said = _text(case, spot, raw)
    return None if said is None else conversions.date(said) or Doubtful("value-unreadable")


def _time(case: Case, spot: Spot, raw: str) -> Any:
    """A day alone is no time: to take it for midnight would put it before everything else of that day."""
    said = _text(case, spot, raw)
    if said is None:
        return None
    time = case.time(said)
    if time is None:
        return Doubtful("value-unreadable")
    if time.precision < Precision.HOUR:
        return Doubtful("value-unreadable", message="a day without a time of day was left out")
    if not (time.has_zone or case.zone_is_sent):
        case.has_local_times = True
    return time.at if time.clock is Clock.REGULAR else Doubtful("time-impossible", time.at)


def _number(implied_type: str | None, case: Case, spot: Spot, raw: str) -> Identifier | None:
    """An identifier with its issuer; one cut out of a longer field has none, as that part does not say whose it is."""
    if spot.whole or (spot.component == spot.subcomponent == 1 and case.delimiters.component not in raw):
        number = conversions.identifier(raw, case.delimiters, CX, case.source.authorities, implied_type)
    else:
        value = _text(case, spot, raw)
        number = None if value is None else Identifier(value=value)
    if number is not None and lacks_issuer(number):
        case.lacks_issuers = True
    return number


def lacks_issuer(number: Identifier) -> bool:
    """Whether nobody knows who issued a number, or only the table of the feed does."""
    return number.system is None or number.namespace is number.universal_id is None


def _person_number(case: Case, _spot: Spot, raw: str) -> Any:
    """The number of a doctor or nurse, whose issuer nobody needs to be told of: it is no key of ours."""
    return conversions.identifier(raw, case.delimiters, XCN, case.source.authorities)


def _name_alone(case: Case, _spot: Spot, raw: str) -> str | None:
    return conversions.name(raw, case.delimiters, family=1)


def _name_behind_number(case: Case, _spot: Spot, raw: str) -> str | None:
    return conversions.name(raw, case.delimiters, family=2)


def _location(case: Case, _spot: Spot, raw: str) -> Any:
    return conversions.location(raw, case.delimiters)


def _address(case: Case, _spot: Spot, raw: str) -> Any:
    return conversions.address(raw, case.delimiters)


_CONVERSIONS: dict[Conversion, Convert] = {
    "text": _text,
    "texts": _text,
    "date": _date,
    "time": _time,
    "location": _location,
    "address": _address,
}
