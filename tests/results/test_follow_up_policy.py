"""Follow-up's policy is changed by a dated proposal that a second person confirms; what it would mean is told before."""

from datetime import date, timedelta

import pytest
from django.db import IntegrityError, transaction
from django.urls import reverse

from outreach.services.policy import outreach_policy_on
from results.models import ResultsPolicy
from results.policy_effects import effects, plans_that_differ
from results.services import follow_up_policy as policies
from results.services import referrals as services
from results.services.referrals_frame import results_policy_on
from screening.models import Protocol
from screening.services.policies import policy_on
from screening.services.protocols import protocol_approve, protocol_effect, protocol_propose
from staff import clock
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User
from tests import cast
from tests.results import follow_up as f
from tests.results.test_report_findings import SMALL, TUBULAR, examined, with_histology

pytestmark = pytest.mark.usefixtures("region")
FROM = date(2026, 7, 1)


def ansel() -> User:
    """The administrator."""
    return cast.member(cast.ADMINISTRATOR)


def propose(by: User | None = None, valid_from: date = FROM, **changes: object) -> ResultsPolicy:
    """A proposal that changes these items."""
    values = policies.policy_values(results_policy_on(valid_from)) | (changes or {"examination_days": 28})
    return policies.policy_propose(
        by=by or ansel(), valid_from=valid_from, values=values, why="As agreed in June."
    )


def refused(code: str) -> object:
    return pytest.raises(RoundbookError, check=lambda error: error.code == code)


def test_a_proposal_counts_from_its_day_once_a_second_person_has_confirmed_it() -> None:
    made = propose()
    assert results_policy_on(FROM).examination_days == 31
    with refused("second_person"):
        policies.policy_approve(by=ansel(), policy=made)
    policies.policy_approve(by=f.emrik(), policy=made)
    assert results_policy_on(FROM - timedelta(days=1)).examination_days == 31
    now = results_policy_on(FROM)
    assert (now.examination_days, now.letter_hold_minutes, now.decimals) == (28, 0, 1), (
        "the rest is carried over"
    )
    assert policy_on(FROM).interval_months == 24
    assert outreach_policy_on(FROM).reminder_days == 28
    last = Protocol.objects.filter(approved_by__isnull=False).latest("valid_from")
    assert (last.valid_from, last.valid_to) == (FROM, None)
    with refused("settled_before"):
        policies.policy_approve(by=f.emrik(), policy=made)


def test_the_database_too_wants_a_second_person_and_numbers_that_go_together() -> None:
    made = propose()
    with acting(ansel()):
        with pytest.raises(IntegrityError, match="second_person"), transaction.atomic():
            Protocol.objects.filter(pk=made.protocol_id).update(approved_by=ansel())
        with pytest.raises(IntegrityError, match="promises_and_alarms"), transaction.atomic():
            ResultsPolicy.objects.filter(pk=made.pk).update(alarm_days=20)
        with pytest.raises(IntegrityError, match="guideline_is_known"), transaction.atomic():
            ResultsPolicy.objects.filter(pk=made.pk).update(guideline="my_own")


@pytest.mark.parametrize("who", [cast.COORDINATOR, cast.MANAGER, cast.LAB_LEAD, cast.PHONE_DESK])
def test_nobody_else_may_change_it(who: str) -> None:
    with refused("role_missing"):
        propose(cast.member(who))
    made = propose()
    with refused("role_missing"):
        policies.policy_approve(by=cast.member(who), policy=made)


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"alarm_days": 31}, "not_plausible"),
        ({"fail_days": 90}, "not_plausible"),
        ({"surveillance_stop_age": 59}, "not_plausible"),
        ({"guideline": "my_own"}, "not_plausible"),
        ({"who_books": "nobody"}, "not_plausible"),
        ({"examination_days": 31}, "nothing_changed"),
    ],
)
def test_what_cannot_be_is_refused_in_words(changes: dict[str, object], code: str) -> None:
    with refused(code):
        propose(**changes)


def test_it_never_reaches_back() -> None:
    # H37: a change of policy applied retroactively.
    with refused("day_not_ahead"):
        propose(valid_from=clock.today())
    made = propose(valid_from=clock.today() + timedelta(days=1))
    with clock.at(clock.now() + timedelta(days=1)), refused("day_not_ahead"):
        policies.policy_approve(by=f.emrik(), policy=made)


def test_two_proposals_never_undo_each_other_unseen() -> None:
    first, second = propose(examination_days=28), propose(report_days=3)
    policies.policy_approve(by=f.emrik(), policy=first)
    with refused("later_stands"):
        policies.policy_approve(by=f.emrik(), policy=second)
    with refused("later_stands"):
        propose(valid_from=FROM - timedelta(days=3), report_days=4)
    third = propose(valid_from=FROM + timedelta(days=9), report_days=4)
    assert third.examination_days == 28, "it starts from the change that was confirmed"
    policies.policy_withdraw(by=ansel(), policy=second)
    assert list(policies.policies_proposed()) == [third]
    with refused("settled_before"):
        policies.policy_approve(by=f.emrik(), policy=second)


