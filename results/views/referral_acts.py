"""What can be done to a referral on its page: each act with its form, its words and the one service it calls."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext_lazy as _

from results import forms_after as after
from results import forms_referral as forms
from results import forms_report as reports
from results.assessment_rules import Block
from results.forms_assessment import WRITTEN, AssessForm, RecheckForm
from results.models import AdverseEvent, Histology, Referral
from results.services import referrals as services
from results.services.after_examination import adverse_event_record, after_call_record, event_judge
from results.states import REFERRAL
from staff.models import User
from staff.roles import Role

Run = Callable[[User, Referral, dict[str, Any]], None]


@dataclass(frozen=True)
class Act:
    """One thing to record: `event` must be allowed in the state, unless `states` names the states itself."""

    slug: str
    title: Any
    submit: Any
    form: type[forms.ReferralForm]
    run: Run
    event: str = ""
    states: tuple[str, ...] = ()
    clinician: bool = False
    grave: bool = False

    def fits(self, state: str) -> bool:
        """Whether the act makes sense in this state."""
        return state in self.states if self.states else REFERRAL.allows(state, self.event)

    def may(self, user: User) -> bool:
        """Whether this user may do it."""
        return not self.clinician or Role.CLINICIAN in user.roles


def _given(data: dict[str, Any], *names: str) -> dict[str, Any]:
    return {name: data.get(name) for name in ("seen", *names)}


def _claim(by: User, referral: Referral, data: dict[str, Any]) -> None:
    services.referral_claim(by=by, referral=referral)


def _hand_back(by: User, referral: Referral, data: dict[str, Any]) -> None:
    services.referral_hand_back(by=by, referral=referral, **_given(data, "note"))


def _hand_over(by: User, referral: Referral, data: dict[str, Any]) -> None:
    services.referral_hand_over(by=by, referral=referral, **_given(data, "to", "note"))


def _attempt(by: User, referral: Referral, data: dict[str, Any]) -> None:
    given = _given(data, "channel", "outcome", "note", "call_back_on", "call_back_at")
    services.contact_attempt_record(by=by, referral=referral, **given)


def _talk(by: User, referral: Referral, data: dict[str, Any]) -> None:
    given = _given(data, "wish", "note", "call_back_on", "call_back_at")
    services.contact_attempt_record(by=by, referral=referral, outcome="spoke", **given)


def _assess(by: User, referral: Referral, data: dict[str, Any]) -> None:
    answers = AssessForm.answers(data)
    given = {key: value for key, value in _given(data, "outcome", *WRITTEN).items() if value is not None}
    services.assessment_record(by=by, referral=referral, answers=answers, **given)


def _recheck(by: User, referral: Referral, data: dict[str, Any]) -> None:
    given = _given(data, "changed", "interpreted_by", "note")
    services.assessment_recheck(by=by, referral=referral, **given)


def _request(by: User, referral: Referral, data: dict[str, Any]) -> None:
    services.examination_request(by=by, referral=referral, **_given(data, "site", "note"))


def _acknowledged(by: User, referral: Referral, data: dict[str, Any]) -> None:
    services.request_acknowledged(by=by, referral=referral, **_given(data, "note"))


def _book(by: User, referral: Referral, data: dict[str, Any]) -> None:
    services.booking_make(
        by=by, referral=referral, agreed=bool(data.get("agreed")), **_given(data, "site", "day", "time")
    )


def _attend(by: User, referral: Referral, data: dict[str, Any]) -> None:
    booking = referral.bookings.filter(status="booked").latest("pk")
    services.booking_outcome(by=by, booking=booking, **_given(data, "outcome", "note"))


def _report(by: User, referral: Referral, data: dict[str, Any]) -> None:
    names = (
        "kind", "site", "day", "complete", "prep_adequate", "specimens", "finding", "report_document", "quality", "lesions",
        "sizes_confirmed",
    )  # fmt: skip
    services.examination_record(by=by, referral=referral, **_given(data, *names))


def _histology(by: User, referral: Referral, data: dict[str, Any]) -> None:
    given = {"histology": data.get("histology", ""), "finding": data.get("finding", "")}
    services.histology_record(by=by, referral=referral, **given, **_given(data, "document", "lesions"))


def _amend(by: User, referral: Referral, data: dict[str, Any]) -> None:
    services.histology_amend(by=by, referral=referral, **_given(data, "document", "lesions"))


def _event(by: User, referral: Referral, data: dict[str, Any]) -> None:
    given = {name: data[name] for name in ("examination", *after.EVENT_FIELDS)}
    adverse_event_record(by=by, **given)


def _after(by: User, referral: Referral, data: dict[str, Any]) -> None:
    given = {name: data[name] for name in ("examination", "mark", "answer", "note")}
    after_call_record(by=by, event=data.get("event"), **given)


def _judge(by: User, referral: Referral, data: dict[str, Any]) -> None:
    event_judge(by=by, **{name: data[name] for name in ("event", "cause", "words")})


def _sign(by: User, referral: Referral, data: dict[str, Any]) -> None:
    given = _given(data, "finding", "histology", "step", "on", "words", "deviation")
    services.next_step_sign(by=by, referral=referral, close=True, **given)


def _repeat(by: User, referral: Referral, data: dict[str, Any]) -> None:
    services.repeat_plan(by=by, referral=referral, **_given(data, "on", "note"))


def _close(by: User, referral: Referral, data: dict[str, Any]) -> None:
    given = _given(data, "reason", "document", "examined_on", "note") | {"refusal": data.get("refusal", "")}
    services.referral_close(by=by, referral=referral, **given)


def _propose(by: User, referral: Referral, data: dict[str, Any]) -> None:
    services.referral_close_propose(by=by, referral=referral, **_given(data, "note"))


def _agree(by: User, referral: Referral, data: dict[str, Any]) -> None:
    services.referral_close(by=by, referral=referral, reason="not_reached", **_given(data, "note"))


def _pause(by: User, referral: Referral, data: dict[str, Any]) -> None:
    clinical = bool(data.get("clinical"))
    services.referral_pause(by=by, referral=referral, clinical=clinical, **_given(data, "until", "note"))


def _resume(by: User, referral: Referral, data: dict[str, Any]) -> None:
    services.referral_resume(by=by, referral=referral, **_given(data, "note"))


def _think(by: User, referral: Referral, data: dict[str, Any]) -> None:
    services.referral_undecided(by=by, referral=referral, **_given(data, "on", "note"))


def _elsewhere(by: User, referral: Referral, data: dict[str, Any]) -> None:
    services.referral_elsewhere(by=by, referral=referral, **_given(data, "where"))


def _chase(by: User, referral: Referral, data: dict[str, Any]) -> None:
    services.referral_chase(by=by, referral=referral, **_given(data, "note"))


def _date(by: User, referral: Referral, data: dict[str, Any]) -> None:
    services.referral_reschedule(by=by, referral=referral, **_given(data, "due_on", "due_time", "note"))


def _reopen(by: User, referral: Referral, data: dict[str, Any]) -> None:
    services.referral_reopen(by=by, referral=referral, **_given(data, "note"))


CALLING = ("to_reach", "undecided", "paused_until", "to_assess", "to_book")
EXAMINED = ("histology_due", "to_classify", "repeat_planned", "booked", "requested", "closed")
WAITING = ("requested", "report_due", "histology_due", "elsewhere")
ACTS: dict[str, Act] = {
    act.slug: act
    for act in (
        Act("claim", _("Take it"), _("Claim"), forms.ReferralForm, _claim, event="claim"),
        Act("attempt", _("Not reached"), _("Record the attempt"), forms.AttemptForm, _attempt,
            states=(*CALLING, *WAITING, "booked", "repeat_planned")),
        Act("talk", _("Spoke with the person"), _("Record the talk"), forms.TalkForm, _talk,
            states=(*CALLING, *WAITING, "booked", "repeat_planned")),
        Act("recheck", _("Has anything changed since the assessment?"), _("Record"), RecheckForm, _recheck,
            states=("to_book", "requested", "booked", "repeat_planned")),
        Act("assess", _("Assess"), _("Record the assessment"), AssessForm, _assess,
            states=("to_assess", "to_reach", "to_book", "requested", "booked", "repeat_planned")),
        Act("request", _("Ask a unit for a date"), _("The unit was asked"), forms.SiteForm, _request, event="request"),
        Act("acknowledged", _("The unit has the request"), _("Record it"), forms.NoteForm, _acknowledged,
            states=("requested",)),
        Act("book", _("The date is known"), _("Book"), forms.BookForm, _book, event="book"),
        Act("attend", _("Attended?"), _("Record"), forms.AttendForm, _attend, states=("booked",)),
        Act("report", _("Enter the report"), _("Record the report"), reports.ReportForm, _report, event="report"),
        Act("histology", _("Enter the histology"), _("Record the histology"), reports.HistologyForm, _histology,
            event="histology"),
        Act("amend", _("Pathology corrected its report"), _("Record the correction"), reports.AmendForm, _amend,
            states=("histology_due", "to_classify", "repeat_planned", "closed")),
        Act("sign", _("Decide the next step"), _("Sign and close"), reports.SignForm, _sign,
            states=("to_classify", "repeat_planned"), clinician=True),
        Act("repeat", _("Plan another examination"), _("Plan it"), forms.RepeatForm, _repeat, event="repeat",
            clinician=True),
        Act("after", _("Call after the examination"), _("Record the call"), after.AfterCallForm, _after, states=EXAMINED),
        Act("event", _("An adverse event"), _("Record the event"), after.EventForm, _event, states=EXAMINED),
        Act("judge", _("The committee on an adverse event"), _("Record the judgement"), after.JudgeForm, _judge,
            states=EXAMINED, clinician=True),
        Act("chase", _("Asked again"), _("Record that you asked"), forms.ChaseForm, _chase, states=WAITING),
        Act("resume", _("The wait is over"), _("Call the person next"), forms.NoteForm, _resume, event="resume"),
        Act("think", _("The person is thinking about it"), _("Record"), forms.ThinkForm, _think, event="undecided"),
        Act("pause", _("Pause"), _("Pause until then"), forms.PauseForm, _pause, event="pause"),
        Act("elsewhere", _("Examined elsewhere, report awaited"), _("Record"), forms.ElsewhereForm, _elsewhere,
            event="elsewhere"),
        Act("date", _("Choose another next date"), _("Change the date"), forms.DateForm, _date, event="reschedule"),
        Act("hand-over", _("Hand over"), _("Hand over"), forms.HandOverForm, _hand_over, event="claim"),
        Act("hand-back", _("Hand back for everybody"), _("Hand back"), forms.NoteForm, _hand_back, event="claim"),
        Act("propose", _("Propose to close: could not be reached"), _("Propose"), forms.NoteForm, _propose,
            states=("to_reach", "undecided", "paused_until", "to_assess", "to_book"), grave=True),
        Act("agree", _("Agree: could not be reached"), _("Agree and close"), forms.NoteForm, _agree, event="close",
            grave=True),
        Act("close", _("Close for another reason"), _("Close the referral"), forms.CloseForm, _close, event="close",
            grave=True),
        Act("reopen", _("Open again"), _("Open again"), forms.ReasonForm, _reopen, event="reopen"),
    )
}  # fmt: skip
"""Slug → act, in the order in which the page offers them."""

NOW: dict[str, tuple[str, ...]] = {
    "to_reach": ("attempt", "talk"),
    "undecided": ("talk", "attempt"),
    "paused_until": ("talk", "resume"),
    "to_assess": ("assess",),
    "to_book": ("request", "book"),
    "requested": ("book", "acknowledged", "chase"),
    "booked": ("attend",),
    "report_due": ("report", "chase"),
    "histology_due": ("histology", "chase"),
    "to_classify": ("sign", "repeat"),
    "elsewhere": ("report", "chase", "resume"),
    "repeat_planned": ("request", "book"),
    "closed": ("reopen",),
}
"""State → what is needed now; everything else that fits stands under "something else"."""


def acts_now(state: str, user: User, *, proposed_by: User | None, blocks: Sequence[Block] = ()) -> list[Act]:
    """The acts that stand open on the page; a colleague's proposal to close comes first, then what blocks booking."""
    slugs = ("agree", *NOW[state]) if _may_agree(user, proposed_by) else NOW[state]
    if blocks:
        settles = "recheck" if all(one.brief for one in blocks) else "assess"
        slugs = (settles, *(slug for slug in slugs if slug not in {"request", "book"}))
    return [ACTS[slug] for slug in slugs if ACTS[slug].may(user)]


def acts_else(
    referral: Referral, user: User, *, proposed_by: User | None, blocks: Sequence[Block] = ()
) -> list[Act]:
    """The acts behind "something else"."""
    now = acts_now(referral.state, user, proposed_by=proposed_by, blocks=blocks)
    hidden = {"claim", "agree", *NOW[referral.state], *(act.slug for act in now)}
    if referral.owner_id is None:
        hidden.add("hand-back")
    hidden |= _without_subject(referral)
    if proposed_by is not None:
        hidden.add("propose")
    return [
        act for act in ACTS.values() if act.slug not in hidden and act.fits(referral.state) and act.may(user)
    ]


def _without_subject(referral: Referral) -> set[str]:
    """Acts about something that this referral does not have: no histology, no examination, no event."""
    if not referral.examinations.exists():
        return {"amend", "after", "event", "judge"}
    hidden = set()
    if not Histology.objects.filter(lesion__examination__referral=referral).exists():
        hidden.add("amend")
    if not AdverseEvent.objects.filter(examination__referral=referral).exists():
        hidden.add("judge")
    return hidden


def _may_agree(user: User, proposed_by: User | None) -> bool:
    return proposed_by is not None and proposed_by.pk != user.pk
