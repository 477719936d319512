"""Whatever of the fixtures' people must never be said: their names, birth dates and telephones.

Read from the messages with nothing of the gateway, so that nothing of ours decides what is secret.
"""

import re

from lxml import etree

NAMESPACE = {"n": "http://www.nemsis.org"}
REPORT_SECRETS = ("ePatient.02", "ePatient.03", "ePatient.04", "ePatient.05", "ePatient.17", "ePatient.18")


def secrets_of(data: bytes) -> set[str]:
    """Every name, birth date, street and telephone in a message; empty for what nobody can read."""
    found = _of_report(data) if data.lstrip().startswith(b"<") else _of_admission(data)
    words = {word for text in found for word in re.split(r"[\s,^~&]+", text)}
    return {word for word in words | found if len(word) > 2 and word.strip('"')}


def _of_report(data: bytes) -> set[str]:
    tree = etree.fromstring(data, etree.XMLParser(recover=True, resolve_entities=False, no_network=True))
    if tree is None:
        return set()
    return {
        str(text) for tag in REPORT_SECRETS for text in tree.xpath(f"//n:{tag}/text()", namespaces=NAMESPACE)
    }  # fmt: skip


def _of_admission(data: bytes) -> set[str]:
    text = data.decode("utf-8", errors="replace").replace("\r\n", "\r").replace("\n", "\r").strip("\x0b\x1c\r")
    if not text.startswith("MSH|^~"):
        return set()
    persons = [line for line in text.split("\r") if line.startswith("PID|")]
    fields = [field for line in persons for number, field in enumerate(line.split("|")) if number in {5, 7, 11, 13}]
    return {part for field in fields for part in re.split(r"[\^~&]", field)}


def birth_dates(secrets: set[str]) -> set[str]:
    """The birth dates among them in both forms, 19710202 and 1971-02-02."""
    digits = {re.sub(r"\D", "", each) for each in secrets if re.fullmatch(r"\d{8}|\d{4}-\d\d-\d\d", each)}
    return digits | {f"{each[:4]}-{each[4:6]}-{each[6:]}" for each in digits}


def said_of(secrets: set[str], text: str) -> set[str]:
    """Which of the secrets stand in a text as words of their own."""
    words = set(re.findall(r"[\w\-']+", text))
    return {secret for secret in secrets | birth_dates(secrets) if secret in words}
