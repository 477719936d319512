"""`bandgate token`: a new secret for a feed, and the line of region.yaml that knows it."""

import hashlib
import secrets
from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.output import errors, out, print_json
from gateway.documents import suggest
from gateway.errors import UsageFault
from gateway.region import Feed, read_region

UNSEEN = "Nobody has looked whether there is such a feed: name the region file with --region for that."


def token(
    feed: Annotated[str, typer.Argument(help="The feed the token is for, as in region.yaml.")],
    region: Annotated[
        Path | None, typer.Option(help="The region file; a name that is no feed there is refused.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Make a bearer token for a feed.

    The token is shown once and kept nowhere; region.yaml holds only its digest.

    Example: bandgate token harrow-point-reports --region fixtures/region.yaml
    """
    if region is not None:
        check_feed(feed, region)
    secret = secrets.token_urlsafe(32)
    digest = hashlib.sha256(secret.encode()).hexdigest()
    if as_json:
        print_json({"feed": feed, "token": secret, "token_sha256": digest})
        return
    out.print(secret)
    errors.print(f"Give the line above to the sender. In {region or 'region.yaml'}, under the feed {feed}, write:")
    errors.print(f'    token_sha256: "{digest}"', soft_wrap=True)
    if region is None:
        errors.print(UNSEEN)


def check_feed(feed: str, file: Path) -> Feed:
    """Give back the feed of this name in a region file. Raises `UsageFault` where there is none.

    A subscription may have the same name: names are unique within their list.
    """
    region = read_region(file)
    if feed in region.feeds:
        return region.feeds[feed]
    if feed in region.subscriptions:
        raise UsageFault(
            f"{file}: {feed} is a subscription: its header says where its secret is read from; name a feed"
        )
    raise UsageFault(f"{file}: no such feed: {suggest(feed, region.feeds)}")
