"""The seeded people of the demo region: each one's history is as her story tells it.

The stories are those of the project's own demo; each rule they show names its source in its own tests. Where a number
below comes from elsewhere, the source stands beside it.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from io import StringIO

import pytest
from django.core.management import call_command

from outreach.models import Letter
from oversight.models import Rehearsal
from oversight.rehearsal.lab_work import incidents
from oversight.rehearsal.stories.book import STORIES, WAITING
from results.cancers import CancerClass
from results.models import (
    Referral,
    Result,
    Sample,
)
from results.services.cancers import class_of
from results.services.findings import lesions_seen
from screening.models import Kit, Person, Return, Round, Stop
from screening.months import add_months
from staff.working_days import working_days_after

pytestmark = [pytest.mark.timeout(600), pytest.mark.xdist_group("rehearsal")]


@dataclass(frozen=True)
class Told:
    """What the registry holds of one person."""

    person: Person

    @property
    def round(self) -> Round:
        return Round.objects.filter(person=self.person, batch__isnull=False).get()

    @property
    def kits(self) -> list[Kit]:
        return list(Kit.objects.filter(round=self.round).order_by("ordinal"))

    @property
    def back(self) -> Return:
        return Return.objects.get(kit=self.kits[0])

    @property
    def sample(self) -> Sample:
        return Sample.objects.get(kit=self.kits[0])

    @property
    def results(self) -> list[Result]:
        return list(Result.objects.filter(person=self.person).order_by("version", "pk"))

    @property
    def referral(self) -> Referral:
        return Referral.objects.get(person=self.person)

    @property
    def round_moves(self) -> list[str]:
        return list(self.round.moves.order_by("seq").values_list("event", flat=True))

    @property
    def steps(self) -> list[str]:
        """The referral's events in order, without who took it."""
        events = self.referral.moves.exclude(event="claim").order_by("seq")
        return list(events.values_list("event", flat=True))

    def reason(self, thing: Return | Sample | Letter, event: str) -> str:
        return str(thing.moves.filter(event=event).order_by("-seq").values_list("reason", flat=True).first())

    def letters(self, kind: str) -> list[tuple[str, str]]:
        """State and result side of the person's letters of a kind."""
        rows = Letter.objects.filter(person=self.person, kind=kind).order_by("pk")
        return list(rows.values_list("state", "result__side"))


TODAY = date(2026, 6, 17)
StoryTold = Callable[[int], list[Told]]


@pytest.fixture
def told(small_region: Rehearsal) -> StoryTold:
    """The people of a story."""

    def of(number: int) -> list[Told]:
        numbers = small_region.summary["stories"][str(number)]
        return [Told(Person.objects.get(identifiers__value=one)) for one in numbers]

    return of


BELOW = [("handed_over", "below")]
ABOVE = [("handed_over", "at_or_above")]
EXAMINED = ["open", "reached", "assessed", "book", "examined", "report", "close"]
BIOPSIED = ["open", "reached", "assessed", "book", "examined", "report_specimen", "histology", "close"]


def test_every_story_of_the_thirty_is_told_or_waits_for_its_subject() -> None:
    assert sorted([*STORIES, *(one.number for one in WAITING)]) == list(range(1, 31))


def test_1_twins_who_look_alike_are_two_people_with_a_result_each(told: StoryTold) -> None:
    one, other = told(1)
    same = ("family_name", "birth_date", "address_1", "postcode")
    assert [getattr(one.person, name) for name in same] == [getattr(other.person, name) for name in same]
    assert (one.person.given_names, other.person.given_names) == ("Zelinna", "Zelinda")
    assert one.back.delivery_id == other.back.delivery_id
    assert [one.results[0].reported_ug_g, other.results[0].reported_ug_g] == [
        Decimal("6.00"),
        Decimal("4.00"),
    ]
    assert [one.letters("result_below"), other.letters("result_below")] == [BELOW, BELOW]


def test_2_a_swapped_couple_gets_two_new_kits_and_no_result_of_the_swapped_ones(told: StoryTold) -> None:
    for one in told(2):
        assert one.reason(one.back, "set_aside") == "swap_suspected"
        assert (one.back.state, len(one.kits)) == ("unsuitable", 2)
        assert not Sample.objects.filter(kit=one.kits[0]).exists()
        assert [result.sample.kit for result in one.results] == [one.kits[1]]
        assert one.letters("replacement") == [("handed_over", None)]


