"""`bandgate serve`: all doors of one region, until told to stop.

Standard error is for people where it is a terminal, and for programs where it is not: there every line is a log
event, what the operator must read once and the fault that ended it too.
"""

import asyncio
import ipaddress
import sys
from pathlib import Path
from typing import Annotated, Any

import orjson
import typer
import uvloop

from gateway.caution import CAUTION
from gateway.cli.output import errors
from gateway.cli.statuses import status_of
from gateway.errors import GatewayError
from gateway.logs import log, set_up
from gateway.run import Options, run

LAST_PORT = 65535


def serve(
    region: Annotated[Path, typer.Option(help="The region file.")],
    data: Annotated[
        Path, typer.Option(help="Folder for database and keys; made on first start, mode 0700. One gateway at a time.")
    ],
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    mllp_port: Annotated[
        int, typer.Option(min=0, max=LAST_PORT, help="Port for HL7 v2 over MLLP; 0 takes a free one.")
    ] = 2575,
    port: Annotated[int, typer.Option(min=0, max=LAST_PORT, help="Port for HTTP; 0 takes a free one.")] = 8080,
    database: Annotated[str | None, typer.Option(help="postgresql://… in place of SQLite in --data.")] = None,
    schemas: Annotated[Path | None, typer.Option(help="Folder with the official NEMSIS XSD files.")] = None,
    certificate: Annotated[Path | None, typer.Option(help="TLS certificate chain (PEM) for both doors.")] = None,
    key: Annotated[Path | None, typer.Option(help="TLS private key (PEM).")] = None,
) -> None:
    """Serve a region: take reports and admissions, link them, tell the subscribers.

    When ready, one line of JSON on standard output names every door. SIGTERM stops it cleanly.

    Example: bandgate serve --region fixtures/region.yaml --data ./data
    """
    options = Options(
        region=region,
        data=data,
        host=host,
        mllp_port=mllp_port,
        http_port=port,
        database=database,
        schemas=schemas,
        certificate=certificate,
        key=key,
    )
    set_up()
    _tell(CAUTION)
    if certificate is None and not _is_loopback(host):
        _tell(f"--host {host} without --certificate: patients' data would cross the network in clear")
    try:
        with asyncio.Runner(loop_factory=uvloop.new_event_loop) as runner:
            runner.run(run(options, ready=_ready, tell=_tell))
    except GatewayError as error:
        if errors.file.isatty():
            raise
        for line in str(error).splitlines():
            log("failed", level="error", says=line)
        raise typer.Exit(status_of(error)) from error


def _tell(line: str) -> None:
    if errors.file.isatty():
        errors.print(line, markup=False, soft_wrap=True)
    else:
        log("notice", says=line)


def _ready(doors: dict[str, Any]) -> None:
    sys.stdout.write(orjson.dumps({"event": "ready", "doors": doors}).decode() + "\n")
    sys.stdout.flush()


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
