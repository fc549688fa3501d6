"""The steps of a referral for programs: each one service under `If-Match`."""

from collections.abc import Callable, Mapping
from typing import Any, ClassVar

from django.shortcuts import get_object_or_404
from django.utils.translation import gettext as _
from rest_framework import serializers
from rest_framework.request import Request

from results.api.referrals import FULL, PART, ReferralFullShape, referral_shown, referrals_of
from results.assessment_rules import QUESTIONS
from results.models import Assessment, Booking, ContactAttempt, Examination, FindingClass, NextStep, Referral
from results.services import referrals as services
from results.states import REFERRAL_CLOSE_REASONS
from screening.access import person_of_document, person_open
from staff.api.base import Acts, Shown
from staff.api.does import Does
from staff.api.fields import Day, Nothing, Shape, Words
from staff.errors import IllegalMove, RoundbookError
from staff.models import Purpose, Site, User

WISHES = ("go_on", "think", "call_back", "declines")
Step = Callable[[User, Referral, dict[str, Any], int], None]


class ContactGiven(Shape):
    """One attempt to reach the person, and after a talk what the person wishes."""

    outcome = serializers.ChoiceField(choices=ContactAttempt.Outcome.choices)
    channel = serializers.ChoiceField(choices=ContactAttempt.Channel.choices, default=ContactAttempt.Channel.PHONE)
    wish = serializers.ChoiceField(choices=[(one, one) for one in WISHES], allow_blank=True, default="")
    note = Words(required=False)
    call_back_on = Day(allow_null=True, default=None)
    call_back_at = serializers.TimeField(allow_null=True, default=None)


AnswersGiven = type(
    "AnswersGiven", (Shape,),
    {"__doc__": "The answers of the assessment; null was not asked.", "__module__": __name__}
    | {key: serializers.BooleanField(allow_null=True, default=None) for key in QUESTIONS},
)  # fmt: skip


class AssessGiven(Shape):
    """An assessment: its answers, its outcome, and the plans that some answers need."""

    outcome = serializers.ChoiceField(choices=Assessment.Outcome.choices)
    answers = AnswersGiven()
    preparation = serializers.ChoiceField(choices=Assessment.Preparation.choices, allow_blank=True, default="")
    plan = Words(required=False)
    medicine_plan = Words(required=False)
    interpreted_by = Words(required=False, max_length=120)
    until = Day(allow_null=True, default=None)


class RequestGiven(Shape):
    """Which unit was asked for a date."""

    site = serializers.CharField(max_length=12)
    note = Words(required=False)


class BookGiven(Shape):
    """Site, day and time of the examination."""

    site = serializers.CharField(max_length=12)
    day = Day()
    time = serializers.TimeField()


class AttendGiven(Shape):
    """Whether the person attended."""

    outcome = serializers.ChoiceField(choices=[one for one in Booking.Status.choices if one[0] != "booked"])
    note = Words(required=False)


class ReportGiven(Shape):
    """What the report says; two identifiers on it must name the person of the referral."""

    number_on_report = serializers.CharField(max_length=32)
    birth_on_report = Day()
    kind = serializers.ChoiceField(choices=Examination.Kind.choices, default=Examination.Kind.COLONOSCOPY)
    day = Day()
    complete = serializers.BooleanField()
    prep_adequate = serializers.BooleanField()
    specimens = serializers.IntegerField(min_value=0, max_value=99, default=0)
    finding = serializers.ChoiceField(choices=FindingClass.choices)
    report_document = serializers.CharField(max_length=80)


class HistologyGiven(Shape):
    """All histology is in."""

    histology = serializers.CharField(max_length=2000)
    finding = serializers.ChoiceField(choices=FindingClass.choices)
    document = Words(required=False, max_length=80)


class SignGiven(Shape):
    """The next step a clinician signs; with it the referral is closed."""

    finding = serializers.ChoiceField(choices=FindingClass.choices)
    step = serializers.ChoiceField(choices=NextStep.Step.choices)
    words = serializers.CharField(max_length=2000)
    histology = Words(required=False)
    on = Day(allow_null=True, default=None)
    deviation = Words(required=False)


class CloseGiven(Shape):
    """Why a referral ends, with what the reason demands."""

    reason = serializers.ChoiceField(choices=[(one, one) for one in REFERRAL_CLOSE_REASONS])
    note = Words(required=False)
    document = Words(required=False, max_length=80)
    examined_on = Day(allow_null=True, default=None)


def _unit(by: User, code: str) -> Site:
    ids = by.site_ids
    found = Site.objects.filter(code=code, does_colonoscopy=True).first()
    if found is None or (ids is not None and found.pk not in ids):
        raise RoundbookError("site_unknown", _("There is no such unit, or this client is not bound to it."))
    return found


def _claim(by: User, referral: Referral, given: dict[str, Any], seen: int) -> None:
    if seen != referral.last_seq:
        raise IllegalMove("stale", _("Somebody changed this meanwhile. Read it again, then decide."))
    services.referral_claim(by=by, referral=referral)


