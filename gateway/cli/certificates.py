"""`bandgate certificates`: a test authority with certificates for a server and for clients, to try TLS out."""

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated, Any

import typer

from gateway.cli.output import errors, out, print_json
from gateway.errors import UsageFault
from gateway.trial_certificates import Issued, issue_client, issue_server, make_authority

LOUD = "FOR TRIALS ONLY: whoever can read this folder can be this server and every client. Never use it for patients."
PRIVATE = 0o600


def certificates(
    folder: Annotated[Path, typer.Argument(help="A new or empty folder for the files; made for this user alone.")],
    host: Annotated[list[str] | None, typer.Option(help="Name or address of the server; may be repeated.")] = None,
    client: Annotated[list[str] | None, typer.Option(help="Name of a client; may be repeated.")] = None,
    days: Annotated[int, typer.Option(min=1, max=825, help="How long they are valid.")] = 30,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Make a test authority, a server's certificate and clients' certificates, for trying TLS out. Not for patients.

    The server gets server.pem and server.key (for --certificate and --key, or a listener's tls), those who call it
    trust authority.pem. Each client gets NAME.pem and NAME.key; a listener knows them by client_issuers:
    authority.pem, and a feed by the fingerprint that is printed.

    Example: bandgate certificates ./trial-tls --host localhost --client anvil-head
    """
    hosts, names = host or ["localhost", "127.0.0.1"], client or []
    _check_names(names)
    now, valid = datetime.now(UTC), timedelta(days=days)
    authority = make_authority(now=now, valid=valid)
    issued = {"server": issue_server(authority, hosts, now=now, valid=valid)}
    issued |= {name: issue_client(authority, name, now=now, valid=valid) for name in names}
    files = _write(folder, authority, issued)
    if as_json:
        print_json({"folder": str(folder), "authority": files["authority"], "issued": _told(issued, files)})
    else:
        out.print(f"authority: {files['authority']}")
        for name, one in issued.items():
            out.print(f"{name}: {files[name]}, {files[name].removesuffix('pem')}key")
            out.print(f"    sha256: {one.sha256}")
    errors.print(LOUD, style="bold")


def _check_names(names: list[str]) -> None:
    for name in names:
        if name in {"server", "authority"} or names.count(name) > 1 or Path(name).name != name:
            raise UsageFault(f"--client {name}: each client needs a name of its own, without a path")


def _write(folder: Path, authority: Issued, issued: dict[str, Issued]) -> dict[str, str]:
    """Write every file for this user alone, and give back the certificates' by their names."""
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise UsageFault(f"{folder}: not empty: name a new folder, so that nothing is overwritten")
        for name, one in {"authority": authority, **issued}.items():
            _put(folder / f"{name}.pem", one.certificate_pem)
            _put(folder / f"{name}.key", one.key_pem)
        _put(folder / "README.txt", f"{LOUD}\n".encode())
    except OSError as error:
        raise UsageFault(f"{folder}: cannot write here ({type(error).__name__}): name another folder") from error
    return {name: str(folder / f"{name}.pem") for name in ("authority", *issued)}


def _put(path: Path, content: bytes) -> None:
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, PRIVATE), "wb") as file:
        file.write(content)


def _told(issued: dict[str, Issued], files: dict[str, str]) -> list[dict[str, Any]]:
    return [
        {
            "name": name,
            "certificate": files[name],
            "key": files[name].removesuffix("pem") + "key",
            "sha256": one.sha256,
            "expires": one.certificate.not_valid_after_utc.isoformat(),
        }
        for name, one in issued.items()
    ]
