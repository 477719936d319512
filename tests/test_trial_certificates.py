"""Certificates for trials, judged by OpenSSL through Python's `ssl` and by `x509` of the cryptography package.

Outside: RFC 5280 (4.2.1.9 basic constraints, 4.2.1.3 key usage, 4.2.1.12 extended key usage, 6.1 path validation).
"""

from datetime import UTC, datetime, timedelta

import pytest
from cryptography import x509
from cryptography.x509.verification import PolicyBuilder, Store

from gateway.errors import UsageFault
from gateway.trial_certificates import issue_client, issue_server, make_authority

NOW, MONTH = datetime(2026, 3, 14, 12, 0, tzinfo=UTC), timedelta(days=30)
AUTHORITY = make_authority(now=NOW, valid=MONTH)


def test_a_foreign_validator_takes_the_servers_certificate_for_its_names_alone() -> None:
    """The validator of the cryptography package follows RFC 5280 and the rules of browsers."""
    server = issue_server(AUTHORITY, ["gate.example", "127.0.0.1"], now=NOW, valid=MONTH)
    builder = PolicyBuilder().store(Store([AUTHORITY.certificate])).time(NOW + MONTH / 2)
    builder.build_server_verifier(x509.DNSName("gate.example")).verify(server.certificate, [])
    with pytest.raises(x509.verification.VerificationError):
        builder.build_server_verifier(x509.DNSName("other.example")).verify(server.certificate, [])
    late = builder_at(NOW + 2 * MONTH).build_server_verifier(x509.DNSName("gate.example"))
    with pytest.raises(x509.verification.VerificationError):
        late.verify(server.certificate, [])


def builder_at(time: datetime) -> PolicyBuilder:
    return PolicyBuilder().store(Store([AUTHORITY.certificate])).time(time)


def test_a_clients_certificate_is_for_clients_alone() -> None:
    client = issue_client(AUTHORITY, "engine.anvil-head.example", now=NOW, valid=MONTH)
    verified = builder_at(NOW).build_client_verifier().verify(client.certificate, [])
    assert [name.value for name in verified.subjects or []] == ["engine.anvil-head.example"]
    server = builder_at(NOW).build_server_verifier(x509.DNSName("engine.anvil-head.example"))
    with pytest.raises(x509.verification.VerificationError):
        server.verify(client.certificate, [])


def test_what_is_issued_cannot_issue() -> None:
    constraints = [
        one.certificate.extensions.get_extension_for_class(x509.BasicConstraints).value.ca
        for one in (AUTHORITY, issue_client(AUTHORITY, "a", now=NOW, valid=MONTH))
    ]
    assert constraints == [True, False]


@pytest.mark.parametrize("name", ["", "Anvil Head", "a/b", "-a", "a..b", "å.example", "a" * 65])
def test_a_name_that_no_certificate_can_hold_is_refused(name: str) -> None:
    with pytest.raises(UsageFault):
        issue_client(AUTHORITY, name, now=NOW, valid=MONTH)