def _contact(by: User, referral: Referral, given: dict[str, Any], seen: int) -> None:
    services.contact_attempt_record(by=by, referral=referral, seen=seen, **given)


def _assess(by: User, referral: Referral, given: dict[str, Any], seen: int) -> None:
    services.assessment_record(by=by, referral=referral, seen=seen, **given)


def _request(by: User, referral: Referral, given: dict[str, Any], seen: int) -> None:
    site = _unit(by, given["site"])
    services.examination_request(by=by, referral=referral, site=site, note=given["note"], seen=seen)


def _book(by: User, referral: Referral, given: dict[str, Any], seen: int) -> None:
    site = _unit(by, given["site"])
    services.booking_make(by=by, referral=referral, site=site, day=given["day"], time=given["time"], seen=seen)


def _attend(by: User, referral: Referral, given: dict[str, Any], seen: int) -> None:
    booking = referral.bookings.filter(status=Booking.Status.BOOKED).order_by("pk").last()
    if booking is None:
        raise IllegalMove("no_booking", _("Nothing is booked for this referral."))
    services.booking_outcome(by=by, booking=booking, seen=seen, **given)


def _report(by: User, referral: Referral, given: dict[str, Any], seen: int) -> None:
    number, birth = given.pop("number_on_report"), given.pop("birth_on_report")
    named = person_of_document(number=number, birth_date=birth)
    if named is None or named.pk != referral.person_id:
        raise RoundbookError(
            "report_of_another", _("Number and birth date on the report do not name the person of this referral.")
        )
    services.examination_record(by=by, referral=referral, seen=seen, **given)


def _histology(by: User, referral: Referral, given: dict[str, Any], seen: int) -> None:
    services.histology_record(by=by, referral=referral, seen=seen, **given)


def _sign(by: User, referral: Referral, given: dict[str, Any], seen: int) -> None:
    services.next_step_sign(by=by, referral=referral, close=True, seen=seen, **given)


def _close(by: User, referral: Referral, given: dict[str, Any], seen: int) -> None:
    services.referral_close(by=by, referral=referral, seen=seen, **given)


class StepView(Acts):
    """One step of one referral."""

    step: ClassVar[Step]

    def act(self, request: Request, given: Any, **at: Any) -> Shown:
        """The service of this step, for the version the client read; the look is journalled."""
        referral = get_object_or_404(referrals_of(self.by), pk=at["pk"])
        seen = self.seen("referral")
        person_open(by=self.by, person_id=referral.person_id, purpose=Purpose.WORKLIST, place="api:referral-step")
        type(self).step(self.by, referral, dict(given), seen)
        return referral_shown(get_object_or_404(Referral.objects.select_related("owner"), pk=referral.pk))


def _view(slug: str, step: Step, summary: str, takes: type[Any], sends: Any, state: str) -> type[StepView]:
    does = Does(
        name=f"referral_{slug}", part=PART, summary=summary, takes=takes, sends=sends, gives=ReferralFullShape,
        example=FULL | {"state": state}, if_match=True,
    )  # fmt: skip
    return type(f"Referral{slug.title()}", (StepView,), {"does": {"POST": does}, "step": staticmethod(step), "__doc__": summary})


_CALM = {key: question.expected for key, question in QUESTIONS.items()}
_REPORT = {
    "number_on_report": "0000000001", "birth_on_report": "1964-03-09", "kind": "colonoscopy", "day": "2026-07-01",
    "complete": True, "prep_adequate": True, "specimens": 0, "finding": "nothing", "report_document": "REP-1",
}  # fmt: skip
STEPS: Mapping[str, type[StepView]] = {
    "claim": _view("claim", _claim, "Take a referral that nobody holds", Nothing, {}, "to_reach"),
    "contact": _view("contact", _contact, "Record an attempt to reach the person", ContactGiven,
                     {"outcome": "spoke", "wish": "go_on"}, "to_assess"),
    "assess": _view("assess", _assess, "Record the assessment", AssessGiven,
                    {"outcome": "fit", "preparation": "macrogol", "answers": _CALM}, "to_book"),
    "request": _view("request", _request, "A unit was asked for a date", RequestGiven, {"site": "QCU"}, "requested"),
    "book": _view("book", _book, "The date is known", BookGiven, {"site": "QCU", "day": "2026-07-01", "time": "09:00"}, "booked"),
    "attend": _view("attend", _attend, "Whether the person attended", AttendGiven, {"outcome": "attended"}, "report_due"),
    "report": _view("report", _report, "Enter the examination report", ReportGiven, _REPORT, "to_classify"),
    "histology": _view("histology", _histology, "All histology is in", HistologyGiven,
                       {"histology": "tubular adenoma", "finding": "non_advanced", "document": "HIS-1"}, "to_classify"),
    "sign": _view("sign", _sign, "A clinician signs the next step; the referral closes", SignGiven,
                  {"finding": "nothing", "step": "screening", "words": "Clean and complete."}, "closed"),
    "close": _view("close", _close, "Close a referral on the evidence its reason demands", CloseGiven,
                   {"reason": "informed_refusal", "note": "Talked twice; declines."}, "closed"),
}  # fmt: skip
