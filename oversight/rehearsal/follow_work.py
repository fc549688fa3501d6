"""The coordinator's and the clinician's day in a rehearsal: every live referral takes its drawn way."""

from dataclasses import dataclass, field
from datetime import date, time, timedelta

from outreach.models import Letter
from outreach.services.held import letter_release
from oversight.rehearsal.calendar_work import booked_on_our_lists, eve_of, own_calendar_begun
from oversight.rehearsal.crew import Stage
from oversight.rehearsal.followup import Way, dice_of, way_drawn
from oversight.rehearsal.lesions import lesions_drawn
from oversight.rehearsal.stories.desk import acts_due, taken_up, way_told
from results.assessment_rules import QUESTIONS
from results.cancers import STAGES
from results.models import Booking, CancerReport, NextStep, Referral
from results.services import referrals as examining
from results.services import referrals_closing as closing
from results.services import referrals_contact as contact
from results.services.after_examination import after_call_record, calls_due
from results.services.cancers import cancer_report
from results.services.findings import finding_standing, lesions_seen
from results.services.referrals_assessment import assessment_blocks
from results.services.referrals_report import Quality
from staff.acting import acting
from staff.models import Site

WAITING = ("elsewhere", "requested", "report_due", "histology_due")
CHASED = "Asked again; it is said to be on its way."
ANSWERS = {key: question.expected for key, question in QUESTIONS.items()}
REGISTRY_TELLS = timedelta(days=60)
STAGE_SHARES = (0.45, 0.22, 0.24, 0.09)
"""Stages of cancers found by screening, of a likely order of magnitude; from memory."""
UNIT_OF_AREA = {"NOR": "NCU", "QUI": "QCU", "HES": "HCU", "SAL": "QCU", "DUN": "NCU", "ULV": "HCU"}


@dataclass
class Follow:
    """Where each referral stands on its way, and on which day it is taken up again."""

    ways: dict[int, Way] = field(default_factory=dict)
    again: dict[int, date] = field(default_factory=dict)
    tried: dict[int, int] = field(default_factory=dict)
    repeated: set[int] = field(default_factory=set)
    rows: dict[int, int] = field(default_factory=dict)
    sites: dict[str, Site] = field(default_factory=dict)


def working(day: date) -> date:
    """The day itself, or the Monday after a weekend."""
    return day + timedelta(days={5: 2, 6: 1}.get(day.weekday(), 0))


def day_of_follow_up(stage: Stage, follow: Follow, day: date) -> None:
    """Take up every referral whose day has come."""
    if not follow.sites:
        follow.sites = {s.code: s for s in Site.objects.filter(does_colonoscopy=True)}
    acts_due(stage, day)
    live = (
        Referral.objects.filter(opened_on__lte=day)
        .exclude(state="closed")
        .select_related("person__area")
        .order_by("pk")
    )
    for referral in live:
        overdue = referral.due_on is not None and referral.due_on < day - timedelta(days=1)
        waits = follow.again.get(referral.pk, day) > day
        if waits and not overdue:
            continue
        # One transaction a referral, so that desks working at once never wait for each other in a ring.
        with acting(stage.crew.coordinator, reason="the day's follow-up"):
            if waits and referral.state in WAITING:
                by = stage.crew.owner_of(referral)
                contact.referral_chase(by=by, referral=referral, note=CHASED)
            else:
                _day_of_one(stage, follow, referral, day)
    _calls_after(stage, follow, day)
    _cancers_told(stage)
    _cancers_reported(stage, follow, day)
    if stage.last_day is not None and day == eve_of(stage.last_day):
        stories = stage.cast.story_of
        own_calendar_begun(stage, {pk for pk, row in follow.rows.items() if row in stories}, day)


def _cancers_told(stage: Stage) -> None:
    """A clinician has told them face to face; the letters that waited for that may go."""
    for letter in Letter.objects.filter(state="held", kind="next_step", person__deceased_on=None):
        with acting(stage.crew.coordinator, reason="told face to face"):
            letter_release(
                by=stage.crew.coordinator, letter=letter, note="Told face to face by the clinician."
            )


