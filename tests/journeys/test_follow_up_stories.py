"""Stories 17 to 28 and 30 of the demo region (job 12.9), each lived through the pages in a real browser.

The people are new ones; what happens to them is what those stories tell. Every way ends at a written end or stays open
with an owner and a next date, and nobody is closed without evidence. Four of them run in the suite, all of them in
the campaign.
"""

from datetime import date, timedelta

import pytest
from playwright.sync_api import Browser, expect

from results.models import AdverseEvent, Booking, ClosingEvidence, NextStep, Referral
from screening.models import Person
from screening.months import add_months
from staff import clock
from staff.acting import acting
from tests import cast
from tests.journeys.follow_desk import TODAY, FollowDesk
from tests.results import follow_up as f
from tests.screening.intake.conftest import browser, player, program, server  # noqa: F401

pytestmark = [pytest.mark.browser, pytest.mark.timeout(400)]
SMALL = {"segment": "sigmoid", "shape": "Is", "looks": "adenoma", "removal": "en_bloc"}
TUBULAR = {"tissue": "tubular", "dysplasia": "low", "margins": "yes"}


@pytest.fixture
def desk(browser: Browser, server: str, monkeypatch: pytest.MonkeyPatch) -> FollowDesk:  # noqa: F811
    """The nurse, who is coordinator and clinician, on the demo's day."""
    return FollowDesk(browser, server, monkeypatch)


def due_everywhere() -> None:
    """Every open referral has an owner or a pool, and a next date."""
    for one in Referral.objects.exclude(state="closed"):
        assert one.due_on is not None
        assert one.owner_id or one.pool


def to_the_booked_day(desk: FollowDesk, referral: Referral, **assessed: str) -> None:
    """Reached, assessed and booked for today at a unit that gives dates itself."""
    desk.open(referral).do("talk", wish="go_on").says("Now needed: assess")
    desk.assess(**assessed).says("Now needed: book the examination")
    desk.do("book", day=desk.day.isoformat(), time="09:00", agreed=True).is_at(referral, "booked")


def histology_typed(
    desk: FollowDesk, referral: Referral, told: list[dict[str, str]], slug: str = "histology"
) -> None:
    """Histology of each lesion, in the order of the report."""
    section = desk.page.locator(f"#do-{slug}")
    if section.evaluate("e => e.tagName === 'DETAILS' && !e.open"):
        section.locator("summary").first.click()
    rows = [one for exam in referral.examinations.order_by("pk") for one in exam.lesions.order_by("number")]
    for row, one in zip(rows, told, strict=True):
        for name, value in one.items():
            section.locator(f"[name='{slug}-{name}_{row.pk}']").select_option(value)
    section.locator(f"[name='{slug}-document']").fill("PATH-1")
    section.locator("button[type=submit]").last.click()
    desk.page.wait_for_load_state("load")


def test_17_refuses_is_offered_again_accepts(desk: FollowDesk) -> None:
    referral = f.a_referral(family_name="Seventeen")
    desk.as_(cast.COORDINATOR).open(referral).do("talk", wish="declines").says(
        "Does not want the examination; a clinician talks with the person next."
    )
    desk.do("close", reason="informed_refusal", refusal="doubts", note="On the phone.").says(
        "Only a clinician can close"
    )
    desk.is_at(referral, "undecided").as_(cast.CLINICIAN).open(referral)
    desk.do("close", reason="informed_refusal", note="Explained at length.").says(
        "Choose why the person declines."
    )
    desk.do("close", reason="informed_refusal", refusal="doubts", note="Explained at length.").says(
        "No talk of a clinician with the person is on record."
    )
    desk.do("talk", wish="declines", note="Explained at length.")
    desk.do("close", reason="informed_refusal", refusal="doubts", note="Explained at length.").is_at(
        referral, "closed"
    )
    desk.says("Offered again").says("17 September 2026")
    desk.go("re-offers").says("0 people are to be offered").says_not("Seventeen")
    desk.on(date(2026, 9, 17)).go("re-offers").says("Seventeen").says("believes the result is wrong")
    desk.page.get_by_role("button", name="Wants it now").click()
    desk.page.wait_for_url("**/follow-up/*/")
    desk.says("Opened again").is_at(referral, "to_assess")
    assert referral.opened_on == TODAY, "the days since the result went on counting"
    due_everywhere()


