"""Which referral a result at or above finds: the live one, the closed one of its round, or a new one."""

from datetime import date, timedelta

import pytest

from results.models import Referral, ReferralResult, Result
from results.services import referrals as services
from screening.models import Person
from staff import clock
from staff.acting import acting
from staff.models import NonWorkingDay
from tests import cast, factories
from tests.results import follow_up as f

pytestmark = pytest.mark.usefixtures("region")


def amended(result: Result) -> Referral:
    """Another version of a result at or above, and the referral it found."""
    who = cast.member(cast.LAB_LEAD)
    with acting(who):
        Result.objects.filter(pk=result.pk).update(is_current=False, is_deciding=False)
        result.pk, result.version = None, result.version + 1
        result.is_current = result.is_deciding = True
        result.save(force_insert=True)
        return services.referral_open_for(by=who, result=result)


def test_another_version_joins_the_live_referral() -> None:
    referral = f.a_referral("booked")
    result = Result.objects.get(referral_link__referral=referral)
    assert amended(result) == referral
    referral.refresh_from_db()
    assert (referral.state, ReferralResult.objects.filter(referral=referral).count()) == ("booked", 2)


def test_another_version_of_the_same_round_opens_its_closed_referral_again() -> None:
    referral = f.a_referral("closed")
    result = Result.objects.get(referral_link__referral=referral)
    assert amended(result) == referral
    referral.refresh_from_db()
    assert (referral.state, referral.pool, referral.due_on) == ("to_reach", "coordinators", date(2026, 6, 17))


def test_a_result_of_another_round_opens_a_new_referral() -> None:
    first = f.a_referral("closed")
    with clock.at(clock.now() + timedelta(days=740)):
        person = Person.objects.get(pk=first.person_id)
        back = factories.a_ready_return(factories.a_round(person))
        result = f.a_result_at_or_above(back)
        second = Referral.objects.get(calls__result=result)
    assert second != first
    assert (second.state, second.opened_on) == ("to_reach", date(2028, 6, 26))
    assert Referral.objects.get(pk=first.pk).state == "closed"


def test_calls_start_the_day_of_release_or_on_the_next_working_day() -> None:
    # Source: ruling R11: calls start the day of authorisation.
    NonWorkingDay.objects.create(day=date(2026, 6, 22), name="Harbour Day")
    for released, calls in ((date(2026, 6, 19), date(2026, 6, 19)), (date(2026, 6, 20), date(2026, 6, 23))):
        with clock.at(clock.moment(released, 16)):
            assert f.a_referral().due_on == calls


def test_nobody_is_linked_twice() -> None:
    referral = f.a_referral()
    result = Result.objects.get(referral_link__referral=referral)
    with pytest.raises(Exception, match="result_id"):
        services.referral_open_for(by=cast.member(cast.LAB_LEAD), result=result)