def _cancers_reported(stage: Stage, follow: Follow, day: date) -> None:
    """The cancer registry tells stage and treatment of a cancer found here, two months after it was signed."""
    signed = NextStep.objects.filter(
        finding="cancer", signed_on__range=(day - timedelta(days=70), day - REGISTRY_TELLS)
    )
    told = CancerReport.objects.values("person")
    for step in signed.exclude(referral__person__in=told).select_related("referral__person"):
        dice = dice_of(follow.rows.get(step.referral_id, step.referral_id))
        looked = step.referral.examinations.order_by("day").first()
        if looked is None:
            continue
        with acting(stage.crew.coordinator, reason="told by the cancer registry"):
            cancer_report(
                by=stage.crew.coordinator, person=step.referral.person, diagnosed_on=looked.day,
                stage=str(dice.choice(STAGES, p=STAGE_SHARES)), source="regional cancer registry",
                treatment_on=looked.day + timedelta(days=int(dice.integers(12, 44))), document=f"CR-{step.referral_id:06}",
            )  # fmt: skip


def _calls_after(stage: Stage, follow: Follow, day: date) -> None:
    """Call everybody 14 and 30 days after the examination; one in four is not reached at once. Stories call themselves."""
    told = stage.cast.story_of
    calls = [
        call
        for call in calls_due(day)
        if call.late or follow.rows.get(call.examination.referral_id, -1) not in told
    ]
    with acting(stage.crew.nurse, reason="the calls after examinations"):
        for call in calls:
            reached = (call.examination.pk + day.toordinal()) % 4
            after_call_record(
                by=stage.crew.nurse, examination=call.examination, mark=call.mark,
                answer="well" if reached else "not_reached",
            )  # fmt: skip


def _day_of_one(stage: Stage, follow: Follow, referral: Referral, day: date) -> None:
    if referral.pk not in follow.ways:
        _begin(stage, follow, referral, day)
    _take_up(stage, follow, referral, day)


def _begin(stage: Stage, follow: Follow, referral: Referral, day: date) -> None:
    row = stage.plan.row_of_number[referral.person.identifiers.get(valid_to=None).value]
    people = stage.plan.people
    follow.rows[referral.pk] = row
    drawn = way_drawn(
        dice_of(row),
        fhb=float(stage.plan.course.fhb[row]),
        band=int(people.band[row]),
        male=int(people.male[row]),
        fifth=int(people.fifth[row]),
    )
    follow.ways[referral.pk] = way_told(stage, row, drawn)
    contact.referral_claim(by=stage.crew.nurse if row % 3 == 0 else stage.crew.coordinator, referral=referral)


def _take_up(stage: Stage, follow: Follow, referral: Referral, day: date) -> None:
    way = follow.ways[referral.pk]
    if taken_up(stage, follow, referral, way, day):
        return
    step = {
        "to_reach": _reach,
        "undecided": _reach,
        "to_assess": _assess,
        "to_book": _book,
        "requested": _book,
        "repeat_planned": _book,
        "booked": _examine,
        "report_due": _report,
        "histology_due": _histology,
        "to_classify": _sign,
        "elsewhere": _elsewhere,
    }.get(referral.state)
    if step is not None:
        step(stage, follow, referral, way, day)


def _opened(referral: Referral, days: int) -> date:
    return working(referral.opened_on + timedelta(days=days))


