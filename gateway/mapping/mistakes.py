"""What can be wrong with a mapping file that has the right form: places, names, tables, and what fits what.

A file is checked for the kind it says. If all its places are those of the other kind, that one word is the mistake:
it is told once, and the rest is checked for the kind that is meant. In the same way a misspelt name of a value is
read on as the name that was probably meant. Values in, mistakes out; no file is read here.
"""

import re
from collections.abc import Iterable, Iterator, Mapping

from gateway.documents import Mistake, find_nearest, read_document, suggest
from gateway.errors import ConfigurationFault, Fault
from gateway.mapping.rules import (
    ADMISSION_VALUES,
    CARE_REPORT_CONDITIONS,
    CARE_REPORT_GROUPS,
    CARE_REPORT_VALUES,
    ELEMENT_PATH,
    POSITION,
    BandPlace,
    Condition,
    Conversion,
    Group,
    Kind,
    Place,
)
from gateway.mapping.rules import Mapping as MappingFile
from gateway.mapping.tables import CodeTable
from gateway.records import How, Sex
from gateway.yaml_tree import Steps

Tables = Mapping[str, CodeTable]

#: What a table may mean, for the values and the conversions that cannot be anything else.
MEANINGS: Mapping[str, frozenset[str]] = {"patient.sex": frozenset(Sex), "flag": frozenset({"Y", "N"})}

#: How a place of a care report begins; nothing of HL7 v2 does, however it is misspelt.
ELEMENT_BEGINS = re.compile(r"/|@|[de][A-Z]")

#: Where a place written as a whole path may stand: in a report, or among what holds for all reports of a Header.
IN_REPORT = "/EMSDataSet/Header/PatientCareReport/"
IN_HEADER = "/EMSDataSet/Header/DemographicGroup/"


def read_mapping(text: str, file: str, *, tables: Tables) -> MappingFile:
    """Give back the mapping in `text`, fully checked but for its base.

    `tables` are the code tables that the file may name. Raises `ConfigurationFault` with every mistake, each with
    its line and, for a misspelt word, the likely one.
    """
    document = read_document(text, MappingFile, file=file)
    faults = [
        *document.find_faults(find_mistakes(document.content, tables)),
        *find_table_faults(document.content, tables),
    ]
    if faults:
        raise ConfigurationFault(faults)
    return document.content


def find_mistakes(mapping: MappingFile, tables: Tables) -> Iterator[Mistake]:
    """Give back every mistake of a mapping but those of its base, even if parts of it are unread."""
    kind = meant_kind(mapping)
    if kind is None:
        return
    if kind is not mapping.kind:
        yield Mistake(("kind",), f"the places in this file are those of {kind}", f"write kind: {kind}")
    yield from _band_mistakes(mapping, kind)
    if kind is Kind.ADMISSIONS:
        yield from _value_mistakes(mapping, ADMISSION_VALUES, POSITION, tables)
        yield from _admission_mistakes(mapping, tables)
    else:
        yield from _value_mistakes(mapping, CARE_REPORT_VALUES, ELEMENT_PATH, tables)
        yield from _care_report_mistakes(mapping, tables)


def find_table_faults(mapping: MappingFile, tables: Tables) -> Iterator[Fault]:
    """Give back the rows of code tables that mean something the value of an admission record cannot be."""
    for name, place in mapping.value_places().items():
        value = _meant(name, mapping.values, ADMISSION_VALUES)
        wanted, table = _meanings(value), tables.get(place.table or "")
        if table and mapping.kind is Kind.ADMISSIONS and not wanted.isdisjoint(table.meanings.values()):
            yield from table.find_misfits(value, wanted)


def _meanings(value: str) -> frozenset[str]:
    """All that a table may mean for a value of an admission record; nothing where that is free."""
    return MEANINGS.get(value) or MEANINGS.get(ADMISSION_VALUES.get(value, ""), frozenset())


