"""What an end of a referral does to the person's rounds and invitations, and what opening it again takes back."""

from datetime import timedelta

from django.db.models import DateField, F, Value
from django.db.models.functions import Greatest

from results.models import Referral
from results.services.referrals_frame import Work
from screening.models import Exclusion, ExclusionKind, Person, Round
from screening.services.rounds import person_is_free, rounds_reported_at_or_above

LEFT_OUT = {
    "surveillance": ExclusionKind.SURVEILLANCE,
    "treatment": ExclusionKind.CANCER_CARE,
    "unfit_for_good": ExclusionKind.LIFE_LIMITING,
}
"""What keeps a person from being invited after a next step or a reason for closing."""


def _let_in(work: Work) -> None:
    """End the exclusion that the last closing of this referral made."""
    last = work.referral.evidence.select_related("next_step").order_by("-pk").first()
    kind = LEFT_OUT.get(last.next_step.step if last.next_step else last.reason) if last else None
    if last is not None and kind is not None:
        standing = Exclusion.objects.filter(
            person_id=work.referral.person_id, kind=kind, since=last.closed_on, until__isnull=True
        )
        standing.update(until=max(work.today, last.closed_on + timedelta(days=1)))


def round_taken_up(work: Work) -> None:
    """After opening again: end what kept the person from being invited, and put the round back into follow-up.

    The round stays closed where the person is in another round already.
    """
    _let_in(work)
    person = Person.objects.get(pk=work.referral.person_id)
    rounds = Round.objects.filter(
        results__referral_link__referral=work.referral, state="closed", close_reason="follow_up_concluded"
    ).values_list("pk", flat=True)
    latest = rounds.order_by("-pk").first()
    if latest is not None and person_is_free(person):
        due_on = Referral.objects.values_list("due_on", flat=True).get(pk=work.referral.pk)
        rounds_reported_at_or_above(by=work.by, round_ids=[latest], due_on=due_on or work.working(1))


def plan_left(work: Work, reason: str, *, goes_on: bool) -> list[Round]:
    """A referral that a surveillance plan was taken up with has ended: the person is let in again, unless surveillance goes on.

    The person's last round is taken up for a moment, so that this end gives the next date as every end does (R9).
    Returns the rounds to conclude.
    """
    if goes_on or reason == "died":
        return []
    standing = Exclusion.objects.filter(
        person_id=work.referral.person_id, kind=ExclusionKind.SURVEILLANCE, until__isnull=True
    )
    standing.update(
        until=Greatest(Value(work.today), F("since") + timedelta(days=1), output_field=DateField())
    )
    person = Person.objects.get(pk=work.referral.person_id)
    last = Round.objects.filter(person=person, state="closed", close_reason="follow_up_concluded").order_by(
        "-pk"
    )
    rounds = list(last.values_list("pk", flat=True)[:1])
    if rounds and person_is_free(person):
        rounds_reported_at_or_above(by=work.by, round_ids=rounds, due_on=work.today)
    return list(Round.objects.filter(person=person, state="follow_up"))
