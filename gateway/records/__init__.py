"""The records the house works with, and their states.

Three ideas hold these files together.

* A record is frozen and changed by copy (`msgspec.structs.replace`), so a decision can be tested with
  values alone.
* A record carries plain values; where each came from stands beside them in `origins`, keyed by the
  dotted name of the value (`"patient.birth_date"`, `"vitals[0].heart_rate"`).
* Every time is aware. The text that the source wrote stays in the stored message.

Words are those of the field: care report, admission message, visit, episode, sighting, link, review.
"""

from gateway.records.admission import (
    Admission,
    Diagnosis,
    Location,
    Visit,
    VisitState,
)
from gateway.records.base import (
    Finding,
    How,
    Level,
    Origin,
    Record,
    Stage,
    Traffic,
)
from gateway.records.care_report import (
    CareReport,
    Condition,
    Medication,
    Procedure,
    Reading,
    ReportTimes,
    VitalSigns,
)
from gateway.records.decisions import (
    Episode,
    EpisodeState,
    Link,
    LinkState,
    Reason,
    RecordKind,
    Review,
    ReviewState,
)
from gateway.records.outgoing import (
    Channel,
    Delivery,
    DeliveryState,
    Detail,
    LinkedRecord,
    LinkedReport,
    LinkedVisit,
    Organisation,
    Subscription,
    Topic,
)
from gateway.records.people import (
    Address,
    Age,
    Identifier,
    Person,
    Sex,
    Sighting,
)

__all__ = [
    "Address",
    "Admission",
    "Age",
    "CareReport",
    "Channel",
    "Condition",
    "Delivery",
    "DeliveryState",
    "Detail",
    "Diagnosis",
    "Episode",
    "EpisodeState",
    "Finding",
    "How",
    "Identifier",
    "Level",
    "Link",
    "LinkState",
    "LinkedRecord",
    "LinkedReport",
    "LinkedVisit",
    "Location",
    "Medication",
    "Organisation",
    "Origin",
    "Person",
    "Procedure",
    "Reading",
    "Reason",
    "Record",
    "RecordKind",
    "ReportTimes",
    "Review",
    "ReviewState",
    "Sex",
    "Sighting",
    "Stage",
    "Subscription",
    "Topic",
    "Traffic",
    "Visit",
    "VisitState",
    "VitalSigns",
]
