"""Writes down how a person wants to hear from us, and what the office asks to be written to them."""

from datetime import date

from django.utils.translation import gettext_lazy as _

from outreach.models import Form, Letter, Wish
from outreach.services.owing import letters_owe
from outreach.wanted import Candidate
from screening.models import Person
from staff.access import require_role
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User
from staff.roles import Role

RECORDERS = (Role.PHONE_DESK, Role.COORDINATOR, Role.CLINICIAN)


def wish_record(*, by: User, person: Person, form: str, text: bool, email: bool, source: str) -> Wish:
    """How the person reads best, and whether they agree to text messages and e-mail; needs how we know."""
    require_role(by, *RECORDERS)
    if form not in Form.values:
        raise RoundbookError("form_unknown", _("Choose how the person reads best from the list."))
    if (text or email) and not source.strip():
        raise RoundbookError(
            "source_missing", _("Say how we know that the person agrees. Nothing was changed.")
        )
    if text and not person.phone:
        raise RoundbookError("phone_missing", _("No phone number is known. Write it down first."))
    if email and not person.email:
        raise RoundbookError("email_missing", _("No e-mail address is known. Write it down first."))
    with acting(by, reason="wishes recorded") as frame:
        Person.objects.select_for_update(of=("self",), no_key=True).get(pk=person.pk)
        old = Wish.objects.filter(person=person).first()
        wish, _new = Wish.objects.update_or_create(
            person=person,
            defaults={
                "form": form, "source": source.strip()[:120],
                "text_since": _since(text, old.text_since if old else None, frame.today),
                "email_since": _since(email, old.email_since if old else None, frame.today),
            },
        )  # fmt: skip
    return wish


def _since(agreed: bool, before: date | None, today: date) -> date | None:
    return (before or today) if agreed else None


def request_reply(*, by: User, person: Person, reply: str, identity: str) -> Letter:
    """Owe the answer to a person's request about their data; needs how the identity was checked."""
    require_role(by, Role.PHONE_DESK, Role.COORDINATOR)
    if not identity.strip():
        raise RoundbookError("identity_missing", _("Say how you know who is asking. Nothing was written."))
    if not 10 <= len(reply.strip()) <= 1200:
        raise RoundbookError(
            "reply_length", _("Write the answer in 10 to 1,200 characters. Nothing was written.")
        )
    with acting(by, reason=f"identity: {identity.strip()}") as frame:
        Person.objects.select_for_update(of=("self",), no_key=True).get(pk=person.pk)
        nth = Letter.objects.filter(person=person, kind="request_reply").count() + 1
        wanted = Candidate("request_reply", f"request_reply:{person.pk}:{nth}", person.pk, None, None, None, None, None, "",
                           frame.today, "asked", subject_id=nth)  # fmt: skip
        letters_owe(today=frame.today, wanted=[wanted])
        letter = Letter.objects.get(key=wanted.key)
        Letter.objects.filter(pk=letter.pk).update(asked=reply.strip())
    letter.refresh_from_db()
    return letter