@pytest.mark.campaign
def test_18_unreachable_then_a_new_telephone_number(desk: FollowDesk) -> None:
    referral = f.a_referral(family_name="Eighteen", phone="020 555-0117")
    desk.open(referral)
    for how in ("No answer", "Voicemail", "Relative answered"):
        desk.do("attempt", how).says("The ladder says")
    desk.do("attempt", "Letter sent", channel="letter").is_at(referral, "to_reach")
    desk.do("propose", note="Enough.").says("Not closed.").is_at(referral, "to_reach")
    with acting(f.kaddrin()):
        Person.objects.filter(pk=referral.person_id).update(phone="020 555-0142")
    desk.after(2).open(referral)
    expect(desk.page.locator("aside")).to_contain_text("020 555-0142")
    desk.do("talk", wish="go_on", note="Reached on the new number.").is_at(referral, "to_assess")
    due_everywhere()


@pytest.mark.campaign
def test_19_takes_a_blood_thinner(desk: FollowDesk) -> None:
    # H41: nothing is booked before the plan for the medicines is written.
    referral = f.a_referral("to_assess", family_name="Nineteen")
    desk.open(referral).assess(anticoagulants="yes").says("Write the plan for the blood thinners.").is_at(
        referral, "to_assess"
    )
    plan = "Paused for three days, as the prescribing doctor says."
    desk.assess(anticoagulants="yes", outcome="conditions", medicine_plan=plan, plan=plan).is_at(
        referral, "to_book"
    )
    expect(desk.page.locator("aside")).to_contain_text(plan)
    desk.do("book", day=TODAY.isoformat(), time="09:00").is_at(referral, "booked")


@pytest.mark.campaign
def test_20_pregnant_at_50_waits_until_a_clinicians_day(desk: FollowDesk) -> None:
    # Job 2.13, exception 2: postpone; review on the due date + 12 weeks.
    referral = f.a_referral("to_assess", family_name="Twenty", birth_date=date(1976, 3, 3))
    review = TODAY + timedelta(days=200)
    desk.as_(cast.COORDINATOR).open(referral)
    assert not desk.page.locator("#do-assess [value='unfit_until']").count(), "a clinician's call"
    typed = {"outcome": "unfit_until", "until": review.isoformat(), "plan": "Pregnant; due in November."}
    desk.as_(cast.CLINICIAN).open(referral).assess(pregnancy="yes", **typed).is_at(referral, "paused_until")
    assert referral.due_on == review
    desk.on(review + timedelta(days=1)).go("queue").says("Twenty").open(referral)
    desk.do("talk", wish="go_on").is_at(referral, "to_assess")
    due_everywhere()


@pytest.mark.campaign
def test_21_colonoscopy_eight_months_ago(desk: FollowDesk) -> None:
    referral = f.a_referral("to_assess", family_name="Twentyone")
    before = add_months(TODAY, -8)
    desk.open(referral).do("close", reason="already_examined", note="Says so.").says(
        "Name the document that proves it"
    )
    desk.is_at(referral, "to_assess")
    desk.do(
        "close", reason="already_examined", document="EXT-21", examined_on=before.isoformat(), note="Read it."
    )
    desk.is_at(referral, "closed").says("EXT-21")
    person = Person.objects.get(pk=referral.person_id)
    assert person.next_due_on == add_months(before, 24), "the next round counts from that examination"


