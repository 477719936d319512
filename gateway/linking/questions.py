"""The questions only a person can answer, in words without a value; a review holds one of them."""

QUESTIONS: dict[str, str] = {
    "contradiction": "Records under one band contradict each other. Are they one patient, or two?",
    "free-text-only": "A band stands only in free text. Does this record belong to that band's patient?",
    "several-bands": "One record names more than one band. Is it one patient wearing two, or a mistake?",
    "crowded-band": "More records carry one band than a patient can have. Does some system fill it in by itself?",
    "mixed-signals": "A training band in a message that claims to be live. Is this a patient or an exercise?",
}

#: What the gateway itself answers when newer data has made a question pointless.
SETTLED_BY_NEWER_DATA = "settled-by-newer-data"
