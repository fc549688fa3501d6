"""Stories of people at or above the cutoff, from the first call to the next step."""

from __future__ import annotations

from datetime import date, time, timedelta
from typing import TYPE_CHECKING

from outreach.models import Letter
from outreach.services.held import letter_cancel
from outreach.services.planning import letters_plan
from oversight.rehearsal.stories.base import Story
from oversight.rehearsal.stories.scene import Scene, working
from results.models import Booking, ContactAttempt, Referral
from results.services import referrals as examining
from results.services import referrals_closing as closing
from results.services import referrals_contact as contact
from screening.months import add_months

if TYPE_CHECKING:
    from oversight.rehearsal.crew import Stage
    from oversight.rehearsal.follow_work import Follow
    from oversight.rehearsal.followup import Way

HISTOLOGY_MISSING = timedelta(weeks=22, days=1)
"""An examination this long after the first day lies 43 days back on the Wednesday of week 29."""
MOVED = "Moved to another region; asked to go on there."


def _tried(referral: Referral) -> int:
    return ContactAttempt.objects.filter(referral=referral).count()


def _scene(stage: Stage, referral: Referral, day: date) -> Scene:
    return Scene(stage, stage.plan.row_of_number[referral.person.identifiers.get(valid_to=None).value], day)


def _dies_today(scene: Scene) -> None:
    scene.feed(deceased_on=scene.day.isoformat())
    letters_plan(by=scene.crew.system, batch_id=scene.round.batch_id)


def _death_settled(stage: Stage, follow: Follow, referral: Referral, way: Way, day: date) -> bool:
    by = stage.crew.owner_of(referral)
    for letter in Letter.objects.filter(person=referral.person_id, state="held").order_by("pk"):
        letter_cancel(by=by, letter=letter, note="The person has died. The family is not written to.")
    closing.referral_close(
        by=by, referral=referral, reason="died", note="Told by the register on the day of the result."
    )
    return True


def _refuses(stage: Stage, follow: Follow, referral: Referral, way: Way, day: date) -> bool:
    """Declines; a clinician talks and closes it; asked again after 30 days the person accepts."""
    tried, clinician = _tried(referral), stage.crew.clinician
    if tried >= 2:
        note = "Has thought it over with the family and wants the examination."
        contact.contact_attempt_record(
            by=stage.crew.nurse, referral=referral, outcome="spoke", wish="go_on", note=note
        )
        follow.again[referral.pk] = working(day + timedelta(days=6))
        return True
    by = clinician if tried else stage.crew.owner_of(referral)
    contact.contact_attempt_record(by=by, referral=referral, outcome="spoke", wish="declines")
    follow.again[referral.pk] = working(day + timedelta(days=1))
    if tried:
        note = "Spoke at length. Does not want an examination now; may be asked again in a month."
        closing.referral_close(by=clinician, referral=referral, reason="informed_refusal", note=note)
        _scene(stage, referral, day).later(30, _offered_again)
    return True


def _offered_again(scene: Scene) -> None:
    closing.referral_reopen(
        by=scene.crew.nurse, referral=scene.referral, note="Asked again after a month, as agreed."
    )


def _new_phone(stage: Stage, follow: Follow, referral: Referral, way: Way, day: date) -> bool:
    """Three calls and a letter reach nobody; then the register brings a new telephone number."""
    tried, by = _tried(referral), stage.crew.owner_of(referral)
    if tried < 4:
        channel, outcome = ("phone", "no_answer") if tried < 3 else ("letter", "sent")
        contact.contact_attempt_record(by=by, referral=referral, channel=channel, outcome=outcome)
        follow.again[referral.pk] = referral.due_on or working(day + timedelta(days=1))
        return True
    _scene(stage, referral, day).feed(phone="020 555-0142")
    contact.contact_attempt_record(
        by=by, referral=referral, outcome="spoke", wish="go_on", note="Reached on the new number."
    )
    follow.again[referral.pk] = working(day + timedelta(days=5))
    return True


