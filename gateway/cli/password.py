"""`bandgate password`: the lines of region.yaml that let an agency's software submit to the report web service."""

import sys
from pathlib import Path
from typing import Annotated

import typer
from argon2 import PasswordHasher

from gateway.cli.output import errors, out, print_json
from gateway.cli.token import UNSEEN, check_feed
from gateway.errors import UsageFault
from gateway.mapping.rules import Kind

SHORTEST = 12  # characters: an account may be tried from everywhere (NIST SP 800-63B asks for 8 at the least)
LONGEST = 250  # characters, by the service's WSDL


def password(
    feed: Annotated[str, typer.Argument(help="The feed the account is for, as in region.yaml.")],
    username: Annotated[
        str | None, typer.Option(help="What the agency's software sends as user name; the feed's name if left out.")
    ] = None,
    organization: Annotated[
        str | None, typer.Option(help="What it sends as organization; the feed's name if left out.")
    ] = None,
    region: Annotated[
        Path | None, typer.Option(help="The region file; a name that is no feed there is refused.")
    ] = None,
    from_stdin: Annotated[
        bool, typer.Option("--stdin", help="Read the password from standard input, one line.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Make an account of a feed for the report web service.

    The password is asked for twice and kept nowhere; region.yaml holds only its Argon2 hash.

    Example: bandgate password harrow-point-reports --username harrow --organization HPA --region fixtures/region.yaml
    """
    if region is not None and check_feed(feed, region).kind is not Kind.CARE_REPORTS:
        says = f"{feed} brings admissions, and only care reports come by the report web service"
        raise UsageFault(f"{region}: {says}: name a feed of care reports, or use bandgate token {feed}")
    account = {
        "username": username or feed,
        "password_hash": PasswordHasher().hash(_checked(_read() if from_stdin else _ask())),
        "organization": organization or feed,
    }
    if as_json:
        print_json({"feed": feed, "service": account})
        return
    errors.print(f"In {region or 'region.yaml'}, under the feed {feed}, write:")
    out.print("    service:")
    for name, value in account.items():
        out.print(f'      {name}: "{value}"')
    if region is None:
        errors.print(UNSEEN)


def _read() -> str:
    return sys.stdin.readline().rstrip("\r\n")


def _ask() -> str:
    if not sys.stdin.isatty():
        raise UsageFault("nobody is there to ask for the password: send it to standard input with --stdin")
    return str(typer.prompt("Password", hide_input=True, confirmation_prompt=True, err=True))


def _checked(given: str) -> str:
    if not SHORTEST <= len(given) <= LONGEST:
        raise UsageFault(f"a password has {SHORTEST} to {LONGEST} characters: choose another")
    if not given.isprintable():
        raise UsageFault("a password with characters that cannot be sent in XML: choose another")
    return given
