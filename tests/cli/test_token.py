"""`bandgate token`: a secret shown once, and a digest that the region file takes."""

import hashlib
import re
from pathlib import Path

from gateway.mapping.rules import Kind
from gateway.region import read_region
from tests.cli.conftest import REGION, Bandgate


def test_the_token_opens_its_feed_once_the_digest_stands_in_the_region(bandgate: Bandgate, tmp_path: Path) -> None:
    made = bandgate("token", "skerry-reports", "--json").document
    assert made.keys() == {"feed", "token", "token_sha256"}
    assert made["token_sha256"] == hashlib.sha256(made["token"].encode()).hexdigest()
    demo = hashlib.sha256(b"demo-skerry-reports").hexdigest()
    text = REGION.read_text(encoding="utf-8")
    assert demo in text
    (tmp_path / "mappings").symlink_to(REGION.parent / "mappings")
    (tmp_path / "region.yaml").write_text(text.replace(demo, made["token_sha256"]))
    feed = read_region(tmp_path / "region.yaml").find_feed_by_token(made["token"], Kind.CARE_REPORTS)
    assert feed is not None
    assert feed.name == "skerry-reports"


def test_every_token_is_another_and_long_enough(bandgate: Bandgate) -> None:
    """32 random bytes; RFC 6750 section 5.2 asks that a token cannot be guessed, OWASP for 128 bits (from memory)."""
    tokens = {bandgate("token", "x", "--json").document["token"] for _ in range(5)}
    assert len(tokens) == 5
    assert all(len(token) >= 43 for token in tokens)


def test_the_secret_stands_alone_on_standard_output(bandgate: Bandgate) -> None:
    said = bandgate("token", "skerry-reports")
    assert re.fullmatch(r"[A-Za-z0-9_-]{43}\n", said.out)
    digest = hashlib.sha256(said.out.strip().encode()).hexdigest()
    assert said.out.strip() not in said.err
    assert f'    token_sha256: "{digest}"' in said.err.splitlines(), "one line, to be pasted as it is"


def test_a_name_is_compared_with_the_region_that_is_named(bandgate: Bandgate) -> None:
    assert bandgate("token", "skerry-reports", "--region", REGION).status == 0
    said = bandgate("token", "skery-reports", "--region", REGION)
    assert (said.status, said.out) == (2, "")
    assert said.faults == [f"{REGION}: no such feed: did you mean skerry-reports?"]


def test_a_subscription_is_no_feed(bandgate: Bandgate) -> None:
    said = bandgate("token", "anvil-head-fhir", "--region", REGION)
    assert (said.status, said.out) == (2, "")
    assert "is a subscription" in said.faults[0]


def test_without_a_region_it_says_that_nobody_has_looked(bandgate: Bandgate) -> None:
    assert "--region" in bandgate("token", "anything").err
    assert "--region" not in bandgate("token", "skerry-reports", "--region", REGION).err.replace(str(REGION), "")


def test_a_feed_that_shares_its_name_with_a_subscription_is_a_feed(bandgate: Bandgate) -> None:
    """In the invented region anvil-head-adt is both: a name is unique within its list alone."""
    assert "anvil-head-adt" in read_region(REGION).subscriptions
    said = bandgate("token", "anvil-head-adt", "--region", REGION)
    assert (said.status, said.faults) == (0, [])
