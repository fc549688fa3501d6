"""A changed guideline: the list is a dry run, and a clinician signs the new days in one go (job 2.17, exception 5)."""

from dataclasses import replace
from datetime import date

import pytest
from django.test import Client
from django.urls import reverse

from outreach.models import Letter
from outreach.services.planning import letters_plan
from results.models import NextStep, Referral, ResultsPolicy
from results.services import follow_up_policy as policies
from results.services import referrals as services
from results.services.guideline_review import plans_sign_anew, plans_to_sign_anew
from results.services.surveillance_register import plans_standing
from screening.models import Exclusion
from staff import clock
from staff.errors import NotAllowed, RoundbookError
from tests import cast, factories
from tests.results import follow_up as f
from tests.results.test_follow_up_policy import FROM, propose
from tests.results.test_report_findings import SMALL, TUBULAR, examined, with_histology

pytestmark = pytest.mark.usefixtures("region")
WORDS = "The guideline changed. Your next colonoscopy has a new day."


def in_surveillance_after_three_small() -> NextStep:
    """Three adenomas under 10 mm: back to screening after ESGE 2020 (doi 10.1055/a-1185-3109), kept under surveillance with
    a reason; surveillance at 3–5 years after the US Multi-Society Task Force 2020 (doi 10.1053/j.gastro.2019.10.026)."""
    referral = examined(SMALL, replace(SMALL, pot=2), replace(SMALL, pot=3))
    with_histology(referral, TUBULAR, TUBULAR, TUBULAR)
    f.sign(
        referral, finding="non_advanced", step="surveillance", on=date(2031, 6, 17), deviation="Wanted by both.",
        close=True,
    )  # fmt: skip
    return referral.next_steps.get()


def approved() -> ResultsPolicy:
    policy = propose(guideline="american_2020")
    policies.policy_approve(by=f.emrik(), policy=policy)
    return policy


def test_new_days_are_signed_once_the_guideline_is_in_force(signed_in: object) -> None:
    plan = in_surveillance_after_three_small()
    policy = approved()
    page: Client = signed_in(cast.NURSE)  # type: ignore[operator]
    url = reverse("results:follow-up-policy-plans", args=[policy.pk])
    assert "dry run" in page.get(url).content.decode()
    with pytest.raises(RoundbookError, match="not in force today"):
        plans_sign_anew(by=f.emrik(), policy=policy, plan_ids=[plan.pk], words=WORDS)
    with clock.at(clock.moment(FROM, 12)):
        page = signed_in(cast.CLINICIAN)  # type: ignore[operator]
        assert "Sign those chosen" in page.get(url).content.decode()
        answer = page.post(url, {"plan": plan.pk, "words": WORDS}, follow=True).content.decode()
        assert "1 plan was signed anew." in answer
        new = plan.referral.next_steps.latest("pk")
        assert (new.on, new.words, new.signed_by.username) == (date(2029, 6, 17), WORDS, cast.CLINICIAN)
        assert new.computed is not None
        assert new.computed.guideline == "american_2020"
        assert [one.pk for one in plans_standing()] == [new.pk]
        referral = Referral.objects.get(pk=plan.referral_id)
        assert (referral.state, referral.close_reason) == ("closed", "next_step_signed")
        assert Exclusion.objects.filter(person=referral.person, until=None).count() == 1
        assert plans_to_sign_anew(policy) == [], "what was signed under it is not asked again"
        again = plans_sign_anew(by=f.emrik(), policy=policy, plan_ids=[plan.pk], words=WORDS)
        assert (again.done, again.left) == (0, ())
        letters_plan(by=factories.by_default())
        told = Letter.objects.filter(kind__startswith="next_step", key__endswith=f":{new.pk}")
        assert {one.kind for one in told} == {"next_step", "next_step_doctor"}


def test_what_cannot_be_signed_in_bulk_is_left_with_its_reason() -> None:
    plan = in_surveillance_after_three_small()
    policy = approved()
    with clock.at(clock.moment(FROM, 12)):
        services.referral_reopen(by=f.liora(), referral=plan.referral, note="Rang with bleeding.")
        assert plans_sign_anew(by=f.emrik(), policy=policy, plan_ids=[plan.pk], words=WORDS).done == 0
    assert plan.referral.next_steps.get() == plan


def test_only_a_clinician_signs_and_never_without_words() -> None:
    plan, policy = in_surveillance_after_three_small(), approved()
    with clock.at(clock.moment(FROM, 12)):
        with pytest.raises(NotAllowed):
            plans_sign_anew(by=f.kaddrin(), policy=policy, plan_ids=[plan.pk], words=WORDS)
        with pytest.raises(RoundbookError, match="Write what the person"):
            plans_sign_anew(by=f.emrik(), policy=policy, plan_ids=[plan.pk], words=" ")
        with pytest.raises(RoundbookError, match="at most 200"):
            plans_sign_anew(by=f.emrik(), policy=policy, plan_ids=range(201), words=WORDS)
