"""`bandgate certificates`: files for this user alone, loud about what they are for, and they work together."""

import ssl
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes

from tests.cli.conftest import Bandgate


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
