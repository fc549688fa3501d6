"""The dates and refusals of a referral between opening and closing; pure rules."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING

from django.utils.formats import date_format
from django.utils.translation import gettext_lazy as _
from django.utils.translation import ngettext

from results.referral_ladder import WaitLevel

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

UNDECIDED_DAYS = 14
ASSESS_DAYS = 7
PERSON_PAUSE_DAYS = 28
CLINICAL_PAUSE_DAYS = 365
REPEAT_DAYS = 365
OWN_DATE_DAYS = 30
REPEAT_WITHIN_DAYS = 42
ELSEWHERE_CHASES = (30, 60, 90, 120, 150, 180)
CLASSIFY_WORKING_DAYS = 5
REQUEST_CHASE_WORKING_DAYS = 3
ACKNOWLEDGED_CHASE_WORKING_DAYS = 5
MISSED_CALL_WORKING_DAYS = 2
BOOK_WORKING_DAYS = 2
"""Lengths of time. Source: common practice, no source; the programme's own protocol decides. An outside report is asked
for monthly, so that the next date of a live referral is never more than 30 days ahead (check I2)."""


class DateRule(StrEnum):
    """Why a referral's next date is what it is; stored on the move that set it."""

    LADDER = "ladder"
    CALL_BACK = "call_back"
    UNDECIDED = "undecided"
    DECLINES = "declines"
    ASSESS = "assess"
    DOCTOR = "doctor"
    BOOK = "book"
    REQUEST = "request"
    ACKNOWLEDGED = "acknowledged"
    BOOKED = "booked"
    CONFIRM = "confirm"
    NOT_CONFIRMED = "not_confirmed"
    HELD = "held"
    LAPSED = "lapsed"
    SURVEILLANCE = "surveillance"
    STOP_AGE = "stop_age"
    EARLIER_AMENDED = "earlier_amended"
    MISSED = "missed"
    MISSED_AGAIN = "missed_again"
    CANCELLED = "cancelled"
    REPORT = "report"
    HISTOLOGY = "histology"
    CLASSIFY = "classify"
    REPEAT_INCOMPLETE = "repeat_incomplete"
    REPEAT = "repeat"
    PAUSE = "pause"
    RESUME = "resume"
    ELSEWHERE = "elsewhere"
    OWN_DATE = "own_date"
    SIGNED = "signed"
    PROPOSED = "proposed"
    REOPENED = "reopened"
    OPENED = "opened"


