"""Which file a rule stands in: the first layer of a mapping that has it."""

from gateway.mapping.layers import BUILT_IN, in_its_file, laid_over
from gateway.mapping.mistakes import read_mapping
from gateway.mapping.rules import Mapping
from tests.mapping.conftest import MAPPINGS, shipped_tables


def mapping_of(text: str, file: str) -> Mapping:
    return read_mapping(text, file, tables=shipped_tables())


def layer(text: str) -> Mapping:
    return mapping_of(f"kind: admissions\nabout: x\n{text}", "x.yaml")


OWN = layer("mapping: own\nbase: middle\nband:\n  - {at: ZBD-2, how: custom}\nvalues:\n  service: ZPV-1\n")
MIDDLE = layer("mapping: middle\nbase: hl7v2\nvalues:\n  service: PV1-4\n  account: null\n  admission_type: PV1-41\n")
BASE = mapping_of((MAPPINGS / "hl7v2.yaml").read_text(encoding="utf-8"), "hl7v2.yaml")
LAYERS = (OWN, MIDDLE, BASE)


def test_the_first_file_that_has_a_rule_is_the_one_to_open() -> None:
    assert in_its_file("own: service", LAYERS) == "own: service"
    assert in_its_file("own: admission_type", LAYERS) == "middle: admission_type"
    assert in_its_file("own: patient.sex", LAYERS) == "hl7v2: patient.sex"
    assert in_its_file("own: band at ZBD-2", LAYERS) == "own: band at ZBD-2"
    assert in_its_file("own: band at NTE-3", LAYERS) == "hl7v2: band at NTE-3"


def test_what_a_file_takes_away_it_does_not_have() -> None:
    assert in_its_file("own: account", LAYERS) == "hl7v2: account"


def test_what_no_file_has_is_built_in_and_what_is_no_rule_stays() -> None:
    assert in_its_file("own: event_time", LAYERS) == f"{BUILT_IN}: event_time"
    assert in_its_file("feed own-adt: authorities {type: VN}", LAYERS) == "feed own-adt: authorities {type: VN}"
    assert in_its_file("own: service", ()) == "own: service"


def test_the_groups_and_statements_of_a_care_report_have_their_file_too() -> None:
    names = ("band-as-patient-id", "nemsis-3.5")
    texts = {name: (MAPPINGS / f"{name}.yaml").read_text(encoding="utf-8") for name in names}
    layers = [mapping_of(text, f"{name}.yaml") for name, text in texts.items()]
    for rule in ("vitals.heart_rate", "medications.code", "symptom", "patient.age", "band at eNarrative/eNarrative.01"):
        assert in_its_file(f"band-as-patient-id: {rule}", layers) == f"nemsis-3.5: {rule}"
    place = layers[0].band[0].at
    assert in_its_file(f"band-as-patient-id: band at {place}", layers) == f"band-as-patient-id: band at {place}"


def test_layers_make_the_whole_mapping_again() -> None:
    whole = laid_over(LAYERS)
    assert (whole.mapping, [place.at for place in whole.band][:2]) == ("own", ["ZBD-2", "NTE-3"])
    places = whole.value_places()
    assert [places[name].at for name in ("service", "admission_type", "patient.sex")] == ["ZPV-1", "PV1-41", "PID-8"]
    assert "account" not in places
    assert laid_over([BASE]) is BASE
