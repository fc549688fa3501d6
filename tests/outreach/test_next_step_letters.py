"""Letters of the signed next step: to the person and the doctor, a cancer only after a talk, overtaken when decided anew."""

from datetime import date

import pytest

from outreach.letters.texts import texts_on
from outreach.models import Letter
from outreach.services.freezing import letters_freeze
from outreach.services.held import letter_release
from outreach.services.planning import letters_plan
from outreach.services.rendering import letter_render
from results.models import Referral
from results.services import referrals as services
from results.services.findings import HistologyEntry, LesionEntry
from screening.models import Person, Practice
from staff import clock
from tests import cast
from tests.factories import by_default
from tests.results import follow_up as f

pytestmark = pytest.mark.usefixtures("region")

POLYP = LesionEntry("sigmoid", 6, "Is", "adenoma", "en_bloc", pot=1)
LOW = HistologyEntry("tubular", "low", clear_margins=True)


def at_the_clinic(histology: HistologyEntry = LOW) -> Referral:
    """A referral whose report and histology are in."""
    referral = f.a_referral("report_due")
    Person.objects.filter(pk=referral.person_id).update(practice=Practice.objects.order_by("pk").first())
    f.report(referral, specimens=1, finding="", lesions=[POLYP])
    (row,) = referral.examinations.get().lesions.all()
    services.histology_record(by=f.liora(), referral=referral, lesions={row.pk: histology}, document="PATH-1")
    return referral


def next_steps(referral: Referral) -> dict[str, Letter]:
    letters_plan(by=by_default())
    return {one.kind: one for one in Letter.objects.filter(referral=referral, kind__startswith="next_step")}


def test_both_are_owed_once_and_say_what_was_signed() -> None:
    referral = at_the_clinic()
    assert next_steps(referral) == {}, "nothing is written before the signature"
    f.sign(
        referral,
        finding="non_advanced",
        on=date(2028, 6, 17),
        words="Back to the kit in two years.",
        close=True,
    )
    found = next_steps(referral)
    assert set(found) == {"next_step", "next_step_doctor"}
    assert set(next_steps(referral)) == set(found)
    assert Letter.objects.filter(kind="next_step").count() == 1
    letters_freeze(by=by_default())
    person, doctor = (Letter.objects.get(pk=found[kind].pk) for kind in ("next_step", "next_step_doctor"))
    assert (person.state, person.context["step"], person.context["next_on"]) == (
        "frozen",
        "screening",
        "June 2028",
    )
    assert person.context["words"] == "Back to the kit in two years."
    assert (doctor.context["finding_name"], doctor.context["signed_by"]) == (
        "non-advanced adenoma or serrated lesion", f.emrik().full_name,
    )  # fmt: skip
    assert letter_render(letter=person).content.startswith(b"%PDF")


def test_a_cancer_is_told_by_a_clinician_before_any_letter() -> None:
    referral = at_the_clinic(HistologyEntry("carcinoma"))
    f.sign(referral, finding="cancer", step="treatment", words="The team rings you this week.", close=True)
    letter = next_steps(referral)["next_step"]
    assert (letter.state, letter.pool) == ("held", "coordinators")
    letters_freeze(by=by_default())
    letter.refresh_from_db()
    assert letter.state == "held"
    letter_release(by=cast.member(cast.COORDINATOR), letter=letter, note="Told face to face today.")
    letters_freeze(by=by_default())
    letter.refresh_from_db()
    assert letter.state == "frozen"
    assert "bowel cancer" in letter.context["finding"]


def test_a_letter_that_has_not_left_is_overtaken_when_pathology_amends() -> None:
    referral = at_the_clinic()
    f.sign(referral, finding="non_advanced", close=True)
    letter = next_steps(referral)["next_step"]
    assert letter.state == "owed"
    (row,) = referral.examinations.get().lesions.all()
    high = HistologyEntry("tubular", "high", clear_margins=True)
    services.histology_amend(by=f.liora(), referral=referral, lesions={row.pk: high}, document="PATH-2")
    letters_freeze(by=by_default())
    letter.refresh_from_db()
    assert letter.state == "superseded"
    f.sign(referral, finding="advanced_adenoma", step="surveillance", on=date(2029, 6, 17), close=True)
    next_steps(referral)
    anew = Letter.objects.filter(referral=referral, kind="next_step").order_by("-pk")[0]
    assert (anew.state, anew.pk != letter.pk) == ("owed", True)


def test_other_ends_have_no_letter_of_a_next_step() -> None:
    referral = f.a_referral()
    services.contact_attempt_record(by=f.emrik(), referral=referral, outcome="spoke", wish="declines")
    services.referral_close(
        by=f.emrik(), referral=referral, reason="informed_refusal", note="Does not want it."
    )
    assert next_steps(referral) == {}


def test_the_doctors_letter_does_not_call_an_examination_with_a_finding_one_without() -> None:
    text = texts_on(clock.today())["next_step_doctor"]
    assert text.number >= 2, "what letters printed before stays as it was"
    for variant in text.variants.values():
        assert "without a finding" not in str(variant.blocks)
    assert "none rules out bowel cancer" in text.source
