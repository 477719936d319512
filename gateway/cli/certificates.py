"""`bandgate certificates`: a test authority with certificates for a server and for clients, to try TLS out."""

import json
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
PORT = 2576  # beside 2575, which IANA has for HL7 and `serve` opens by itself


def certificates(
    folder: Annotated[Path, typer.Argument(help="A new or empty folder for the files; made for this user alone.")],
    host: Annotated[list[str] | None, typer.Option(help="Name or address of the server; may be repeated.")] = None,
    client: Annotated[list[str] | None, typer.Option(help="Name of a client; may be repeated.")] = None,
    days: Annotated[int, typer.Option(min=1, max=825, help="How long they are valid.")] = 30,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Make a test authority, a server's certificate and clients' certificates, for trying TLS out. Not for patients.

    The server gets server.pem and server.key (for --certificate and --key of serve, or a listener's tls), those who
    call it trust authority.pem. Each client gets NAME.pem and NAME.key (for --certificate and --key of replay). The
    lines for region.yaml are printed: a listener that knows the clients by their issuer, and what a feed knows its
    client by.

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
        _print_lines({name: issued[name] for name in names}, files)
    errors.print(LOUD, style="bold")


def _print_lines(clients: dict[str, Issued], files: dict[str, str]) -> None:
    """What stands in region.yaml, on standard output; a JSON text is a YAML text (YAML 1.2, section 1.3)."""
    errors.print("In region.yaml write, with a port of your own:")
    for line in ("listeners:", "  - name: trial-tls", f"    port: {PORT}", "    tls:"):
        out.print(line)
    tls = {"certificate": files["server"], "key": _key_of(files["server"])}
    tls |= {"client_issuers": files["authority"]} if clients else {}
    for key, file in tls.items():
        out.print(f"      {key}: {json.dumps(str(Path(file).absolute()))}")
    for name, one in clients.items():
        errors.print(f"and under the feed of {name}, who connects with {files[name]} and {_key_of(files[name])}:")
        out.print("    client_certificates:")
        out.print(f'      - sha256: "{one.sha256}"')


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


def _key_of(certificate: str) -> str:
    return f"{certificate.removesuffix('pem')}key"


def _told(issued: dict[str, Issued], files: dict[str, str]) -> list[dict[str, Any]]:
    return [
        {
            "name": name,
            "certificate": files[name],
            "key": _key_of(files[name]),
            "sha256": one.sha256,
            "expires": one.certificate.not_valid_after_utc.isoformat(),
        }
        for name, one in issued.items()
    ]
