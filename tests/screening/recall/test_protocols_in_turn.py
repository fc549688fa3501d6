"""Several proposals at a time: an effect counts only against the protocol it was counted against, and none takes back another.

Source: the programme's job description 2.2 (exception 10: a change is looked at on the real data before a second person approves it).
"""

from collections.abc import Callable
from datetime import date

import pytest
from django.test import Client
from django.urls import reverse

from screening.models import Protocol, ScreeningPolicy
from screening.services.policies import policy_on
from screening.services.protocols import (
    effect_is_void,
    protocol_approve,
    protocol_effect,
    protocol_propose,
)
from staff.errors import IllegalMove, RoundbookError
from staff.models import User
from tests import cast

SignIn = Callable[[str], Client]
SOONER, LATER = date(2026, 7, 1), date(2026, 10, 1)
pytestmark = pytest.mark.usefixtures("region")


@pytest.fixture
def by() -> User:
    return cast.member(cast.ADMINISTRATOR)


def drafted(by: User, name: str, first: date, **values: object) -> Protocol:
    draft = protocol_propose(by=by, name=name, valid_from=first, reason="the board decided", values=values)
    protocol_effect(by=by, protocol=draft)
    draft.refresh_from_db()
    return draft


def approved(draft: Protocol) -> Protocol:
    return protocol_approve(by=cast.member(cast.CLINICIAN), protocol=draft)


def test_an_effect_counted_against_another_protocol_is_void_until_counted_anew(by: User) -> None:
    draft = drafted(by, "Protocol 3", LATER, grace_days=60)
    assert not effect_is_void(draft)
    approved(drafted(by, "Protocol 2", SOONER, interval_months=12))
    assert effect_is_void(draft)
    with pytest.raises(IllegalMove) as refused:
        approved(draft)
    assert refused.value.code == "effect_void"
    assert "Count it anew" in str(refused.value.sentence)
    protocol_effect(by=by, protocol=draft)
    assert approved(draft).approved_by_id is not None
    assert policy_on(LATER).protocol == draft


def test_a_protocol_that_begins_after_it_leaves_an_effect_as_it_is(by: User) -> None:
    draft = drafted(by, "Protocol 2", SOONER, grace_days=60)
    approved(drafted(by, "Protocol 3", LATER, interval_months=12))
    draft.refresh_from_db()
    assert not effect_is_void(draft)
    assert approved(draft).valid_to == LATER


def test_an_effect_that_does_not_say_against_what_it_was_counted_is_void(by: User) -> None:
    draft = drafted(by, "Protocol 2", SOONER, grace_days=60)
    old = {key: value for key, value in draft.effect.items() if key != "against"}
    Protocol.objects.filter(pk=draft.pk).update(effect=old)
    with pytest.raises(IllegalMove) as refused:
        approved(draft)
    assert refused.value.code == "effect_void"


# People of 47 to 49 are in by the protocol before: they do not join a second time.
def test_counting_anew_measures_the_ramp_by_the_band_that_would_come_before(by: User) -> None:
    draft = drafted(by, "Protocol 3", LATER, age_from=45, ramp_days=365)
    approved(drafted(by, "Protocol 2", SOONER, age_from=47, ramp_days=60))
    assert ScreeningPolicy.objects.get(protocol=draft).ramp_age_from == 50
    protocol_effect(by=by, protocol=draft)
    assert ScreeningPolicy.objects.get(protocol=draft).ramp_age_from == 47
    assert approved(Protocol.objects.get(pk=draft.pk)).approved_by_id is not None