def _examined_before(stage: Stage, follow: Follow, referral: Referral, way: Way, day: date) -> bool:
    contact.contact_attempt_record(by=stage.crew.nurse, referral=referral, outcome="spoke", wish="go_on")
    closing.referral_close(
        by=stage.crew.clinician,
        referral=referral,
        reason="already_examined",
        document=f"EXT-{referral.pk:06d}",
        note="Complete colonoscopy eight months ago; the report was read.",
        examined_on=add_months(day, -8),
    )
    return True


def _private(stage: Stage, follow: Follow, referral: Referral, way: Way, day: date) -> bool:
    """Goes elsewhere; the report is asked for again and again, and nothing is closed on the person's word."""
    nurse, again = stage.crew.nurse, _tried(referral) > 0
    contact.contact_attempt_record(by=nurse, referral=referral, outcome="spoke", wish="go_on")
    if again:
        closing.referral_close(
            by=stage.crew.clinician, referral=referral, reason="examined_elsewhere",
            document=f"EXT-{referral.pk:06d}", examined_on=day - timedelta(days=150),
        )  # fmt: skip
    else:
        contact.referral_elsewhere(by=nurse, referral=referral, where="a private clinic")
        follow.again[referral.pk] = day + timedelta(days=400)
    return True


def _misses_twice(stage: Stage, follow: Follow, referral: Referral, way: Way, day: date) -> bool:
    if Booking.objects.filter(referral=referral, status=Booking.Status.MISSED).count() >= 2:
        return False
    booking = Booking.objects.get(referral=referral, status=Booking.Status.BOOKED)
    examining.booking_outcome(
        by=stage.crew.coordinator, booking=booking, outcome="missed", note="Did not come and did not ring."
    )
    follow.again[referral.pk] = working(day + timedelta(days=2))
    return True


def _completed_by_ct(stage: Stage, follow: Follow, referral: Referral, way: Way, day: date) -> bool:
    """The second examination, after an incomplete colonoscopy, is a CT colonography."""
    if not referral.examinations.exists():
        return False
    booking = Booking.objects.filter(referral=referral, status=Booking.Status.ATTENDED).latest("day")
    examining.examination_record(
        by=stage.crew.nurse, referral=referral, day=booking.day, complete=True, prep_adequate=True, finding=way.finding,
        report_document=f"CT-{referral.pk:06d}", kind="ct", site=booking.site,
    )  # fmt: skip
    follow.again[referral.pk] = working(day + timedelta(days=2))
    return True


def _booked_for_histology(stage: Stage, follow: Follow, referral: Referral, way: Way, day: date) -> bool:
    exam = max(stage.plan.first_day + HISTOLOGY_MISSING, day)
    examining.booking_make(
        by=stage.crew.coordinator, referral=referral, site=follow.sites["QCU"], day=exam, time=time(9, 30)
    )
    follow.again[referral.pk] = exam
    return True


def _polyp_removed(stage: Stage, follow: Follow, referral: Referral, way: Way, day: date) -> bool:
    """The endoscopist saw a polyp that looked harmless; histology says otherwise."""
    booking = Booking.objects.filter(referral=referral, status=Booking.Status.ATTENDED).latest("day")
    examining.examination_record(
        by=stage.crew.nurse, referral=referral, day=booking.day, complete=True, prep_adequate=True,
        finding="non_advanced", report_document=f"REP-{referral.pk:06d}", specimens=way.specimens, site=booking.site,
    )  # fmt: skip
    stage.tally("examined", 1)
    follow.again[referral.pk] = working(day + timedelta(days=way.histology_after))
    return True


