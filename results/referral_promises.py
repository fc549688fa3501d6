"""Who was promised what, and when: open referrals in the words a deputy needs, in a fixed number of queries."""

from dataclasses import dataclass
from datetime import date, time

from django.db.models import F, QuerySet
from django.utils.text import capfirst
from django.utils.translation import gettext as _

from results.follow_up_rules import rule_words
from results.models import Assessment, Booking, ContactAttempt, Referral, ReferralMove
from results.referral_queue import last_contacts, last_moves
from results.referral_story import language_name, said
from results.services.referrals_frame import results_policy_on
from results.states import REFERRAL
from screening.eligibility import age_on
from staff import clock


@dataclass(frozen=True)
class Promise:
    """One referral as the deputy reads it."""

    pk: int
    person_id: int
    name: str
    about: str
    phone: str
    need: str
    due_on: date | None
    due_time: time | None
    overdue: bool
    why: str
    days: int
    last: str
    booked: str
    mind: str
    holder: str


def promises_of(meant: QuerySet[Referral], *, today: date) -> list[Promise]:
    """These referrals by their next date and time; five queries, however many."""
    rows = list(
        meant.select_related("person", "owner").order_by("due_on", F("due_time").asc(nulls_last=True), "pk")
    )
    ids = [row.pk for row in rows]
    contacts, bookings, minds = last_contacts(ids), _bookings(ids), _minds(ids)
    moves, protocol = last_moves(ids), results_policy_on(today)
    days = (protocol.report_days, protocol.histology_working_days)
    return [
        _promise(
            row, today, contacts.get(row.pk), bookings.get(row.pk), minds.get(row.pk), moves.get(row.pk), days
        )
        for row in rows
    ]


def _bookings(ids: list[int]) -> dict[int, Booking]:
    found = Booking.objects.filter(referral_id__in=ids, status=Booking.Status.BOOKED).select_related("site")
    return {one.referral_id: one for one in found}


def _minds(ids: list[int]) -> dict[int, Assessment]:
    found = Assessment.objects.filter(referral_id__in=ids).order_by("referral_id", "-pk")
    return {one.referral_id: one for one in found.distinct("referral_id")}


def _promise(
    row: Referral, today: date, contact: ContactAttempt | None, booking: Booking | None,
    assessment: Assessment | None, move: ReferralMove | None, days: tuple[int, int],
) -> Promise:  # fmt: skip
    person = row.person
    age = _("age %(age)s") % {"age": age_on(person.birth_date, today)} if person.birth_date else ""
    language = person.language if person.language and not person.language.startswith("en") else ""
    return Promise(
        pk=row.pk, person_id=row.person_id, name=f"{person.family_name}, {person.given_names}",
        about=", ".join(part for part in (age, language and language_name(language)) if part), phone=person.phone,
        need=str(capfirst(REFERRAL.label(row.state))), due_on=row.due_on, due_time=row.due_time,
        overdue=row.due_on is not None and row.due_on < today,
        why=str(rule_words(move.rule, *days)) if move else "",
        days=max(0, clock.days_between(row.opened_on, today)),
        last=_contact_words(contact) if contact else "",
        booked=f"{said(booking.day)}, {booking.time:%H:%M}, {booking.site.name}" if booking else "",
        mind=assessment.plan if assessment else "",
        holder=row.owner.full_name if row.owner else "",
    )  # fmt: skip


def _contact_words(contact: ContactAttempt) -> str:
    words = f"{said(contact.made_on)}: {contact.get_outcome_display()}"
    return f"{words}. {contact.note}" if contact.note.strip() else words
