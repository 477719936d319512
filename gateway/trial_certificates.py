"""Certificates to try TLS out with: an authority of one's own, a server's certificate and clients' by it.

For trials alone: the authority's key lies unprotected beside what it has signed, so whoever reads the folder can
be anybody. Nothing is chosen here that a real authority would do otherwise: P-256 keys, SHA-256, version 3 with the
extensions RFC 5280 asks for (4.2.1.1 to 4.2.1.3, 4.2.1.6, 4.2.1.9, 4.2.1.12).
"""

import contextlib
import ipaddress
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from gateway.errors import UsageFault

ISSUER = "Trial authority - trust it nowhere else"
BEFORE = timedelta(minutes=5)  # clocks differ
#: RFC 1123, section 2.1, and the underscore that many systems use all the same.
_HOST = re.compile(r"[A-Za-z0-9_]([A-Za-z0-9_-]*[A-Za-z0-9_])?(\.[A-Za-z0-9_]([A-Za-z0-9_-]*[A-Za-z0-9_])?)*")
LONGEST_NAME = 64  # characters of a common name (RFC 5280, appendix A.1: ub-common-name)


@dataclass(frozen=True, slots=True)
class Issued:
    """A certificate and its private key."""

    certificate: x509.Certificate
    key: ec.EllipticCurvePrivateKey

    @property
    def certificate_pem(self) -> bytes:
        """The certificate in PEM."""
        return self.certificate.public_bytes(serialization.Encoding.PEM)

    @property
    def key_pem(self) -> bytes:
        """The private key in PEM (PKCS 8), without a passphrase."""
        return self.key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )

    @property
    def sha256(self) -> str:
        """The fingerprint by which region.yaml may know it."""
        return self.certificate.fingerprint(hashes.SHA256()).hex()


def make_authority(*, now: datetime, valid: timedelta) -> Issued:
    """Give back a new authority."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = _name(ISSUER)
    usage = _usage(signs_certificates=True)
    certificate = (
        _begin(name, name, key, now, valid)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(usage, critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, hashes.SHA256())
    )
    return Issued(certificate, key)


def issue_server(authority: Issued, hosts: Sequence[str], *, now: datetime, valid: timedelta) -> Issued:
    """Give back a server's certificate for names and addresses. Raises `UsageFault` for what is neither."""
    names = [_host(host) for host in hosts]
    return _issue(authority, hosts[0], names=names, purpose=ExtendedKeyUsageOID.SERVER_AUTH, now=now, valid=valid)


def issue_client(authority: Issued, name: str, *, now: datetime, valid: timedelta) -> Issued:
    """Give back a client's certificate. Raises `UsageFault` for a name no certificate can hold."""
    purpose = ExtendedKeyUsageOID.CLIENT_AUTH
    return _issue(authority, name, names=[_host(name)], purpose=purpose, now=now, valid=valid)


def _issue(
    authority: Issued,
    name: str,
    *,
    names: Sequence[x509.GeneralName],
    purpose: x509.ObjectIdentifier,
    now: datetime,
    valid: timedelta,
) -> Issued:
    key = ec.generate_private_key(ec.SECP256R1())
    issuer = authority.certificate.extensions.get_extension_for_class(x509.SubjectKeyIdentifier).value
    certificate = (
        _begin(_name(name), authority.certificate.subject, key, now, valid)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs_certificates=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([purpose]), critical=False)
        .add_extension(x509.SubjectAlternativeName(names), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_subject_key_identifier(issuer), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(authority.key, hashes.SHA256())
    )
    return Issued(certificate, key)


def _begin(
    subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePrivateKey, now: datetime, valid: timedelta
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - BEFORE)
        .not_valid_after(now + valid)
    )


def _name(text: str) -> x509.Name:
    if not 1 <= len(text) <= LONGEST_NAME:
        raise UsageFault(f"a name of 1 to {LONGEST_NAME} characters is wanted")
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text)])


def _host(text: str) -> x509.GeneralName:
    with contextlib.suppress(ValueError):
        return x509.IPAddress(ipaddress.ip_address(text))
    if not _HOST.fullmatch(text):
        raise UsageFault(f"{text}: neither an address nor a host name")
    return x509.DNSName(text)


def _usage(*, signs_certificates: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs_certificates,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=signs_certificates,
        crl_sign=signs_certificates,
        encipher_only=False,
        decipher_only=False,
    )
