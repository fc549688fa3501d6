"""Offering the examination again after a refusal or when nobody could be reached: open rows with an owner and a date (R18)."""

from collections.abc import Mapping
from datetime import date, timedelta

from django.db.models import QuerySet
from django.utils.translation import gettext_lazy as _

from results.models import ClosingEvidence, ContactAttempt, Referral, ReOffer
from results.services.referrals_frame import FOLLOWERS, Work, closed_days_from
from screening.months import add_months
from staff.access import require_role
from staff.acting import acting
from staff.errors import IllegalMove, RoundbookError
from staff.models import User
from staff.working_days import working_days_after

AFTER_MONTHS: Mapping[str, tuple[int, ...]] = {"informed_refusal": (3, 12), "not_reached": (6, 12, 24)}
"""Close reason → months after which it is offered again. Source: job 2.12, exceptions 1 and 3; the protocol decides."""
AGAIN_DAYS = 14
"""Somebody not reached is tried again after so many days: common practice, no source."""


def re_offers_begin(work: Work, evidence: ClosingEvidence, owner: User | None) -> None:
    """Lay down the rows that this closing calls for; earlier open ones of the same referral are settled."""
    re_offers_settle(work, work.referral)
    ReOffer.objects.bulk_create(
        ReOffer(
            evidence=evidence, referral=work.referral, months=months, owner=owner,
            due_on=work.working(0, after=add_months(work.today, months)),
        )
        for months in AFTER_MONTHS.get(evidence.reason, ())
    )  # fmt: skip


def re_offers_settle(work: Work, referral: Referral) -> int:
    """The referral is open again, or closed for another reason: what was still to offer is settled."""
    rows = ReOffer.objects.filter(referral=referral, answer="")
    return rows.update(answer=ReOffer.Answer.SETTLED, answered_on=work.today, answered_by=work.by)


def re_offers_open() -> QuerySet[ReOffer]:
    """The open rows, earliest first; not of somebody who died, or who has an open referral by now."""
    live = Referral.objects.exclude(state="closed").values("person")
    return (
        ReOffer.objects.filter(
            answer="", referral__state="closed", referral__person__deceased_on__isnull=True
        )
        .exclude(referral__person__in=live)
        .select_related("referral__person__area", "owner", "evidence")
        .order_by("due_on", "pk")
    )


def re_offers_due(today: date) -> QuerySet[ReOffer]:
    """Those whose day has come."""
    return re_offers_open().filter(due_on__lte=today)


def re_offer_answer(*, by: User, re_offer: ReOffer, answer: str, note: str = "") -> Referral:
    """What came of offering it again.

    `wants`: the referral opens again, its days counted on. `declines`: this row is done, later ones stand.
    `not_reached`: the attempt is kept and the row is due again after 14 days.
    """
    from results.services.referrals_closing import referral_reopen
    from results.services.referrals_contact import contact_attempt_record

    require_role(by, *FOLLOWERS)
    with acting(by) as frame:
        referral = Referral.objects.select_for_update(no_key=True).get(pk=re_offer.referral_id)
        row = ReOffer.objects.select_for_update().get(pk=re_offer.pk)
        if row.answer:
            raise IllegalMove("answered_before", _("This was answered already. Look at the list again."))
        if answer not in {ReOffer.Answer.WANTS, ReOffer.Answer.DECLINES, ReOffer.Answer.NOT_REACHED}:
            raise RoundbookError("unknown_answer", _("Choose an answer from the list."))
        if answer == ReOffer.Answer.WANTS:
            words = note.strip() or str(_("Offered again; wants the examination now."))
            referral_reopen(by=by, referral=referral, note=words)
            contact_attempt_record(by=by, referral=referral, outcome="spoke", wish="go_on", note=note)
        else:
            ContactAttempt.objects.create(
                referral=referral, note=note, made_at=frame.now, made_on=frame.today, made_by=by,
                outcome="spoke" if answer == ReOffer.Answer.DECLINES else "no_answer",
            )  # fmt: skip
        spoke = answer != ReOffer.Answer.NOT_REACHED
        if spoke:
            row.answer, row.note, row.answered_on, row.answered_by = answer, note, frame.today, by
        else:
            closed = closed_days_from(frame.today)
            row.due_on = working_days_after(frame.today + timedelta(days=AGAIN_DAYS), 0, closed)
        row.owner = by
        row.save(update_fields=["answer", "note", "answered_on", "answered_by", "due_on", "owner"])
    return referral