def _moves_away(stage: Stage, follow: Follow, referral: Referral, way: Way, day: date) -> bool:
    """The register says the person left; the referral stays open until the other region confirms in writing."""
    if referral.person.left_area_on is None:
        _scene(stage, referral, day).feed(left_area_on=day.isoformat())
        contact.referral_reschedule(
            by=stage.crew.owner_of(referral), referral=referral, due_on=working(day + timedelta(days=5)),
            note=MOVED,
        )  # fmt: skip
        follow.again[referral.pk] = working(day + timedelta(days=5))
        return True
    closing.referral_close(
        by=stage.crew.coordinator,
        referral=referral,
        reason="transferred",
        document=f"RECEIPT-{referral.pk:06d}",
        note=MOVED,
    )
    return True


FOLLOW_UP = (
    Story(
        number=3,
        title="Died after a result at or above",
        told="The death came on the day of the result: no letter left, a coordinator settled both letters and the referral.",
        week=8,
        course={"fhb": 64.0},
        after_result=(_dies_today,),
        steps={"to_reach": _death_settled},
    ),
    Story(
        number=17,
        title="Refuses, is asked again, accepts",
        told="Closed by a clinician as an informed refusal, opened again a month later, examined.",
        week=8,
        course={"fhb": 38.0},
        steps={"to_reach": _refuses, "undecided": _refuses},
    ),
    Story(
        number=18,
        title="Nobody answers, then a new telephone number",
        told="Three calls and a letter; the register's next file brings a new number, and the call is answered.",
        week=9,
        columns=({"phone": "020 555-0117"},),
        course={"fhb": 71.0},
        way={"finding": "non_advanced", "specimens": 1},
        steps={"to_reach": _new_phone},
    ),
    Story(
        number=19,
        title="Takes a blood thinner",
        told="Fit with conditions: nothing is booked before the plan with the prescribing doctor is written.",
        week=10,
        course={"fhb": 120.0},
        way={"anticoagulants": True, "finding": "non_advanced", "specimens": 1},
    ),
    Story(
        number=21,
        title="Colonoscopy eight months ago",
        told="Closed on the document; the next invitation counts from that examination.",
        week=12,
        course={"fhb": 25.0},
        steps={"to_reach": _examined_before},
    ),
    Story(
        number=22,
        title="Private examination, no report",
        told="Still open: the report was asked for after 30 and 60 days, and nothing is closed without it.",
        week=16,
        course={"fhb": 52.0},
        steps={"to_reach": _private},
    ),
    Story(
        number=23,
        title="Did not attend twice",
        told="Two missed dates close nothing; the third is kept.",
        week=11,
        course={"fhb": 90.0},
        way={"finding": "non_advanced", "specimens": 1},
        steps={"booked": _misses_twice},
    ),
    Story(
        number=24,
        title="Incomplete colonoscopy, then CT colonography",
        told="An incomplete examination says nothing; the referral stays open until the CT is read.",
        week=10,
        course={"fhb": 47.0},
        way={"incomplete": True},
        steps={"report_due": _completed_by_ct},
    ),
    Story(
        number=25,
        title="Histology missing for 43 days",
        told="Examined, specimens sent, no histology yet: still open and asked for again and again.",
        week=18,
        course={"fhb": 83.0},
        way={
            "finding": "non_advanced",
            "specimens": 1,
            "histology_after": 63,
            "contact_after": 1,
            "assess_after": 5,
        },
        steps={"to_book": _booked_for_histology},
    ),
    Story(
        number=26,
        title="A polyp that histology called a cancer",
        told="Reported as a harmless polyp, upgraded by histology: handed to the cancer team.",
        week=9,
        course={"fhb": 150.0},
        way={"finding": "cancer", "specimens": 2},
        steps={"report_due": _polyp_removed},
    ),
    Story(
        number=30,
        title="Moved away with an open referral",
        told="Leaving the area stopped nothing: the referral was closed only on the other region's receipt.",
        week=13,
        course={"fhb": 58.0},
        steps={"to_book": _moves_away},
    ),
)
