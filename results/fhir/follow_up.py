"""ServiceRequest, Appointment and Procedure out of referrals, bookings and examinations; pure.

Source: HL7 FHIR R4 (4.0.1), value sets request-status, appointmentstatus and event-status. Booked days have no end of their own
unless they are on a list we keep; the usual length stands in for it (common practice, no source).
"""

from datetime import datetime, timedelta

from results.models import Booking, Examination, Referral
from results.states import REFERRAL_CLOSE_REASONS
from screening.fhir.patient import subject
from staff.fhir.parts import SNOMED, Frame, Json, coding, concept, day, identifier, meta, named, reference

COLONOSCOPY = concept(coding(SNOMED, "73761001", "Colonoscopy"), text="Colonoscopy")
CT = concept(text="CT colonography")
USUAL_MINUTES = 40
DONE = frozenset({"next_step_signed", "already_examined", "examined_elsewhere"})
WAITS = frozenset({"paused_until", "undecided"})
APPOINTMENT = {
    "booked": "booked", "attended": "fulfilled", "missed": "noshow", "cancelled_person": "cancelled",
    "cancelled_site": "cancelled", "not_confirmed": "cancelled",
}  # fmt: skip


def service_request(referral: Referral, frame: Frame) -> Json:
    """A referral for examination of the bowel, with the results that call for it."""
    asked = list(referral.calls.all())
    ended = str(REFERRAL_CLOSE_REASONS.get(referral.close_reason, "")) if referral.state == "closed" else ""
    return {
        "resourceType": "ServiceRequest", "id": str(referral.pk),
        "meta": meta(frame, version=referral.last_seq, updated=getattr(referral, "updated", None)),
        "identifier": [identifier(frame.system("referral"), referral.pk)],
        "status": request_status(referral.state, referral.close_reason), "intent": "order", "code": COLONOSCOPY,
        "subject": subject(referral.person, frame), "authoredOn": day(referral.opened_on),
        "reasonCode": [concept(text=referral.get_origin_display())],
        "reasonReference": [reference("Observation", call.result.sample_id) for call in asked],
        "note": [{"text": ended}] if ended else [],
    }  # fmt: skip


def request_status(state: str, close_reason: str) -> str:
    """`active` while open, `on-hold` while it waits for a day, `completed` when examined, else `revoked`."""
    if state != "closed":
        return "on-hold" if state in WAITS else "active"
    return "completed" if close_reason in DONE else "revoked"


def appointment(booking: Booking, frame: Frame) -> Json:
    """A day and time at a unit."""
    starts = datetime.combine(booking.day, booking.time, frame.zone)
    status = APPOINTMENT[booking.status]
    agreed = "accepted" if booking.confirmed_on else "needs-action"
    return {
        "resourceType": "Appointment", "id": str(booking.pk),
        "meta": meta(frame, version=getattr(booking, "version", 1), updated=getattr(booking, "updated", None)),
        "identifier": [identifier(frame.system("booking"), booking.pk)],
        "status": status, "serviceType": [COLONOSCOPY],
        "cancelationReason": concept(text=booking.get_status_display()) if status in ("cancelled", "noshow") else {},
        "basedOn": [reference("ServiceRequest", booking.referral_id)],
        "start": frame.instant(starts), "end": frame.instant(starts + timedelta(minutes=minutes_of(booking))),
        "created": day(booking.made_on),
        "participant": [
            {"actor": subject(booking.referral.person, frame), "status": agreed},
            {"actor": named("Location", frame.system("site"), booking.site.code, booking.site.name), "status": "accepted"},
        ],
    }  # fmt: skip


def minutes_of(booking: Booking) -> int:
    """How long it takes: the points of its place on a list we keep, else the usual length."""
    place = getattr(booking, "place", None)
    if place is None:
        return USUAL_MINUTES
    return int((place.points.upper - place.points.lower) * place.list.minutes)


def procedure(examination: Examination, frame: Frame) -> Json:
    """An examination as its report says; one that did not reach its end is `stopped`."""
    events = [one.get_kind_display() for one in examination.events.all()]
    whole = "complete" if examination.complete else "incomplete"
    prepared = "adequate" if examination.prep_adequate else "not adequate"
    place = examination.site
    asked = [call.result.sample_id for call in examination.referral.calls.all()]
    return {
        "resourceType": "Procedure", "id": str(examination.pk),
        "meta": meta(frame, version=1 + len(events), updated=getattr(examination, "updated", None)),
        "identifier": [identifier(frame.system("examination"), examination.pk)],
        "status": "completed" if examination.complete else "stopped",
        "statusReason": {} if examination.complete else concept(text="incomplete"),
        "code": CT if examination.kind == "ct" else COLONOSCOPY,
        "subject": subject(examination.referral.person, frame), "performedDateTime": day(examination.day),
        "basedOn": [reference("ServiceRequest", examination.referral_id)],
        "location": named("Location", frame.system("site"), place.code, place.name) if place else {},
        "reasonReference": [reference("Observation", one) for one in asked],
        "outcome": concept(text=examination.get_finding_display()),
        "complication": [concept(text=one) for one in events],
        "note": [{"text": f"Examination {whole}; preparation {prepared}."}],
    }  # fmt: skip
