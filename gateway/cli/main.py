"""The `bandgate` command: every fault is one line that names place and remedy, with the exit status of its kind."""

import logging
import sys
from collections.abc import Callable
from typing import NoReturn

import typer

from gateway import __version__
from gateway.cli.certificates import certificates
from gateway.cli.check import check
from gateway.cli.demo import demo
from gateway.cli.feed import feed_app
from gateway.cli.lookup import lookup
from gateway.cli.mapping import mapping_app
from gateway.cli.output import errors, let_nothing_be_unprintable
from gateway.cli.password import password
from gateway.cli.read import read
from gateway.cli.region import region_app
from gateway.cli.replay import replay
from gateway.cli.schemas import schemas_app
from gateway.cli.serve import serve
from gateway.cli.statuses import GOOD, status_of
from gateway.cli.strangers import strangers
from gateway.cli.token import token
from gateway.errors import GatewayError
from gateway.logs import set_up

app = typer.Typer(
    name="bandgate",
    help="Link ambulance care reports and hospital admissions by the wristband identifier.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)
#: Every command, and what it is for in one line of the list.
COMMANDS: dict[Callable[..., None], str] = {
    serve: "Run a region's gateway until it is told to stop.",
    check: "Are these files fit to carry the band, and what to change?",
    read: "What a message becomes: every value, its place and its rule.",
    replay: "Send messages to any end and tell what it answers.",
    lookup: "What is known under one band.",
    token: "Make a bearer token for a feed.",
    password: "Make an account of a feed for the report web service.",
    strangers: "Who knocks at the MLLP doors without being known.",
    certificates: "Make TLS certificates to try things out with.",
    demo: "Run the invented day through a gateway.",
}
for command, purpose in COMMANDS.items():
    app.command(name=command.__name__, short_help=purpose)(command)
app.add_typer(feed_app, name="feed", short_help="List the feeds, put one live or back on trial.")
app.add_typer(region_app, name="region", short_help="Check a region file, or print its form.")
app.add_typer(
    schemas_app, name="schemas", short_help="Register the official schema and rule files, list or remove them."
)
app.add_typer(mapping_app, name="mapping", short_help="List the mappings there are, or print their form.")


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(__version__)
        raise typer.Exit


@app.callback()
def _root(
    version: bool = typer.Option(False, "--version", callback=_version, is_eager=True, help="Print the version."),
) -> None:
    """Link ambulance care reports and hospital admissions by the wristband identifier."""


def main() -> NoReturn:
    """Run the command line and leave with the right status."""
    let_nothing_be_unprintable()
    set_up(level=logging.WARNING)
    try:
        app()  # leaves with 2 for wrong usage, else with what the command says
    except GatewayError as error:
        for line in str(error).splitlines():
            errors.print(f"bandgate: {line}", markup=False, soft_wrap=True)
        sys.exit(status_of(error))
    sys.exit(GOOD)