def test_3_nothing_goes_to_the_home_of_somebody_who_died_after_the_result(told: StoryTold) -> None:
    (one,) = told(3)
    assert one.person.deceased_on == one.results[0].authorised_on
    assert one.letters("result_more_tests") == one.letters("doctor_copy") == [("cancelled", "at_or_above")]
    held = Letter.objects.get(person=one.person, kind="result_more_tests")
    assert one.reason(held, "hold") == "died"
    assert (one.referral.state, one.referral.close_reason) == ("closed", "died")


def test_4_a_letter_about_somebody_who_died_before_print_never_prints(told: StoryTold) -> None:
    (one,) = told(4)
    letter = Letter.objects.get(person=one.person, kind="result_below")
    assert list(letter.moves.order_by("seq").values_list("event", flat=True)) == ["owe", "freeze", "cancel"]
    assert (letter.state, one.reason(letter, "cancel")) == ("cancelled", "died")
    assert (one.person.next_due_on, one.person.not_due_code) == (None, "died")


def test_5_a_kit_that_comes_back_after_opting_out_is_tested_when_the_person_says_so(told: StoryTold) -> None:
    (one,) = told(5)
    assert one.round_moves == ["open", "kit_sent", "close", "late_kit", "reschedule", "below"]
    assert one.reason(one.back, "set_aside") == "opted_out"
    assert Stop.objects.get(person=one.person).ended_on is None
    assert one.letters("result_below") == BELOW
    assert (one.person.next_due_on, one.person.not_due_code) == (None, "opted_out")


def test_6_a_late_kit_reopens_its_round_and_leads_to_an_examination(told: StoryTold) -> None:
    (one,) = told(6)
    assert one.round_moves == ["open", "kit_sent", "close", "late_kit", "at_or_above", "conclude"]
    closed = one.round.moves.get(event="close")
    assert closed.reason == "not_returned"
    assert one.back.arrived_on > (one.kits[0].dispatched_on or date.max) + timedelta(days=90)
    assert one.steps == EXAMINED


def test_7_an_undated_sample_is_measured_while_its_worst_age_allows(told: StoryTold) -> None:
    (one,) = told(7)
    assert (one.back.label_day, one.back.remark) == (".", "undated_worst_case")
    assert one.back.collected_earliest == one.kits[0].dispatched_on
    assert one.back.collected_latest == one.back.arrived_on
    assert (one.results[0].analysed_on - one.back.collected_earliest).days <= 14
    assert one.letters("result_below") == BELOW


@pytest.mark.parametrize(("number", "why"), [(8, "impossible_date"), (9, "before_dispatch")])
def test_8_9_a_wrong_day_on_the_label_is_asked_for_and_put_right(
    told: StoryTold, number: int, why: str
) -> None:
    (one,) = told(number)
    assert (one.reason(one.back, "set_aside"), one.reason(one.back, "solve")) == (why, "day_told")
    assert one.back.collected_earliest == one.back.collected_latest == one.back.arrived_on - timedelta(days=2)
    assert one.letters("result_below") == BELOW


def test_10_a_sample_too_old_for_the_strike_is_replaced(told: StoryTold) -> None:
    (one,) = told(10)
    assert (one.back.state, one.reason(one.back, "reject")) == ("unsuitable", "over_age")
    assert (one.back.arrived_on - one.back.collected_earliest).days == 16
    assert one.letters("replacement") == [("handed_over", None)]
    assert [result.sample.kit for result in one.results] == [one.kits[1]]


@pytest.mark.parametrize(
    ("number", "raw", "comparator", "reported", "differs"),
    [(11, "100", "", "20.00", False), (12, "99.8", "", "20.00", True), (13, "1000", ">", "200.00", False)],
)
def test_11_12_13_values_at_the_edges_are_at_or_above(
    told: StoryTold, number: int, raw: str, comparator: str, reported: str, differs: bool
) -> None:
    # 0.2 µg/g for each ng/mL: 2.4 mL buffer over 12 mg stool (worked numbers of the project's standards page).
    (one,) = told(number)
    (result,) = one.results
    assert (result.raw_value, result.comparator) == (Decimal(raw), comparator)
    assert (result.reported_ug_g, result.side) == (Decimal(reported), "at_or_above")
    assert result.exact_differs is differs
    assert one.letters("result_more_tests") == ABOVE


def test_13_more_than_measurable_ends_in_surveillance(told: StoryTold) -> None:
    (one,) = told(13)
    assert one.steps == BIOPSIED
    assert one.person.exclusions.get().kind == "surveillance"


