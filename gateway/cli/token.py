"""`bandgate token`: a new secret for a feed, and the line of region.yaml that knows it."""

import hashlib
import secrets
from typing import Annotated

import typer

from gateway.cli.output import errors, out, print_json


def token(
    feed: Annotated[str, typer.Argument(help="The feed the token is for, as in region.yaml.")],
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Make a bearer token for a feed.

    The token is shown once and kept nowhere; region.yaml holds only its digest.

    Example: bandgate token harrow-point-reports
    """
    secret = secrets.token_urlsafe(32)
    digest = hashlib.sha256(secret.encode()).hexdigest()
    if as_json:
        print_json({"feed": feed, "token": secret, "token_sha256": digest})
        return
    out.print(secret)
    errors.print(f"Give the line above to the sender. In region.yaml, under the feed {feed}, write:")
    errors.print(f'    token_sha256: "{digest}"')