def test_what_was_decided_keeps_the_rule_it_was_decided_by() -> None:
    referral = examined(SMALL)
    with_histology(referral, TUBULAR)
    before = referral.computed.latest("pk")
    policies.policy_approve(by=f.emrik(), policy=propose(guideline="american_2020"))
    with clock.at(clock.moment(FROM, 12)):
        assert results_policy_on(clock.today()).guideline == "american_2020"
        assert referral.computed.latest("pk") == before
        assert before.guideline == "european_2020"


def test_it_says_what_a_change_would_mean_for_the_people_of_today() -> None:
    f.many_referrals(3, opened=clock.today() - timedelta(days=30))
    old = results_policy_on(clock.today())
    told = " ".join(map(str, effects(old, propose(examination_days=28, alarm_days=60), clock.today())))
    assert "past the promised days: now 0, then 3" in told
    assert "past the alarm: now 0, then 0" in told


def test_a_changed_guideline_lists_the_plans_it_would_propose_otherwise_and_changes_none() -> None:
    # Three adenomas under 10 mm: back to screening (ESGE 2020, doi 10.1055/a-1185-3109), surveillance at 3–5 years
    # (US Multi-Society Task Force 2020, Gupta et al., doi 10.1053/j.gastro.2019.10.026): so the course differs.
    from dataclasses import replace

    referral = examined(SMALL, replace(SMALL, pot=2), replace(SMALL, pot=3))
    with_histology(referral, TUBULAR, TUBULAR, TUBULAR)
    f.sign(
        referral,
        finding="non_advanced",
        step="surveillance",
        on=date(2029, 6, 17),
        deviation="Wanted by both.",
        close=True,
    )
    old = results_policy_on(clock.today())
    (differs,) = plans_that_differ(old, propose(guideline="american_2020"))
    assert differs.plan == referral.next_steps.get()
    assert "36 months" in differs.after
    assert plans_that_differ(old, old) == []
    assert referral.next_steps.get().on == date(2029, 6, 17)


def test_the_page_proposes_and_another_person_confirms(signed_in: object) -> None:
    services.referral_claim(by=f.kaddrin(), referral=f.a_referral())
    page, here = signed_in(cast.ADMINISTRATOR), reverse("results:follow-up-policy")
    text = " ".join(page.get(here).content.decode().split())
    assert "European (ESGE 2020)" in text
    typed = {
        name: value
        for name, value in policies.policy_values(results_policy_on(clock.today())).items()
        if value is not False
    }
    typed |= {"valid_from": "2026-07-01", "examination_days": 28, "why": "As agreed."}
    wrong = page.post(here, typed | {"alarm_days": 20})
    assert wrong.status_code == 422
    assert "The alarm comes after the promised days." in wrong.content.decode()
    assert "As agreed." in wrong.content.decode()
    assert page.post(here, typed).status_code == 302
    (made,) = policies.policies_proposed()
    text = " ".join(page.get(here).content.decode().split())
    assert "You proposed this: somebody else confirms it." in text
    assert "Confirm it" not in text
    page.logout()
    page = signed_in(cast.CLINICIAN)
    assert "Confirm it" in page.get(here).content.decode()
    assert page.get(reverse("results:follow-up-policy-plans", args=[made.pk])).status_code == 200
    page.post(reverse("results:follow-up-policy-decide", args=[made.pk]), {"do": "approve"})
    assert results_policy_on(FROM).examination_days == 28
    assert "days to examination: 31 → 28" in " ".join(page.get(here).content.decode().split())


# A follow-up protocol brings the screening section along, so it is the one that a later change of screening follows.
def test_a_change_of_screening_follows_a_confirmed_change_of_follow_up() -> None:
    policies.policy_approve(by=f.emrik(), policy=propose())
    draft = protocol_propose(
        by=ansel(), name="Protocol 2", valid_from=date(2026, 9, 1), reason="board", values={"grace_days": 60}
    )
    protocol_effect(by=ansel(), protocol=draft)
    protocol_approve(by=f.emrik(), protocol=draft)
    spans = Protocol.objects.filter(approved_by__isnull=False).order_by("valid_from")
    assert [(one.valid_to, one.carries_screening) for one in spans] == [
        (FROM, True), (date(2026, 9, 1), True), (None, True),
    ]  # fmt: skip
    assert results_policy_on(date(2026, 9, 1)).examination_days == 28
    assert policy_on(date(2026, 9, 1)).grace_days == 60
    with pytest.raises(IntegrityError, match="no_two_protocols_are_in_force"), transaction.atomic():
        Protocol.objects.filter(pk=spans[1].pk).update(valid_to=None)
