"""Pathology corrects the report of a closed referral while another one of the person is open (job 2.15.7, 2.16).

Only one referral of a person may be open, so the open one is due at the clinicians, who decide with both in view.
"""

import pytest
from django.urls import reverse

from results.models import Referral
from results.services import referrals as services
from results.services.findings import HistologyEntry
from results.services.referrals_report import amended_since_signed
from screening.models import Person
from staff import clock
from staff.acting import acting
from tests import cast, factories
from tests.results import follow_up as f
from tests.results.test_report_findings import SMALL, TUBULAR, examined, rows, standing, with_histology

pytestmark = pytest.mark.usefixtures("region")
CANCER = HistologyEntry("carcinoma", "none")


def earlier_and_open() -> tuple[Referral, Referral]:
    """A closed referral with histology and a signed next step, and a newer open one of the same person."""
    earlier = examined(SMALL)
    with_histology(earlier, TUBULAR)
    f.sign(earlier, finding="non_advanced", close=True)
    round_ = factories.a_round(earlier.person)
    result = f.a_result_at_or_above(factories.a_ready_return(round_))
    newer = Referral.objects.get(calls__result=result)
    assert newer.pk != earlier.pk
    return earlier, newer


def amend(earlier: Referral, entry: HistologyEntry = CANCER) -> None:
    (row,) = rows(earlier)
    services.histology_amend(by=f.liora(), referral=earlier, lesions={row.pk: entry}, document="PATH-9")


def test_the_open_referral_goes_to_the_clinicians_and_says_why(signed_in: object) -> None:
    earlier, newer = earlier_and_open()
    f.bring_to(newer, "to_assess")
    services.referral_claim(by=f.kaddrin(), referral=newer)
    amend(earlier)
    newer.refresh_from_db()
    earlier.refresh_from_db()
    assert (earlier.state, standing(earlier).finding) == ("closed", "cancer")
    move = newer.moves.latest("seq")
    assert (newer.state, newer.pool, newer.owner_id) == ("to_assess", "clinicians", None)
    assert (move.reason, move.rule, move.note) == ("earlier_amended", "earlier_amended", "PATH-9")
    assert newer.due_on is not None
    assert newer.due_on <= clock.today().replace(day=18)
    text = signed_in(cast.CLINICIAN).get(reverse("results:referral", args=[newer.pk])).content.decode()
    assert "Pathology corrected the report of an earlier referral of this person" in text
    assert reverse("results:referral", args=[earlier.pk]) in text


def test_nothing_that_counts_has_changed_tells_nobody() -> None:
    earlier, newer = earlier_and_open()
    moves = newer.moves.count()
    amend(earlier, TUBULAR)
    assert newer.moves.count() == moves
    assert list(amended_since_signed(newer.person_id)) == []


def test_a_clinician_who_holds_the_open_one_keeps_it() -> None:
    earlier, newer = earlier_and_open()
    services.referral_claim(by=f.emrik(), referral=newer)
    amend(earlier)
    newer.refresh_from_db()
    assert newer.owner == f.emrik()


def test_if_the_open_one_ends_without_a_signed_step_the_earlier_one_opens_again() -> None:
    earlier, newer = earlier_and_open()
    amend(earlier)
    services.contact_attempt_record(by=f.emrik(), referral=newer, outcome="spoke", wish="declines")
    services.referral_close(by=f.emrik(), referral=newer, reason="informed_refusal", note="As talked over.")
    earlier.refresh_from_db()
    newer.refresh_from_db()
    assert (newer.state, earlier.state, earlier.pool) == ("closed", "to_classify", "clinicians")


def test_if_the_open_one_ends_with_a_signed_step_that_is_the_decision_on_both() -> None:
    earlier, newer = earlier_and_open()
    amend(earlier)
    f.bring_to(newer, "report_due")
    f.report(newer)
    f.sign(newer, close=True)
    earlier.refresh_from_db()
    assert earlier.state == "closed"


def test_of_somebody_who_died_it_is_only_recorded() -> None:
    earlier, newer = earlier_and_open()
    with acting(f.kaddrin()):
        Person.objects.filter(pk=earlier.person_id).update(deceased_on=clock.today())
    moves = newer.moves.count()
    amend(earlier)
    assert standing(earlier).finding == "cancer"
    assert newer.moves.count() == moves
