"""From what a message says about an issuer to a namespace as a URI."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.mapping.authorities import resolve, universal_system
from gateway.mapping.source import Authority

MR = Authority(system="urn:oid:2.16.840.1.113883.19.77.3.1", namespace="AHMC", type="MR")
ACCOUNT = Authority(system="urn:oid:2.16.840.1.113883.19.77.3.2", namespace="AHMC", type="AN")
LAB = Authority(system="https://lab.example/ids", namespace="LAB", universal_id="lab.example")
VISIT = Authority(system="urn:oid:2.16.840.1.113883.19.77.3.3", type="VN")
TABLE = (MR, ACCOUNT, LAB, VISIT)


@pytest.mark.parametrize(
    ("universal_id", "universal_id_type", "system"),
    [
        # v2-to-FHIR, datatype map HD[uri]: ISO gives urn:oid:, UUID gives urn:uuid:
        ("2.16.840.1.113883.19.77.1", "ISO", "urn:oid:2.16.840.1.113883.19.77.1"),
        ("6F9619FF-8B86-D011-B42D-00CF4FC964FF", "UUID", "urn:uuid:6f9619ff-8b86-d011-b42d-00cf4fc964ff"),
        ("http://yarrowfen.example/ids", "URI", "http://yarrowfen.example/ids"),
        # common practice, no source: the type left out
        ("2.16.840.1.113883.19.77.1", None, "urn:oid:2.16.840.1.113883.19.77.1"),
        # not what their type says, so no key
        ("YFBAND", "ISO", None),
        ("2..16", "ISO", None),
        ("3.1.4", "ISO", None),
        ("2", "ISO", None),
        ("1234", "UUID", None),
        ("anything", "L", None),
        ("lab.example", "DNS", None),
    ],
)
def test_a_universal_id_is_a_uri_when_its_type_makes_it_one(
    universal_id: str, universal_id_type: str | None, system: str | None
) -> None:
    assert universal_system(universal_id, universal_id_type) == system


def test_the_universal_id_comes_before_the_feed_s_table() -> None:
    assert resolve(TABLE, "AHMC", "2.999.1", "ISO", "MR") == "urn:oid:2.999.1"


@pytest.mark.parametrize(
    ("namespace", "universal_id", "type_code", "system"),
    [
        ("AHMC", None, "MR", MR.system),
        ("AHMC", None, "AN", ACCOUNT.system),
        ("AHMC", None, None, None),  # the table has two for this issuer and nothing chooses
        ("LAB", None, None, LAB.system),
        (None, "lab.example", "XX", LAB.system),
        ("LAB", "lab.example", None, LAB.system),
        ("LAB", "other.example", None, None),  # contradicted by the universal id
        (None, None, "VN", VISIT.system),  # no issuer at all
        ("STRANGER", None, "VN", None),  # an issuer the table does not know
        ("STRANGER", None, None, None),
        (None, None, None, None),
    ],
)
def test_the_table_resolves_what_the_universal_id_does_not(
    namespace: str | None, universal_id: str | None, type_code: str | None, system: str | None
) -> None:
    assert resolve(TABLE, namespace, universal_id, "DNS" if universal_id else None, type_code) == system


def test_the_row_with_the_most_matching_parts_wins() -> None:
    broad = Authority(system="urn:oid:2.999.1", namespace="AHMC")
    for table in [(broad, MR), (MR, broad)]:
        assert resolve(table, "AHMC", None, None, "MR") == MR.system
        assert resolve(table, "AHMC", None, None, "PI") == broad.system


@given(st.text(), st.text(), st.text(), st.text())
def test_a_namespace_alone_is_never_taken_for_a_uri(
    namespace: str, universal_id: str, universal_id_type: str, type_code: str
) -> None:
    assert resolve((), namespace, None, None, type_code) is None
    system = resolve((), namespace, universal_id, universal_id_type, type_code)
    assert system is None or ":" in system
