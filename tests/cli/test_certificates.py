"""`bandgate certificates`: files for this user alone, loud about what they are for, and they work together."""

import ssl
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from ruamel.yaml import YAML

from gateway.region import read_region
from tests.cli.conftest import REGION, Bandgate


def test_what_is_made_works_together(bandgate: Bandgate, tmp_path: Path) -> None:
    """OpenSSL loads the pairs, and trusts what the authority has signed."""
    folder = tmp_path / "tls"
    said = bandgate("certificates", folder, "--host", "localhost", "--client", "anvil-head", "--json")
    assert said.status == 0
    assert "FOR TRIALS ONLY" in said.err
    document = said.document
    assert [each["name"] for each in document["issued"]] == ["server", "anvil-head"]
    for each in document["issued"]:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(each["certificate"], each["key"])
        certificate = x509.load_pem_x509_certificate(Path(each["certificate"]).read_bytes())
        assert each["sha256"] == certificate.fingerprint(hashes.SHA256()).hex()
        certificate.verify_directly_issued_by(x509.load_pem_x509_certificate((folder / "authority.pem").read_bytes()))


def test_the_files_are_their_users_alone(bandgate: Bandgate, tmp_path: Path) -> None:
    bandgate("certificates", tmp_path / "tls")
    assert (tmp_path / "tls").stat().st_mode & 0o777 == 0o700
    assert {path.stat().st_mode & 0o777 for path in (tmp_path / "tls").iterdir()} == {0o600}
    assert "FOR TRIALS ONLY" in (tmp_path / "tls" / "README.txt").read_text(encoding="utf-8")


def test_nothing_is_overwritten(bandgate: Bandgate, tmp_path: Path) -> None:
    (tmp_path / "kept").write_text("x")
    said = bandgate("certificates", tmp_path)
    assert said.status == 2
    assert said.faults == [f"{tmp_path}: not empty: name a new folder, so that nothing is overwritten"]
    assert [path.name for path in tmp_path.iterdir()] == ["kept"]


@pytest.mark.parametrize("names", [["server"], ["authority"], ["a", "a"], ["a/b"], ["a b"]])
def test_a_client_needs_a_name_of_its_own(bandgate: Bandgate, tmp_path: Path, names: list[str]) -> None:
    options = [option for name in names for option in ("--client", name)]
    said = bandgate("certificates", tmp_path / "tls", *options)
    assert said.status == 2
    assert len(said.faults) == 1
    assert not (tmp_path / "tls").exists()


def test_a_folder_that_cannot_be_written_is_told(bandgate: Bandgate, tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    said = bandgate("certificates", tmp_path / "file" / "tls")
    assert said.status == 2
    assert "name another folder" in said.faults[0]


def test_its_lines_stand_in_a_region_as_they_are(bandgate: Bandgate, tmp_path: Path) -> None:
    said = bandgate("certificates", tmp_path / "tls", "--client", "anvil-head")
    listeners, mark, certificates = said.out.partition("    client_certificates:")
    region = YAML(typ="safe").load(REGION.read_text(encoding="utf-8"))
    region |= YAML(typ="safe").load(listeners)
    feed = next(each for each in region["feeds"] if each["name"] == "anvil-head-adt")
    feed |= YAML(typ="safe").load(mark + certificates)
    (tmp_path / "mappings").symlink_to(REGION.parent / "mappings")
    with (tmp_path / "region.yaml").open("w", encoding="utf-8") as file:
        YAML(typ="safe").dump(region, file)
    assert bandgate("region", "check", tmp_path / "region.yaml").status == 0
    served = read_region(tmp_path / "region.yaml")
    (listener,) = served.listeners
    assert listener.tls is not None
    shown = x509.load_pem_x509_certificate(listener.tls.certificate.read_bytes())
    assert listener.tls.client_issuers is not None
    shown.verify_directly_issued_by(x509.load_pem_x509_certificate(listener.tls.client_issuers.read_bytes()))
    (known,) = served.feeds["anvil-head-adt"].certificates
    client = x509.load_pem_x509_certificate((tmp_path / "tls" / "anvil-head.pem").read_bytes())
    assert known.sha256 == client.fingerprint(hashes.SHA256()).hex()


def test_without_clients_nobody_is_asked_for_a_certificate(bandgate: Bandgate, tmp_path: Path) -> None:
    (listener,) = YAML(typ="safe").load(bandgate("certificates", tmp_path / "tls").out)["listeners"]
    assert listener["tls"].keys() == {"certificate", "key"}