@pytest.mark.campaign
def test_22_private_examination_without_a_report_stays_open(desk: FollowDesk) -> None:
    referral = f.a_referral(family_name="Twentytwo")
    desk.open(referral).do("elsewhere", where="a private clinic").is_at(referral, "elsewhere")
    for days in (30, 60, 90, 120, 150):
        assert referral.due_on is not None
        assert referral.due_on <= TODAY + timedelta(days=days + 3)
        desk.after((referral.due_on - desk.day).days).open(referral)
        desk.do("chase", note="Asked the clinic; nothing came.").is_at(referral, "elsewhere")
    assert referral.due_on is not None
    desk.after((referral.due_on - desk.day).days).open(referral).do("chase", note="Still nothing.")
    desk.is_at(referral, "to_reach").says("our examination is offered again")
    assert not ClosingEvidence.objects.exists()


def test_23_two_missed_days_discharge_nobody(desk: FollowDesk) -> None:
    # H20: no automatic closing; the second time a clinician calls.
    referral = f.a_referral(family_name="Twentythree")
    to_the_booked_day(desk, referral)
    for nth, pool in (("first", "coordinators"), ("second", "clinicians")):
        desk.after(1).go("attended").says("Twentythree")
        desk.page.get_by_role("button", name="Did not attend").click()
        desk.is_at(referral, "to_book")
        assert (nth, referral.pool) == (nth, pool)
        desk.open(referral).says("Did not attend")
        desk.do("book", day=desk.day.isoformat(), time="10:00", agreed=True).is_at(referral, "booked")
    desk.after(1).go("attended").says("missed 2 times before")
    desk.page.get_by_role("button", name="Attended").first.click()
    desk.is_at(referral, "report_due")
    assert sorted(Booking.objects.values_list("status", flat=True)) == ["attended", "missed", "missed"]


@pytest.mark.campaign
def test_24_incomplete_then_ct_colonography(desk: FollowDesk) -> None:
    # H21: an incomplete examination is never clean and sets no interval.
    referral = f.a_referral(family_name="Twentyfour")
    to_the_booked_day(desk, referral)
    desk.do("attend", outcome="attended").report(referral, complete="no")
    desk.says("can never be").report(referral, complete="no", finding="inconclusive").is_at(
        referral, "repeat_planned"
    )
    desk.do("book", day=desk.day.isoformat(), time="14:00", agreed=True).do("attend", outcome="attended")
    desk.report(referral, kind="ct", report_document="CT-1").is_at(referral, "to_classify")
    desk.do("sign", finding="nothing", step="screening", words="Back to screening.").is_at(referral, "closed")
    assert NextStep.objects.get().on == add_months(TODAY, 24)


@pytest.mark.campaign
def test_25_histology_missing_for_43_days(desk: FollowDesk) -> None:
    # H22: the chase clock; nothing can be signed while a pot is without its report.
    referral = f.a_referral(family_name="Twentyfive")
    to_the_booked_day(desk, referral)
    desk.do("attend", outcome="attended")
    desk.report(referral, specimens=1, lesions=[SMALL | {"size_mm": 8, "pot": 1}]).is_at(
        referral, "histology_due"
    )
    assert referral.due_on == date(2026, 7, 1), "10 working days"
    desk.on(TODAY + timedelta(days=43)).go("queue", "?need=histology").says("Twentyfive").says(
        "Histology missing for 43 days: alarm"
    )
    desk.open(referral).do("chase", note="The laboratory looks for it.").is_at(referral, "histology_due")
    assert referral.pool == "clinicians", "missing for 21 days it is a clinician's matter"
    histology_typed(desk, referral, [TUBULAR])
    desk.is_at(referral, "to_classify")


