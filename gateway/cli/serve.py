"""`bandgate serve`: all doors of one region, until told to stop."""

import asyncio
import sys
from pathlib import Path
from typing import Annotated, Any

import orjson
import typer
import uvloop

from gateway.cli.output import CAUTION, errors
from gateway.run import Options, run


def serve(
    region: Annotated[Path, typer.Option(help="The region file.")],
    data: Annotated[Path, typer.Option(help="Folder for database and keys; made on first start, mode 0700.")],
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    mllp_port: Annotated[int, typer.Option(help="Port for HL7 v2 over MLLP; 0 takes a free one.")] = 2575,
    port: Annotated[int, typer.Option(help="Port for HTTP; 0 takes a free one.")] = 8080,
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
    errors.print(CAUTION, style="dim")
    with asyncio.Runner(loop_factory=uvloop.new_event_loop) as runner:
        runner.run(run(options, ready=_ready, tell=_tell))


def _tell(line: str) -> None:
    errors.print(line, soft_wrap=True, markup=False)


def _ready(doors: dict[str, Any]) -> None:
    sys.stdout.write(orjson.dumps({"event": "ready", "doors": doors}).decode() + "\n")
    sys.stdout.flush()
