"""Communication resources out of letters and messages; pure. What a letter says stays in the letter: its kind is told, not its words.

Source: HL7 FHIR R4 (4.0.1), value set event-status; media of the v3 code system ParticipationMode.
"""

from outreach.catalogue import KINDS
from outreach.kinds import STOP_WORDS, StopCode
from outreach.models import Letter
from screening.fhir.patient import practice, subject
from staff.fhir.parts import TERMS, Frame, Json, coding, concept, identifier, meta, named, reference

STATUS = {
    "owed": "preparation", "held": "on-hold", "frozen": "preparation", "printed": "preparation", "sending": "in-progress",
    "handed_over": "completed", "undelivered": "stopped", "settled": "stopped", "cancelled": "not-done", "superseded": "not-done",
}  # fmt: skip
MEDIA = {
    "post": ("WRITTEN", "written"), "text": ("SMSWRIT", "SMS message"), "email": ("EMAILWRIT", "email"),
}  # fmt: skip
REMINDERS = frozenset({3, 4, 14})
"""Numbers of the catalogue (job 6) that remind; the others notify."""
STOPPED = {"undelivered": "came back undelivered", "settled": "came back undelivered, reached another way"}


def communication(letter: Letter, frame: Frame) -> Json:
    """A letter or message to one recipient, and how far it has come."""
    kind = KINDS[letter.kind]
    about = [reference("Observation", letter.result.sample_id)] if letter.result else []
    about += [reference("ServiceRequest", letter.referral_id)] if letter.referral_id else []
    return {
        "resourceType": "Communication", "id": str(letter.pk),
        "meta": meta(frame, version=letter.last_seq, updated=getattr(letter, "updated", None)),
        "identifier": [identifier(frame.system("letter"), letter.pk)],
        "status": STATUS.get(letter.state, "unknown"),
        "statusReason": concept(text=why_not(letter.state, letter.close_reason)),
        "category": [category("reminder" if kind.number in REMINDERS else "notification")],
        "medium": [concept(coding(f"{TERMS}v3-ParticipationMode", *MEDIA[letter.channel]))],
        "subject": subject(letter.person, frame), "topic": concept(coding(frame.system("letter-kind"), kind.code, kind.name)),
        "about": about, "sent": frame.instant(getattr(letter, "sent", None)), "recipient": [recipient(letter, frame)],
    }  # fmt: skip


def category(code: str) -> Json:
    """Reminder or notification."""
    return concept(coding(f"{TERMS}communication-category", code, code.capitalize()))


def recipient(letter: Letter, frame: Frame) -> Json:
    """Whom it is for; an address is never named."""
    if letter.recipient == "doctor":
        return practice(letter.practice.code, letter.practice.name, frame) if letter.practice else {}
    if letter.recipient == "site":
        return (
            named("Organization", frame.system("site"), letter.site.code, letter.site.name)
            if letter.site
            else {}
        )
    return subject(letter.person, frame) if letter.recipient == "person" else {}


def why_not(state: str, reason: str) -> str:
    """Why it did not arrive, in words."""
    if state not in ("cancelled", "superseded"):
        return STOPPED.get(state, "")
    return str(STOP_WORDS[StopCode(reason)]) if reason in list(StopCode) else reason
