"""Communication: which letters are shown, and what finds them."""

from typing import Any

from django.db.models import F, OuterRef, QuerySet, Subquery

from outreach.fhir.communication import communication
from outreach.models import Letter, LetterMove
from screening.fhir.resources import patient_param
from staff.fhir.base import Resource
from staff.fhir.parts import Frame
from staff.fhir.search import Asked, Param, Rows, moments, tokens, whole
from staff.models import User


def _letters(by: User) -> QuerySet[Any]:
    moves = LetterMove.objects.filter(subject=OuterRef("pk"))
    sent = moves.filter(event__in=["hand_over", "sent"]).order_by("-seq")
    return (
        Letter.objects.exclude(state="")
        .select_related("person", "practice", "site", "result")
        .prefetch_related("person__identifiers")
        .annotate(
            updated=Subquery(moves.filter(seq=OuterRef("last_seq")).values("recorded_at")),
            sent=Subquery(sent.values("occurred_at")[:1]),
        )
    )


def _changed(rows: Rows, values: Asked, frame: Frame) -> Rows:
    """Letters whose last move was made at these moments."""
    moved = moments("recorded_at")(LetterMove.objects.all(), values, frame)
    return rows.filter(pk__in=moved.filter(seq=F("subject__last_seq")).values("subject_id"))


COMMUNICATION = Resource(
    "Communication", "A letter or message", _letters, communication, lambda row: int(row.person_id),
    {
        "identifier": Param("token", "The letter's number.", tokens("pk", "letter", whole)), "patient": patient_param("person"),
        "sent": Param("date", "When it was handed over.", moments("sent")),
        "_lastUpdated": Param("date", "When it last moved.", _changed),
    },
    needs={"sent": ("patient", "identifier", "_id")},
)  # fmt: skip
RESOURCES = (COMMUNICATION,)