RULE_WORDS: Mapping[str, "StrOrPromise"] = {
    DateRule.LADDER: _(
        "The contact ladder: each attempt without a talk sets the day and way of the next one."
    ),
    DateRule.CALL_BACK: _("The person asked to be called at this time."),
    DateRule.UNDECIDED: _("Somebody who is still thinking is asked again within 14 days."),
    DateRule.DECLINES: _("A clinician talks with somebody who declines, on the next working day."),
    DateRule.ASSESS: _("The assessment is done within 7 days of the talk."),
    DateRule.DOCTOR: _("The assessment left the decision to a doctor, who takes it by the next working day."),
    DateRule.BOOK: _("A date is asked for or booked within 2 working days of the assessment."),
    DateRule.REQUEST: _("The site is asked again when it has not answered within 3 working days."),
    DateRule.ACKNOWLEDGED: _(
        "The site has the request; it is asked again when it has given no date within 5 working days."
    ),
    DateRule.BOOKED: _("On the day of the examination we ask whether the person attended."),
    DateRule.CONFIRM: _(
        "Whoever has not confirmed the day is asked three days before the examination, and then every working day."
    ),
    DateRule.NOT_CONFIRMED: _(
        "The place was given back because nobody could confirm it; the person is called on the next working day."
    ),
    DateRule.HELD: _(
        "A place is held for the person up to this day; then it lapses and another one is offered."
    ),
    DateRule.LAPSED: _("The places held for the person lapsed; others are offered today."),
    DateRule.SURVEILLANCE: _(
        "A planned surveillance examination falls due; the person is called and invited, as before any examination."
    ),
    DateRule.EARLIER_AMENDED: _(
        "Pathology corrected the report of an earlier referral, and its class or proposal changed; a clinician decides on"
        " both by the next working day."
    ),
    DateRule.STOP_AGE: _(
        "A planned surveillance examination falls due past the stop age; a clinician decides with the person."
    ),
    DateRule.MISSED: _(
        "Somebody who did not attend is called within 2 working days. It never closes a referral."
    ),
    DateRule.MISSED_AGAIN: _(
        "Somebody who missed a second time is called by a clinician within 2 working days. It never closes a referral."
    ),
    DateRule.CANCELLED: _("A new date is sought on the next working day; the days keep counting."),
    DateRule.REPORT: _("The report is due within the days after the examination that the protocol says."),
    DateRule.HISTOLOGY: _(
        "Histology is due within the working days after the examination that the protocol says."
    ),
    DateRule.CLASSIFY: _("The next step is decided within 5 working days of the last report."),
    DateRule.REPEAT_INCOMPLETE: _(
        "An incomplete or badly prepared examination says nothing; another one follows within 6 weeks, and is booked within 5 working days."
    ),
    DateRule.REPEAT: _("A clinician planned another examination for this day."),
    DateRule.PAUSE: _("The wait was paused until this day. The days since the result keep counting."),
    DateRule.RESUME: _("The pause is over; the person is called on the next working day."),
    DateRule.ELSEWHERE: _("A report from elsewhere is asked for after 30, 60, 90, 120, 150 and 180 days."),
    DateRule.OWN_DATE: _("A colleague chose this day and wrote why."),
    DateRule.SIGNED: _("The next step is signed; the referral is closed on the next working day."),
    DateRule.PROPOSED: _(
        "A colleague proposed to close; a second person agrees or not by the next working day."
    ),
    DateRule.REOPENED: _("The referral was opened again; the person is called on the same working day."),
    DateRule.OPENED: _("Calls start on the working day on which the result was released, or the next one."),
}


def rule_words(rule: str, report_days: int, histology_working_days: int) -> "StrOrPromise":
    """Why a date is what it is, with the protocol's own number of days; empty for a rule that is not known."""
    if rule == DateRule.REPORT:
        return ngettext(
            "The report is due %(n)s day after the examination, as the protocol says.",
            "The report is due %(n)s days after the examination, as the protocol says.",
            report_days,
        ) % {"n": report_days}
    if rule == DateRule.HISTOLOGY:
        return ngettext(
            "Histology is due %(n)s working day after the examination, as the protocol says.",
            "Histology is due %(n)s working days after the examination, as the protocol says.",
            histology_working_days,
        ) % {"n": histology_working_days}
    return RULE_WORDS.get(rule, "")


HISTOLOGY_ESCALATE_DAYS, HISTOLOGY_ALARM_DAYS = 21, 42
"""Days without histology after which it is a clinician's matter, and an alarm. Source: the job's section 2.15 and I26."""


def histology_wait(days: int) -> tuple[str, "StrOrPromise"] | None:
    """Tone and words for histology awaited so many days; None while it is only asked for again."""
    if days >= HISTOLOGY_ALARM_DAYS:
        return "stop", _("histology missing for %(n)s days: alarm") % {"n": days}
    if days >= HISTOLOGY_ESCALATE_DAYS:
        return "warn", _("histology missing for %(n)s days: a clinician asks") % {"n": days}
    return None


def elsewhere_chase_after(since: date, today: date) -> date | None:
    """The next day on which to ask for the outside report, or None when the last chase has passed."""
    days = [since + timedelta(days=n) for n in ELSEWHERE_CHASES]
    return next((day for day in days if day > today), None)


