"""How a result at or above the cutoff finds or opens the referral it calls for, in the caller's transaction."""

from results.follow_up_rules import DateRule
from results.models import Referral, ReferralResult, Result
from results.services.referrals_frame import closed_days_from
from screening.models import Person
from staff.acting import acting
from staff.ledger.moves import make_move
from staff.models import User
from staff.roles import Pool
from staff.working_days import working_days_after


def referral_open_for(*, by: User, result: Result) -> Referral:
    """The live referral that this result is linked to; opens one when the person has none.

    A second result joins the live referral. A closed referral is opened again only by another result of the same
    round (an amendment); otherwise a new one begins. Calls start the day of authorisation, or on the next
    working day where that is none (R11).
    """
    with acting(by) as frame:
        Person.objects.select_for_update(no_key=True).only("pk").get(pk=result.person_id)
        due_on = working_days_after(frame.today, 0, closed_days_from(frame.today))
        live = Referral.objects.filter(person_id=result.person_id).exclude(state="closed").first()
        if live is None:
            live = Referral.objects.filter(
                person_id=result.person_id, calls__result__round_id=result.round_id
            ).order_by("-pk").first()  # fmt: skip
            event = "reopen"
            if live is None:
                live = Referral.objects.create(person_id=result.person_id, opened_on=result.authorised_on)
                event = "open"
            rule = DateRule.OPENED if event == "open" else DateRule.REOPENED
            make_move(live, event, due_on=due_on, pool=Pool.COORDINATORS, rule=rule)
        ReferralResult.objects.create(referral=live, result=result)
        return live