def _reach(stage: Stage, follow: Follow, referral: Referral, way: Way, day: date) -> None:
    called_in_time = referral.due_on is None or referral.due_on >= day - timedelta(days=1)
    if day < _opened(referral, way.contact_after) and not follow.tried.get(referral.pk) and called_in_time:
        follow.again[referral.pk] = _opened(referral, way.contact_after)
        return
    tried = follow.tried.get(referral.pk, 0) + 1
    follow.tried[referral.pk] = tried
    by = stage.crew.owner_of(referral)
    if way.ending == "not_reached":
        _unreached(stage, follow, referral, tried, day)
    elif tried < way.attempts:
        outcome = ("no_answer", "voicemail", "relative")[tried % 3]
        contact.contact_attempt_record(by=by, referral=referral, outcome=outcome)
        follow.again[referral.pk] = working(day + timedelta(days=1 + tried))
    elif way.ending == "examined":
        contact.contact_attempt_record(by=by, referral=referral, outcome="spoke", wish="go_on")
        follow.again[referral.pk] = _opened(referral, way.assess_after)
    else:
        contact.contact_attempt_record(by=stage.crew.nurse, referral=referral, outcome="spoke", wish="go_on")
        _other_ending(stage, follow, referral, way, day)


def _unreached(stage: Stage, follow: Follow, referral: Referral, tried: int, day: date) -> None:
    channel = ("phone", "phone", "phone", "letter", "tracked", "doctor")[min(tried - 1, 5)]
    outcome = "no_answer" if channel == "phone" else "sent"
    contact.contact_attempt_record(
        by=stage.crew.owner_of(referral), referral=referral, channel=channel, outcome=outcome
    )
    follow.again[referral.pk] = working(day + timedelta(days=5))
    if tried >= 6 and (day - referral.opened_on).days >= 30:
        closing.referral_close_propose(by=stage.crew.coordinator, referral=referral, note="ladder complete")
        closing.referral_close(by=stage.crew.nurse, referral=referral, reason="not_reached")


def _other_ending(stage: Stage, follow: Follow, referral: Referral, way: Way, day: date) -> None:
    clinician, document = stage.crew.clinician, f"DOC-{referral.pk:06d}"
    if way.ending == "declines":
        note = "Spoke at length; does not want an examination now; knows how to come back."
        contact.contact_attempt_record(by=clinician, referral=referral, outcome="spoke", wish="declines")
        closing.referral_close(by=clinician, referral=referral, reason="informed_refusal", note=note)
    elif way.ending == "already_examined":
        closing.referral_close(
            by=clinician,
            referral=referral,
            reason="already_examined",
            document=document,
            examined_on=day - timedelta(days=200),
        )
    elif way.ending == "unfit":
        closing.referral_close(
            by=clinician,
            referral=referral,
            reason="unfit_for_good",
            note="Decided with the person and the doctor.",
        )
    else:
        contact.referral_elsewhere(
            by=stage.crew.nurse, referral=referral, where="a clinic of the person's choice"
        )
        follow.again[referral.pk] = working(day + timedelta(days=45))


def _elsewhere(stage: Stage, follow: Follow, referral: Referral, way: Way, day: date) -> None:
    closing.referral_close(
        by=stage.crew.clinician, referral=referral, reason="examined_elsewhere", document=f"EXT-{referral.pk:06d}",
        examined_on=day - timedelta(days=10),
    )  # fmt: skip


def _assess(stage: Stage, follow: Follow, referral: Referral, way: Way, day: date) -> None:
    answers = ANSWERS | {"anticoagulants": way.anticoagulants}
    words = "Blood thinner plan agreed with the prescribing doctor." if way.anticoagulants else ""
    examining.assessment_record(
        by=stage.crew.nurse,
        referral=referral,
        outcome="conditions" if way.anticoagulants else "fit",
        answers=answers,
        plan=words,
        medicine_plan=words,
        preparation="macrogol",
    )
    follow.again[referral.pk] = working(day + timedelta(days=1))


