"""The resource types of this part, and what finds each: tables of the whole registry by what is indexed, and never by a count."""

from django.db.models import F, Q

from results.fhir.follow_up import appointment, procedure, service_request
from results.fhir.lab import observation, report, specimen
from results.fhir.rows import bookings_read, examinations_read, referrals_read, results_read, samples_read
from results.models import SampleMove
from screening.fhir.resources import patient_param
from staff.fhir.base import Resource
from staff.fhir.parts import Frame
from staff.fhir.search import Asked, Param, Rows, days, days_of, moments, span_of, tokens, whole

NARROW = ("patient", "identifier", "_id")
"""A day on which a sample was taken is no index of the registry: with it goes whose, or which."""
MOST_WITHDRAWN = 10_000


def _released(rows: Rows, values: Asked, frame: Frame) -> Rows:
    """Results by the day of their release, which is indexed, and the moment."""
    low, high = days_of(values, frame)
    given = {"authorised_on__gte": low, "authorised_on__lte": high}
    return moments("authorised_at")(rows.filter(**{k: v for k, v in given.items() if v}), values, frame)


def _result_changed(rows: Rows, values: Asked, frame: Frame) -> Rows:
    """Results released, or withdrawn, at these moments."""
    (low, high), span = days_of(values, frame), span_of(values, frame.zone)
    given = {
        "authorised_on__gte": low, "authorised_on__lte": high, "authorised_at__gte": span.low, "authorised_at__lt": span.high,
    }  # fmt: skip
    released = Q(is_current=True, **{k: v for k, v in given.items() if v})
    gone = moments("recorded_at")(SampleMove.objects.filter(event="withdraw"), values, frame)
    samples = list(gone.order_by("-recorded_at").values_list("subject_id", flat=True)[:MOST_WITHDRAWN])
    return rows.filter(released | Q(is_current=False, sample_id__in=samples))


def _sample_changed(rows: Rows, values: Asked, frame: Frame) -> Rows:
    """Samples whose last move was made at these moments."""
    moved = moments("recorded_at")(SampleMove.objects.all(), values, frame)
    return rows.filter(pk__in=moved.filter(seq=F("subject__last_seq")).values("subject_id"))


def _date(words: str, first: str, last: str = "") -> Param:
    return Param("date", words, days(first, last))


TAKEN = _date(
    "When the sample may have been taken.",
    "sample__collected_earliest",
    "sample__return_of__collected_latest",
)
CHANGED = Param("date", "When it last changed.", moments("updated"))
OF_RESULT = {
    "identifier": Param("token", "The kit's serial.", tokens("sample__serial", "result")),
    "patient": patient_param("person"), "date": TAKEN,
    "_lastUpdated": Param("date", "When it was released, amended or withdrawn.", _result_changed),
}  # fmt: skip

SPECIMEN = Resource(
    "Specimen", "A sample that came back", samples_read, specimen, lambda row: int(row.person_id),
    {
        "identifier": Param("token", "The kit's serial.", tokens("serial", "kit")), "patient": patient_param("person"),
        "collected": _date("When it may have been taken.", "collected_earliest", "return_of__collected_latest"),
        "_lastUpdated": Param("date", "When it last moved.", _sample_changed),
    },
    needs={"collected": NARROW},
)  # fmt: skip
OBSERVATION = Resource(
    "Observation", "The faecal haemoglobin of a sample", results_read, observation, lambda row: int(row.person_id),
    OF_RESULT, key="sample_id", needs={"date": NARROW},
)  # fmt: skip
REPORT = Resource(
    "DiagnosticReport", "The laboratory's report of a sample", results_read, report, lambda row: int(row.person_id),
    OF_RESULT | {"issued": Param("date", "When it was released.", _released)}, key="sample_id", needs={"date": NARROW},
)  # fmt: skip
SERVICE_REQUEST = Resource(
    "ServiceRequest", "A referral for examination", referrals_read, service_request, lambda row: int(row.person_id),
    {
        "identifier": Param("token", "The referral's number.", tokens("pk", "referral", whole)),
        "patient": patient_param("person"), "authored": _date("When it was opened.", "opened_on"), "_lastUpdated": CHANGED,
    },
)  # fmt: skip
APPOINTMENT = Resource(
    "Appointment", "A booked day at a unit", bookings_read, appointment, lambda row: int(row.referral.person_id),
    {
        "identifier": Param("token", "The booking's number.", tokens("pk", "booking", whole)),
        "patient": patient_param("referral__person"), "date": _date("The day.", "day"), "_lastUpdated": CHANGED,
    },
)  # fmt: skip
PROCEDURE = Resource(
    "Procedure", "An examination", examinations_read, procedure, lambda row: int(row.referral.person_id),
    {
        "identifier": Param("token", "The examination's number.", tokens("pk", "examination", whole)),
        "patient": patient_param("referral__person"), "date": _date("The day.", "day"), "_lastUpdated": CHANGED,
    },
)  # fmt: skip
RESOURCES = (SPECIMEN, OBSERVATION, REPORT, SERVICE_REQUEST, APPOINTMENT, PROCEDURE)