def test_14_a_vial_flagged_twice_is_replaced_and_only_the_new_one_counts(told: StoryTold) -> None:
    (one,) = told(14)
    events = list(one.sample.moves.order_by("seq").values_list("event", flat=True))
    assert events == ["take_in", "flag", "give_up"]
    assert [(r.sample.kit, r.reported_ug_g) for r in one.results] == [(one.kits[1], Decimal("6.20"))]


def test_14_the_letter_with_the_new_kit_says_why(told: StoryTold) -> None:
    (one,) = told(14)
    letter = Letter.objects.get(person=one.person, kind="replacement")
    assert "could not read the sample" in str(letter.context)


def test_15_a_result_raised_after_posting_is_told_by_telephone_before_the_letter_goes(
    told: StoryTold,
) -> None:
    (one,) = told(15)
    assert [(r.version, r.side, r.is_current) for r in one.results] == [
        (1, "below", False),
        (2, "at_or_above", True),
    ]
    assert (one.letters("result_below"), one.letters("corrected_result")) == (BELOW, ABOVE)
    letter = Letter.objects.get(person=one.person, kind="corrected_result")
    assert one.reason(letter, "hold") == "tell_by_phone_first"
    rung = one.referral.attempts.order_by("pk")[0]
    assert rung.outcome == "spoke"
    assert rung.made_at <= letter.moves.get(event="release").occurred_at
    assert one.steps == EXAMINED


def test_16_a_letter_overtaken_before_printing_is_never_printed(told: StoryTold) -> None:
    (one,) = told(16)
    assert [(r.version, r.side) for r in one.results] == [(1, "below"), (2, "at_or_above")]
    assert one.letters("result_below") == [("superseded", "below")]
    assert one.letters("result_more_tests") == ABOVE
    letter = Letter.objects.get(person=one.person, kind="result_more_tests")
    assert not letter.moves.filter(event="hold").exists()


def test_17_a_refusal_is_asked_again_and_accepted(told: StoryTold) -> None:
    (one,) = told(17)
    assert one.steps == ["open", "undecided", "attempt", "close", "reopen", *EXAMINED[1:]]
    reasons = one.referral.moves.filter(event="close").order_by("seq").values_list("reason", flat=True)
    assert list(reasons) == ["informed_refusal", "next_step_signed"]
    refused, again = (one.referral.moves.filter(event=event).first() for event in ("close", "reopen"))
    assert refused is not None
    assert again is not None
    assert (again.occurred_at - refused.occurred_at).days >= 30


def test_18_somebody_nobody_reaches_is_reached_on_a_new_number(told: StoryTold) -> None:
    (one,) = told(18)
    tried = one.referral.attempts.order_by("pk").values_list("channel", "outcome")
    assert list(tried) == [*[("phone", "no_answer")] * 3, ("letter", "sent"), ("phone", "spoke")]
    assert one.person.phone == "020 555-0142"
    assert one.steps == ["open", *["attempt"] * 4, *BIOPSIED[1:]]


def test_19_blood_thinners_are_planned_before_anything_is_booked(told: StoryTold) -> None:
    (one,) = told(19)
    assessment = one.referral.assessments.get()
    assert (assessment.anticoagulants, assessment.outcome) == (True, "conditions")
    assert assessment.plan
    assert assessment.made_on <= one.referral.bookings.get().made_on
    assert one.steps == BIOPSIED


def test_20_pregnant_at_fifty_waits_a_year(told: StoryTold) -> None:
    (one,) = told(20)
    assert (one.round.age_at_invitation, one.round.sex_at_invitation) == (50, "female")
    assert (one.round.state, one.round.close_reason) == ("closed", "postponed")
    hold = one.person.exclusions.get()
    assert hold.until == add_months(hold.since, 12) == one.person.next_due_on
    assert one.letters("reminder") == []


def test_21_a_colonoscopy_eight_months_ago_sets_the_next_date(told: StoryTold) -> None:
    (one,) = told(21)
    assert one.referral.close_reason == "already_examined"
    closed = one.referral.evidence.get()
    assert closed.document
    assert one.person.next_due_on == add_months(add_months(closed.closed_on, -8), 24)


def test_22_a_private_examination_without_a_report_stays_open_and_is_chased(told: StoryTold) -> None:
    (one,) = told(22)
    assert one.steps == ["open", "reached", "elsewhere", "reschedule", "reschedule"]
    chased = one.referral.moves.filter(event="reschedule").order_by("seq")
    assert [move.reason for move in chased] == ["chased", "chased"]
    assert one.referral.state == "elsewhere"
    assert one.round.state == "follow_up"