@pytest.mark.campaign
def test_26_a_polyp_that_histology_called_a_cancer(desk: FollowDesk) -> None:
    referral = f.a_referral(family_name="Twentysix")
    to_the_booked_day(desk, referral)
    desk.do("attend", outcome="attended")
    desk.report(referral, specimens=1, lesions=[SMALL | {"size_mm": 9, "pot": 1}])
    histology_typed(desk, referral, [TUBULAR])
    desk.is_at(referral, "to_classify").do("sign", words="Back to screening.").is_at(referral, "closed")
    histology_typed(desk, referral, [{"tissue": "carcinoma", "dysplasia": "", "margins": "no"}], slug="amend")
    desk.is_at(referral, "to_classify").says("colorectal cancer")
    assert referral.pool == "clinicians"
    desk.do("sign", finding="cancer", step="screening", words="Back.").says("does not go back to screening")
    desk.do("sign", finding="cancer", step="treatment", words="Handed to the cancer team.").is_at(
        referral, "closed"
    )
    assert [one.step for one in NextStep.objects.order_by("pk")] == ["screening", "treatment"]


@pytest.mark.campaign
def test_27_four_of_9_mm_and_five_of_4_mm_the_edge_of_surveillance(desk: FollowDesk) -> None:
    # ESGE 2020 (Hassan et al., Endoscopy 2020;52:687): 1–4 adenomas under 10 mm go back, 5 or more: 3 years.
    for count, size, course in ((4, 9, "screening"), (5, 4, "surveillance")):
        referral = f.a_referral(family_name=f"Edge{count}")
        to_the_booked_day(desk, referral)
        desk.do("attend", outcome="attended")
        lesions = [SMALL | {"size_mm": size, "pot": n} for n in range(1, count + 1)]
        desk.report(referral, specimens=count, lesions=lesions)
        histology_typed(desk, referral, [TUBULAR] * count)
        expect(desk.page.locator(f"[name='sign-step'][value='{course}']")).to_be_checked()
        desk.do("sign", words="As the protocol says.").is_at(referral, "closed")
        assert referral.next_steps.get().step == course
    desk.go("surveillance", "?all").says("Edge5").says_not("Edge4").says("17 Jun 2029")


@pytest.mark.campaign
def test_28_bleeding_on_day_9_is_heard_of_on_day_14(desk: FollowDesk) -> None:
    referral = f.a_referral(family_name="Twentyeight")
    to_the_booked_day(desk, referral)
    desk.do("attend", outcome="attended").report(referral).is_at(referral, "to_classify")
    desk.do("sign", finding="nothing", step="screening", words="Back to screening.").is_at(referral, "closed")
    desk.on(TODAY + timedelta(days=14)).go("after-calls").says("Twentyeight").open(referral)
    happened = (TODAY + timedelta(days=9)).isoformat()
    desk.do(
        "after", mark=14, answer="event", kind="bleeding", severity="admission", happened_on=happened, source="the person",
        words="Two nights in hospital, no transfusion.",
    )  # fmt: skip
    event = AdverseEvent.objects.get()
    assert event.happened_on == TODAY + timedelta(days=9)
    desk.as_(cast.CLINICIAN).open(referral).do("judge", cause="caused", words="From the place of removal.")
    assert event.judgements.get().cause == "caused"


@pytest.mark.campaign
def test_30_moved_with_an_open_referral_closes_only_on_the_receipt(desk: FollowDesk) -> None:
    referral = f.a_referral("to_book", family_name="Thirty")
    with acting(f.kaddrin()):
        Person.objects.filter(pk=referral.person_id).update(left_area_on=clock.today())
    desk.as_(cast.COORDINATOR).open(referral).says("Left the area on 17 Jun 2026")
    desk.do("close", reason="transferred", note="Moved away.").says("Name the document that proves it")
    desk.is_at(referral, "to_book").do(
        "date", due_on="2026-06-24", note="The other region was asked for its receipt."
    )
    desk.on(date(2026, 6, 24)).open(referral).do("close", reason="transferred", document="RECEIPT-30")
    desk.is_at(referral, "closed")
    assert ClosingEvidence.objects.get().document == "RECEIPT-30"
