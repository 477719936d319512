"""What whoever acts on a linked record must keep in mind; said by the commands and on every page."""

CAUTION = (
    "A band never identifies a patient alone: check two identifiers at the bedside. "
    "Not a medical device; local protocols, licensed practice and local law govern."
)