def meant_kind(mapping: MappingFile) -> Kind | None:
    """Give back the kind that a mapping's places are of where none is of the kind it says; else what it says.

    None where it says nothing that can be read and its places do not tell.
    """
    places = [band.at for band in mapping.band if band.at] + list(mapping.conditions.values())
    places += [at for place in mapping.value_places().values() for at in place.places]
    places += [group.each for group in mapping.groups.values()]
    admissions = any(POSITION.match(at) for at in places)
    reports = any(ELEMENT_BEGINS.match(at) for at in places)
    if admissions is reports:
        return next((kind for kind in Kind if kind is mapping.kind), None)
    return Kind.ADMISSIONS if admissions else Kind.CARE_REPORTS


def _meant(name: str, given: Iterable[str], known: Iterable[str]) -> str:
    """The name that a misspelt one stands for, unless the file has that too; "" where none is near."""
    names = set(known)
    return name if name in names else find_nearest(name, names - set(given)) or ""


# ── where the band and the values are ──────────────────────────────────────────────────────────────


def _band_mistakes(mapping: MappingFile, kind: Kind) -> Iterator[Mistake]:
    behind = "stands behind free text, which nobody may trust more"
    for index, band in enumerate(mapping.band):
        path = ("band", index)
        yield from _one_band_mistakes(path, band, kind)
        if index and mapping.band[index - 1].how is How.FREE_TEXT is not band.how:
            given = ((*path, "how"), ("band", index - 1, "how"))
            yield Mistake(path, behind, "put free text last", given)


def _one_band_mistakes(path: Steps, band: BandPlace, kind: Kind) -> Iterator[Mistake]:
    if (band.at is None) == (band.custom is None):
        given = ((*path, "at"), (*path, "custom"))
        yield Mistake(path, "needs one place", "write either at: or custom:", given)
    elif band.custom is not None and kind is Kind.ADMISSIONS:
        yield Mistake((*path, "custom"), "only care reports have custom elements", "write at: with an HL7 position")
    form = POSITION if kind is Kind.ADMISSIONS else ELEMENT_PATH
    places = [] if band.at is None else [band.at]
    for at in places:
        yield from _form_mistakes((*path, "at"), at, form)
    yield from _where_mistakes(path, band.where, places, form)


def _value_mistakes(
    mapping: MappingFile, known: Mapping[str, Conversion], form: re.Pattern[str], tables: Tables
) -> Iterator[Mistake]:
    for name, place in mapping.values.items():
        path = ("values", name)
        if name not in known:
            yield Mistake(path, "not a value of this record", suggest(name, known))
        if place is None:
            continue
        own = known.get(_meant(name, mapping.values, known))
        if own and place.convert not in (None, own):
            yield Mistake((*path, "convert"), "this value is read another way", f"write {own}, or nothing")
        yield from _place_mistakes(path, place, form, tables)


def _place_mistakes(path: Steps, place: Place, form: re.Pattern[str], tables: Tables) -> Iterator[Mistake]:
    for at in place.places:
        yield from _form_mistakes((*path, "at"), at, form)
    if place.table is not None and place.table not in tables:
        keep = "keep it as a CSV file in the folder tables beside this file"
        remedy = suggest(place.table, tables) if find_nearest(place.table, tables) else keep
        yield Mistake((*path, "table"), "no such code table", remedy)
    yield from _where_mistakes(path, place.where, place.places, form)


def _where_mistakes(
    path: Steps, where: Mapping[str, Condition], places: Iterable[str], form: re.Pattern[str]
) -> Iterator[Mistake]:
    segments = {segment_of(at) for at in places if form.match(at)}
    for key in where:
        step = (*path, "where", key)
        wrong = list(_form_mistakes(step, key, form, may_begin=(IN_REPORT,)))
        if not wrong and form is POSITION and not segments <= {segment_of(key)}:
            wrong = [Mistake(step, "a condition looks at the segment of its own place", "name the same segment")]
        yield from wrong