@dataclass(frozen=True, slots=True)
class ExaminationFacts:
    """What decides where an examination leads."""

    day: date
    complete: bool
    prep_adequate: bool
    specimens: int
    finding: str

    @property
    def conclusive(self) -> bool:
        """Whether an interval may rest on it: complete and adequately prepared."""
        return self.complete and self.prep_adequate


def examination_problems(facts: ExaminationFacts, *, today: date) -> list["StrOrPromise"]:
    """Why a report cannot be taken as it stands; empty when it can (H21)."""
    problems: list[StrOrPromise] = []
    if facts.day > today:
        problems.append(_("The examination day lies in the future. Check the date."))
    if facts.finding == "nothing" and not facts.conclusive:
        problems.append(
            _(
                "An incomplete or badly prepared examination can never be “no abnormality”. Choose “inconclusive”."
            )
        )
    if not 0 <= facts.specimens <= 60:
        problems.append(_("Check the number of specimens: 0 to 60."))
    if facts.specimens and facts.finding == "nothing":
        problems.append(_("Specimens went to pathology, so something was seen. Choose what it looked like."))
    return problems


def needs_another_examination(facts: ExaminationFacts) -> bool:
    """Whether another examination follows by rule: nothing can be concluded, and no cancer was found."""
    return not facts.conclusive and facts.finding not in CANCERS


CANCERS = frozenset({"cancer", "other_cancer"})
SERIOUSNESS = (
    "cancer",
    "other_cancer",
    "advanced_adenoma",
    "advanced_serrated",
    "non_advanced",
    "other",
    "nothing",
    "inconclusive",
)


def next_step_problems(
    *, step: str, on: date | None, finding: str, last: ExaminationFacts | None, histology: str, today: date
) -> list["StrOrPromise"]:
    """Why a next step cannot be signed as it stands; empty when it can (R9, H21)."""
    problems: list[StrOrPromise] = []
    if last is None:
        problems.append(_("No examination is recorded. Enter its report first, or close for another reason."))
        return problems
    if not last.conclusive and step in {"screening", "surveillance"}:
        problems.append(
            _(
                "The last examination was incomplete or badly prepared, so no interval can rest on it. Plan another one."
            )
        )
    if not last.conclusive and finding == "nothing":
        problems.append(
            _("The last examination was incomplete or badly prepared: it cannot end as “no abnormality”.")
        )
    if last.specimens and not histology.strip():
        problems.append(_("Specimens went to pathology. Write what the histology says."))
    if step == "surveillance" and on is None:
        problems.append(_("Write the day of the surveillance examination."))
    if on is not None and on <= today and step in {"screening", "surveillance"}:
        problems.append(_("The day of the next step must lie in the future."))
    if step == "screening" and finding in CANCERS:
        problems.append(_("A cancer does not go back to screening. Choose treatment."))
    return problems


def pause_problem(*, until: date, today: date, clinical: bool) -> "StrOrPromise | None":
    """Why a pause cannot last until this day, or None."""
    limit = CLINICAL_PAUSE_DAYS if clinical else PERSON_PAUSE_DAYS
    if until <= today:
        return _("The pause must end after today.")
    if (until - today).days > limit:
        return _("At most %(n)s days. Choose a day up to %(day)s, or ask a clinician.") % {
            "n": limit,
            "day": date_format(today + timedelta(days=limit)),
        }
    return None


WAIT_LOOK: Mapping[WaitLevel, tuple[str, "StrOrPromise"]] = {
    WaitLevel.WITHIN_PROMISE: ("ok", _("on time")),
    WaitLevel.OVER_PROMISE: ("warn", _("past promise")),
    WaitLevel.FIRST_ALARM: ("warn", _("far past promise")),
    WaitLevel.SECOND_ALARM: ("stop", _("past alarm")),
    WaitLevel.FAILURE: ("stop", _("failed")),
}
"""Level of a wait → tone and word for the bar of days."""