def test_23_two_missed_dates_close_nothing(told: StoryTold) -> None:
    (one,) = told(23)
    statuses = one.referral.bookings.order_by("pk").values_list("status", flat=True)
    assert list(statuses) == ["missed", "missed", "attended"]
    assert one.steps == [*EXAMINED[:4], "unbook", "book", "unbook", "book", *BIOPSIED[4:]]


def test_24_an_incomplete_colonoscopy_is_completed_by_ct(told: StoryTold) -> None:
    (one,) = told(24)
    seen = one.referral.examinations.order_by("pk").values_list("kind", "complete", "finding")
    assert list(seen) == [("colonoscopy", False, "inconclusive"), ("ct", True, "nothing")]
    assert one.steps == [*EXAMINED[:6], "repeat", "book", "examined", "report", "close"]


def test_25_histology_missing_for_43_days_is_still_asked_for(
    told: StoryTold, small_region: Rehearsal
) -> None:
    (one,) = told(25)
    assert (small_region.today - one.referral.examinations.get().day).days == 43
    assert one.referral.state == "histology_due"
    assert one.steps == [*BIOPSIED[:6], *["reschedule"] * 4]
    assert working_days_after(one.referral.due_on or date.min, 2, frozenset()) >= small_region.today


def test_26_a_polyp_upgraded_by_histology_goes_to_treatment(told: StoryTold) -> None:
    (one,) = told(26)
    assert one.referral.examinations.get().finding == "non_advanced"
    signed = one.referral.next_steps.get()
    assert (signed.finding, signed.step) == ("cancer", "treatment")
    assert one.person.exclusions.get().kind == "cancer_care"
    assert one.person.next_due_on is None


def test_27_the_edge_of_surveillance(told: StoryTold) -> None:
    # Source: Hassan et al., Endoscopy 2020;52:687: up to 4 small low-grade adenomas back to screening, 5 at 3 years.
    four, five = told(27)
    sizes = [sorted(x.row.size_mm for x in lesions_seen(one.referral)) for one in (four, five)]
    assert sizes == [[9] * 4, [4] * 5]
    assert [one.referral.next_steps.get().step for one in (four, five)] == ["screening", "surveillance"]
    signed = five.referral.next_steps.get()
    assert signed.on == add_months(five.referral.examinations.latest("day").day, 36)
    assert (signed.computed.rule, signed.deviation) == ("five_adenomas", "")
    assert [one.person.exclusions.filter(kind="surveillance").count() for one in (four, five)] == [0, 1]


def test_28_a_bleeding_on_day_9_is_heard_of_at_the_call(told: StoryTold) -> None:
    (one,) = told(28)
    examination = one.referral.examinations.get()
    event = examination.events.get()
    assert ((event.happened_on - examination.day).days, event.kind) == (9, "bleeding")
    assert event.judgements.get().cause == "caused"
    assert examination.after_calls.get(answer="event").mark == 14


def test_29_a_cancer_14_months_after_a_result_below_is_an_interval_cancer(told: StoryTold) -> None:
    (one,) = told(29)
    report = one.person.cancer_reports.get()
    assert class_of(report) is CancerClass.AFTER_BELOW
    assert one.person.exclusions.get().kind == "cancer_care"
    reminders = one.person.letters.filter(kind="reminder")
    assert not reminders.filter(state__in=["frozen", "printed", "handed_over"]).exists()


def test_30_moving_away_closes_nothing_before_the_receipt(told: StoryTold) -> None:
    (one,) = told(30)
    closed = one.referral.evidence.get()
    assert one.person.left_area_on is not None
    assert one.person.left_area_on < closed.closed_on
    assert (closed.reason, bool(closed.document)) == ("transferred", True)


def test_the_command_lists_who_plays_what(small_region: Rehearsal) -> None:
    out = StringIO()
    call_command("stories", "--json", stdout=out)
    listed = json.loads(out.getvalue())
    assert {str(one["number"]): one["people"] for one in listed["stories"]} == small_region.summary["stories"]
    assert [one["number"] for one in listed["waiting"] if one["number"]] == []
    incidents_on = {one.day.isoformat() for one in incidents(small_region.first_day)}
    assert incidents_on <= {one["day"] for one in listed["laboratory"]}
    page = listed["stories"][0]["pages"][0]
    assert page == f"/people/{Person.objects.get(given_names='Zelinna').pk}/"