def _book(stage: Stage, follow: Follow, referral: Referral, way: Way, day: date) -> None:
    wanted = _opened(referral, way.examine_after)
    exam = max(wanted, working(day + timedelta(days=3)))
    area = referral.person.area
    site = follow.sites[UNIT_OF_AREA.get(area.code if area else "QUI", "QCU")]
    if assessment_blocks(referral, today=day):
        examining.assessment_recheck(by=stage.crew.coordinator, referral=referral, changed=False)
    ours = booked_on_our_lists(stage, referral, site, exam, day)
    if ours is not None:
        follow.again[referral.pk] = ours
        return
    examining.booking_make(
        by=stage.crew.coordinator, referral=referral, site=site, day=exam, time=time(8 + referral.pk % 8, 30)
    )
    follow.again[referral.pk] = exam


def _examine(stage: Stage, follow: Follow, referral: Referral, way: Way, day: date) -> None:
    booking = Booking.objects.get(referral=referral, status=Booking.Status.BOOKED)
    if booking.day > day:
        follow.again[referral.pk] = booking.day
        return
    if way.misses and referral.pk not in follow.repeated:
        follow.repeated.add(referral.pk)
        examining.booking_outcome(by=stage.crew.coordinator, booking=booking, outcome="missed")
        follow.again[referral.pk] = working(day + timedelta(days=2))
        return
    examining.booking_outcome(by=stage.crew.coordinator, booking=booking, outcome="attended")
    follow.again[referral.pk] = working(day + timedelta(days=2))


def _report(stage: Stage, follow: Follow, referral: Referral, way: Way, day: date) -> None:
    booking = Booking.objects.filter(referral=referral, status=Booking.Status.ATTENDED).latest("day")
    first = referral.pk not in follow.repeated
    clean = not (first and (way.prep_fails or way.incomplete))
    follow.repeated.add(referral.pk)
    stage.tally("examined", 0 if referral.examinations.exists() else 1)
    drawn = (way.lesions or lesions_drawn(follow.rows[referral.pk], way.finding)) if clean else []
    adequate = clean or not way.prep_fails
    examining.examination_record(
        by=stage.crew.nurse,
        referral=referral,
        day=booking.day,
        complete=clean or not way.incomplete,
        quality=Quality(
            boston=(2, 3, 2) if adequate else (3, 3, 1), caecum_proof="opening" if clean else "",
            withdrawal_minutes=7 + referral.pk % 5, comfort="mild", examiner=f"{booking.site.code} examiner {1 + referral.pk % 3}",
        ),
        finding="" if drawn else way.finding if clean else "inconclusive",
        lesions=[entry for entry, _histology in drawn],
        report_document=f"REP-{referral.pk:06d}-{booking.pk}",
        specimens=len(drawn),
        site=booking.site,
    )  # fmt: skip
    wait = way.histology_after if drawn else 2
    follow.again[referral.pk] = working(day + timedelta(days=wait))


def _histology(stage: Stage, follow: Follow, referral: Referral, way: Way, day: date) -> None:
    drawn = way.lesions or lesions_drawn(follow.rows[referral.pk], way.finding)
    seen = [one.row for one in lesions_seen(referral)]
    examining.histology_record(
        by=stage.crew.nurse,
        referral=referral,
        histology="As reported by the laboratory.",
        finding=way.finding,
        document=f"PATH-{referral.pk:06d}",
        lesions={row.pk: drawn[row.number - 1][1] for row in seen if row.pot} or None,
    )
    follow.again[referral.pk] = working(day + timedelta(days=2))


def _sign(stage: Stage, follow: Follow, referral: Referral, way: Way, day: date) -> None:
    step, on, words = "screening", None, "Back to screening at the next interval."
    computed = finding_standing(referral)
    if way.finding == "cancer":
        step, words = "treatment", "Handed to the cancer team, who have confirmed it."
    elif computed is not None and computed.course == "surveillance":
        step, on = "surveillance", computed.proposed_from
        words = "Surveillance colonoscopy in three years, as the local protocol says."
    closing.next_step_sign(
        by=stage.crew.clinician,
        referral=referral,
        finding=way.finding,
        step=step,
        words=words,
        on=on,
        close=True,
    )
    stage.tally(f"finding {way.finding}", 1)
