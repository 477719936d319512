"""`bandgate password`: an account that opens the report web service once its lines stand in the region file."""

import io
import sys
from pathlib import Path

import pytest
from argon2 import PasswordHasher
from ruamel.yaml import YAML

from gateway.region import read_region
from tests.cli.conftest import REGION, Bandgate

PASSWORD = "a quiet harbour at dusk"


@pytest.fixture
def typed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(PASSWORD + "\nsecond line\n"))


@pytest.mark.usefixtures("typed")
def test_its_lines_make_an_account_of_the_feed(bandgate: Bandgate, tmp_path: Path) -> None:
    said = bandgate("password", "skerry-reports", "--username", "skerry", "--organization", "SAR", "--stdin")
    assert said.status == 0
    assert PASSWORD not in said.out + said.err
    region = YAML(typ="safe").load(REGION.read_text(encoding="utf-8"))
    feed = next(each for each in region["feeds"] if each["name"] == "skerry-reports")
    feed |= YAML(typ="safe").load(said.out)
    (tmp_path / "mappings").symlink_to(REGION.parent / "mappings")
    with (tmp_path / "region.yaml").open("w", encoding="utf-8") as file:
        YAML(typ="safe").dump(region, file)
    found = read_region(tmp_path / "region.yaml").find_feed_by_account("skerry")
    assert found is not None
    assert found.service is not None
    assert (found.name, found.service.organization) == ("skerry-reports", "SAR")
    assert PasswordHasher().verify(found.service.password_hash, PASSWORD)
    assert read_region(tmp_path / "region.yaml").find_feed_by_account("Skerry") is None


@pytest.mark.usefixtures("typed")
def test_json_says_the_same_and_the_names_have_defaults(bandgate: Bandgate) -> None:
    """RFC 9106, section 3.1: Argon2id, version 0x13."""
    made = bandgate("password", "skerry-reports", "--stdin", "--json").document
    assert made["feed"] == "skerry-reports"
    assert (made["service"]["username"], made["service"]["organization"]) == ("skerry-reports", "skerry-reports")
    assert made["service"]["password_hash"].startswith("$argon2id$v=19$")


@pytest.mark.parametrize("given", ["", "short", "x" * 251, "a bell \a in the word"])
def test_a_password_that_would_not_do_is_refused(
    bandgate: Bandgate, monkeypatch: pytest.MonkeyPatch, given: str
) -> None:
    """250 characters are the most by the NEMSIS V3 core WSDL."""
    monkeypatch.setattr(sys, "stdin", io.StringIO(given + "\n"))
    said = bandgate("password", "skerry-reports", "--stdin")
    assert (said.status, said.out) == (2, "")
    assert len(said.faults) == 1
    assert not given or given not in said.err


@pytest.mark.usefixtures("typed")
def test_nobody_is_asked_where_nobody_is(bandgate: Bandgate) -> None:
    said = bandgate("password", "skerry-reports")
    assert (said.status, said.out) == (2, "")
    assert "--stdin" in said.faults[0]


@pytest.mark.usefixtures("typed")
def test_a_name_is_compared_with_the_region_that_is_named(bandgate: Bandgate) -> None:
    said = bandgate("password", "skery-reports", "--region", REGION, "--stdin")
    assert said.faults == [f"{REGION}: no such feed: did you mean skerry-reports?"]


@pytest.mark.usefixtures("typed")
def test_a_feed_of_admissions_gets_no_account(bandgate: Bandgate) -> None:
    """`bandgate region check` would refuse the lines: the standard's service takes no HL7 v2 (NEMSIS V3 core WSDL)."""
    said = bandgate("password", "anvil-head-adt", "--region", REGION, "--stdin")
    assert (said.status, said.out) == (2, "")
    (fault,) = said.faults
    assert "only care reports come by the report web service" in fault
    assert "bandgate token anvil-head-adt" in fault


@pytest.mark.usefixtures("typed")
def test_without_a_region_it_says_that_nobody_has_looked(bandgate: Bandgate) -> None:
    said = bandgate("password", "anything", "--stdin")
    assert said.status == 0
    assert "Nobody has looked" in said.err
    assert "Nobody has looked" not in bandgate("token", "skerry-reports", "--region", REGION).err