def test_the_page_says_that_a_count_is_out_of_date(by: User, signed_in: SignIn) -> None:
    draft = drafted(by, "Protocol 3", LATER, grace_days=60)
    client, at = signed_in(cast.CLINICIAN), reverse("screening:protocol", args=[draft.pk])
    assert "out of date" not in client.get(at).text
    approved(drafted(by, "Protocol 2", SOONER, interval_months=12))
    page = client.get(at).text
    assert "This count is out of date" in page
    assert "than “Protocol 2”" in page
    assert "Yes, I approve it" not in page
    refused = client.post(reverse("screening:protocol-decide", args=[draft.pk]), follow=True)
    assert "Count it anew, and look." in refused.text
    counted = client.post(reverse("screening:protocol-look", args=[draft.pk]), follow=True)
    assert "out of date" not in counted.text
    assert "Yes, I approve it" in counted.text


# A proposal for a later day that changes one thing leaves alone what the protocol before it is going to change.
def test_the_form_is_filled_from_the_last_protocol_approved_and_says_which(
    by: User, signed_in: SignIn
) -> None:
    client, at = signed_in(cast.ADMINISTRATOR), reverse("screening:protocols")
    page = client.get(at)
    assert "Filled from “Protocol 1”" in page.text
    assert "the last one approved" not in page.text
    approved(drafted(by, "Protocol 2", SOONER, interval_months=12))
    drafted(by, "Protocol 2 b", date(2026, 8, 1), interval_months=36)
    page = client.get(at)
    assert "In force today: Protocol 1" in page.text
    assert "Filled from “Protocol 2”, in force from 1 July 2026." in page.text
    assert "A change that is to begin before 1 July 2026" in page.text
    given = page.context["form"].initial
    assert given["interval_months"] == 12
    sent = given | {"name": "Protocol 3", "valid_from": str(LATER), "reason": "board", "grace_days": "60"}
    done = client.post(at, {k: v for k, v in sent.items() if v is not False}, follow=True)
    assert [(one.now, one.then) for one in done.context["differences"]] == [("90", "60")]


@pytest.mark.parametrize("values", [{}, {"grace_days": 90}, {"ramp_days": 60}])
def test_a_proposal_that_changes_nothing_is_refused(by: User, values: dict[str, object]) -> None:
    with pytest.raises(RoundbookError) as refused:
        drafted(by, "Protocol 2", SOONER, **values)
    assert [one.code for one in refused.value.data["problems"]] == ["nothing_changed"]
    assert "Nothing differs from “Protocol 1”" in str(refused.value.sentence)
    assert not Protocol.objects.filter(name="Protocol 2").exists()


def test_ending_a_ramp_that_is_running_is_a_change(by: User) -> None:
    approved(drafted(by, "Protocol 2", SOONER, age_from=45, ramp_days=365))
    with pytest.raises(RoundbookError):
        drafted(by, "Protocol 3", SOONER.replace(year=2027), ramp_days=0)
    assert drafted(by, "Protocol 3", LATER, ramp_days=0).effect["earlier"] == 0


def test_a_draft_that_changes_nothing_any_more_is_not_approved(by: User) -> None:
    draft = drafted(by, "Protocol 3", LATER, grace_days=60)
    approved(drafted(by, "Protocol 2", SOONER, grace_days=60))
    protocol_effect(by=by, protocol=draft)
    with pytest.raises(RoundbookError) as refused:
        approved(draft)
    assert [one.code for one in refused.value.data["problems"]] == ["nothing_changed"]


def test_the_page_refuses_a_far_day_and_a_change_of_nothing(signed_in: SignIn) -> None:
    client, at = signed_in(cast.ADMINISTRATOR), reverse("screening:protocols")
    given = client.get(at).context["form"].initial | {"name": "Protocol 2", "reason": "board"}
    sent = {k: v for k, v in given.items() if v is not False}
    far = client.post(at, sent | {"valid_from": "9999-12-31", "grace_days": "60"})
    assert (far.status_code, "Let it begin within the next five years." in far.text) == (422, True)
    same = client.post(at, sent | {"valid_from": str(SOONER)})
    assert (same.status_code, "Nothing differs from “Protocol 1”" in same.text) == (422, True)