def _form_mistakes(
    path: Steps, place: str, form: re.Pattern[str], may_begin: tuple[str, ...] = (IN_REPORT, IN_HEADER)
) -> Iterator[Mistake]:
    if not form.match(place):
        if form is POSITION:
            yield Mistake(path, "not an HL7 position such as PID-3.1", "segment-field.component, all from 1")
        else:
            yield Mistake(path, "not an element path such as ePatient/ePatient.17", "steps joined by /")
    elif place.startswith("/") and not place.startswith(may_begin):
        yield Mistake(path, "a place outside the reports", f"start it with {' or '.join(may_begin)}")


def segment_of(position: str) -> str:
    """Give back the segment of an HL7 position: `PID-3.1` stands in `PID`."""
    return position.partition("-")[0]


# ── what only one kind has ─────────────────────────────────────────────────────────────────────────


def _admission_mistakes(mapping: MappingFile, tables: Tables) -> Iterator[Mistake]:
    for part in ("groups", "conditions"):
        if getattr(mapping, part):
            yield Mistake((part,), "only care reports have this", "take it out")
    for name, place in mapping.value_places().items():
        value = _meant(name, mapping.values, ADMISSION_VALUES)
        if value:
            yield from _fit_mistakes(("values", name), value, place, tables)
    diagnoses = {name: place for name, place in mapping.value_places().items() if name.startswith("diagnoses.")}
    places = [at for place in diagnoses.values() for at in place.places if POSITION.match(at)]
    if len({segment_of(at) for at in places}) > 1:
        for name in diagnoses:
            yield Mistake(("values", name), "a diagnosis stands in one segment", "use one segment")


def _fit_mistakes(path: Steps, value: str, place: Place, tables: Tables) -> Iterator[Mistake]:
    """Whether place and code table fit what the record needs of the value."""
    conversion, wanted, table = ADMISSION_VALUES[value], _meanings(value), tables.get(place.table or "")
    parts = [at for at in place.places if "." in at and POSITION.match(at)]
    if conversion in ("location", "address", "name"):
        if parts:
            yield Mistake((*path, "at"), "this value needs the whole field", f"write {parts[0].partition('.')[0]}")
    elif table and conversion not in ("text", "texts", "flag"):
        yield Mistake((*path, "table"), "this value is no code", "take the table out")
    elif table and table.meanings and wanted and wanted.isdisjoint(table.meanings.values()):
        message = "no row of the table means anything that this value can be"
        yield Mistake((*path, "table"), message, f"only: {', '.join(sorted(wanted))}")


def _care_report_mistakes(mapping: MappingFile, tables: Tables) -> Iterator[Mistake]:
    for name, group in mapping.groups.items():
        yield from _group_mistakes(name, group, mapping.groups, tables)
    for name, path in mapping.conditions.items():
        if name not in CARE_REPORT_CONDITIONS:
            yield Mistake(("conditions", name), "not a known condition", suggest(name, CARE_REPORT_CONDITIONS))
        yield from _form_mistakes(("conditions", name), path, ELEMENT_PATH)


def _group_mistakes(name: str, group: Group, given: Iterable[str], tables: Tables) -> Iterator[Mistake]:
    if name not in CARE_REPORT_GROUPS:
        yield Mistake(("groups", name), "not a group of a care report", suggest(name, CARE_REPORT_GROUPS))
    known = CARE_REPORT_GROUPS.get(_meant(name, given, CARE_REPORT_GROUPS))
    yield from _form_mistakes(("groups", name, "each"), group.each, ELEMENT_PATH)
    for value, place in group.values.items():
        path = ("groups", name, "values", value)
        if known and value not in known:
            yield Mistake(path, "not a value of this group", suggest(value, known))
        if place.convert is not None:
            yield Mistake((*path, "convert"), "a value of a group is read in one way only", "take it out")
        yield from _place_mistakes(path, place, ELEMENT_PATH, tables)
