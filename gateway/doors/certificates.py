"""The certificates of the doors: taken anew while they serve, and those that callers show.

* TLS 1.2 at least, and nothing else is chosen here: the rest is OpenSSL's own list.
* A new certificate counts for new connections. It is read whole before it takes the old one's place; one that
  cannot be used changes nothing and is told once.
"""

import hashlib
import ssl
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from cryptography import x509
from cryptography.x509.oid import NameOID

from gateway.attribution import ClientCertificate
from gateway.errors import UsageFault
from gateway.logs import log


class Callers(StrEnum):
    """Whether those who call must show a certificate."""

    NOT_ASKED = "not-asked"
    OPTIONAL = "optional"  #: one that is shown must be good
    REQUIRED = "required"


_VERIFY = {
    Callers.NOT_ASKED: ssl.CERT_NONE,
    Callers.OPTIONAL: ssl.CERT_OPTIONAL,
    Callers.REQUIRED: ssl.CERT_REQUIRED,
}
_Stamp = tuple[tuple[int, int, int] | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CertificateFiles:
    """The files of one door (PEM): chain, key (in the chain's file if None), and who may issue the callers'."""

    certificate: Path
    key: Path | None = None
    client_issuers: Path | None = None
    callers: Callers = Callers.NOT_ASKED

    def paths(self) -> tuple[Path, ...]:
        """Give back those there are."""
        return tuple(path for path in (self.certificate, self.key, self.client_issuers) if path is not None)


class ServedCertificate:
    """What a door shows now."""

    def __init__(self, door: str, files: CertificateFiles) -> None:
        """Read the files. Raises `UsageFault` when they cannot be used, naming the file."""
        self.door = door
        self._files = files
        self._stamp = self._look()
        self._context = self._read()

    @property
    def context(self) -> ssl.SSLContext:
        """The context for a new connection.

        A server that keeps one for good keeps this one: each of its handshakes is given the newest certificate.
        """
        return self._context

    def refresh(self) -> bool:
        """Take the files anew where they have changed; True when there is a new certificate."""
        stamp = self._look()
        if stamp == self._stamp:
            return False
        self._stamp = stamp
        try:
            self._context = self._read()
        except UsageFault as fault:
            log("certificate_refused", level="error", door=self.door, why=str(fault))
            return False
        log("certificate_taken", door=self.door, expires=_expiry(self._files.certificate))
        return True

    def _look(self) -> _Stamp:
        return tuple(map(_stamp, self._files.paths()))

    def _read(self) -> ssl.SSLContext:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        context.sni_callback = self._give_newest
        files = self._files
        _check_readable(self.door, files)
        try:
            context.load_cert_chain(files.certificate, files.key, password=_no_passphrase)
        except (ssl.SSLError, ValueError) as error:
            key = files.key or files.certificate
            says = f"no certificate chain in PEM here, or {key} is not its private key without a passphrase"
            raise UsageFault(f"{self.door}: {files.certificate}: {says}") from error
        if files.client_issuers is not None:
            try:
                context.load_verify_locations(files.client_issuers)
            except (ssl.SSLError, ValueError) as error:
                raise UsageFault(f"{self.door}: {files.client_issuers}: no certificates of issuers in PEM") from error
        context.verify_mode = _VERIFY[files.callers]
        return context

    def _give_newest(self, connection: ssl.SSLObject, name: str | None, context: ssl.SSLContext) -> None:
        """Called by OpenSSL at each handshake, whether or not the client names a host (RFC 6066, section 3)."""
        del name
        if context is not self._context:
            connection.context = self._context


def read_client_certificate(der: bytes) -> ClientCertificate:
    """Give back fingerprint and names of a certificate that the handshake has verified; no names if they are broken."""
    try:
        names = _names(x509.load_der_x509_certificate(der))
    except ValueError:
        names = []
    return ClientCertificate(hashlib.sha256(der).hexdigest(), frozenset(name.lower() for name in names))


def _names(certificate: x509.Certificate) -> list[str]:
    """The common name, and the alternative names that are text (RFC 5280, section 4.2.1.6)."""
    found = [str(each.value) for each in certificate.subject.get_attributes_for_oid(NameOID.COMMON_NAME)]
    try:
        others = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return found
    for kind in (x509.DNSName, x509.RFC822Name, x509.UniformResourceIdentifier):
        found += others.get_values_for_type(kind)
    return found


def _check_readable(door: str, files: CertificateFiles) -> None:
    for path in files.paths():
        try:
            path.read_bytes()
        except OSError as error:
            raise UsageFault(f"{door}: {path}: cannot be read") from error


def _stamp(path: Path) -> tuple[int, int, int] | None:
    """What changes when a file does; None for one that is not there now."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size, found.st_ino


def _expiry(path: Path) -> str:
    certificate = x509.load_pem_x509_certificate(path.read_bytes())
    return certificate.not_valid_after_utc.date().isoformat()


def _no_passphrase() -> str:
    """Asked for a passphrase OpenSSL would wait at the terminal; an empty one is refused at once."""
    return ""
