"""The story of a referral in plain sentences, newest first, and its two clocks; reads only what it is given."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING

from django.utils.formats import date_format
from django.utils.translation import get_language_info, ngettext
from django.utils.translation import gettext_lazy as _

from results.models import ContactAttempt, Examination, ReferralMove
from results.referral_clocks import Moved, person_chosen_days
from results.states import REFERRAL_CLOSE_REASONS
from staff import clock
from staff.roles import Pool

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

EVENT_WORDS: dict[str, "StrOrPromise"] = {
    "open": _("Opened: a result at or above the cutoff was released."),
    "attempt": _("Tried to reach the person."),
    "reached": _("Wants to go on with the examination."),
    "undecided": _("Wants to think about it."),
    "pause": _("Paused."),
    "resume": _("The wait goes on."),
    "assessed": _("Assessed."),
    "request": _("Asked the site for a date:"),
    "book": _("Booked:"),
    "unbook": _("The booking was cancelled."),
    "examined": _("Attended the examination."),
    "attendance_undone": _("That answer was wrong; the booking stands again."),
    "report": _("The report is in."),
    "report_specimen": _("The report is in; specimens went to pathology."),
    "histology": _("The histology is in."),
    "elsewhere": _("Is examined elsewhere:"),
    "repeat": _("Another examination is planned."),
    "close": _("Closed:"),
    "reopen": _("Opened again."),
    "claim": _("Changed hands."),
    "reschedule": _("The next date was changed."),
}
REASON_WORDS: dict[tuple[str, str], "StrOrPromise"] = {
    ("undecided", "declines"): _("Does not want the examination; a clinician talks with the person next."),
    ("attempt", "declines"): _("Does not want the examination; a clinician talks with the person next."),
    ("attempt", "think"): _("Still thinking about it."),
    ("reschedule", "go_on"): _("Wants to go on."),
    ("attempt", "call_back"): _("Asked to be called back."),
    ("reschedule", "call_back"): _("Asked to be called back."),
    ("pause", "unfit"): _("Unfit for now."),
    ("pause", "own_wish"): _("Paused at the person's wish."),
    ("unbook", "missed"): _("Did not attend."),
    ("unbook", "missed_again"): _("Did not attend, for the second time or more; a clinician calls next."),
    ("unbook", "cancelled_person"): _("The person cancelled the booking."),
    ("unbook", "cancelled_site"): _("The site cancelled the booking."),
    ("unbook", "list_cancelled"): _("The list was cancelled; a new day is needed."),
    ("unbook", "unit_closed"): _("The unit is closed on that day; a new day is needed."),
    ("unbook", "not_confirmed"): _("Nobody could confirm the day; the place was given back."),
    ("reschedule", "acknowledged"): _("The unit has the request; a date is awaited."),
    ("reschedule", "confirmed"): _("Confirmed the day."),
    ("reschedule", "place_held"): _("A place is held:"),
    ("reschedule", "place_let_go"): _("The held place was let go."),
    ("reschedule", "place_lapsed"): _("The held place lapsed."),
    ("reschedule", "unit_closed"): _("The unit that was asked for a date is closed; ask another one."),
    ("reschedule", "earlier_amended"): _("Pathology corrected the report of an earlier referral:"),
    ("reclassify", "guideline_changed"): _("The guideline changed: the next step was decided anew."),
    ("reclassify", "pathology_amended"): _(
        "Pathology corrected its report; the next step is to be decided anew."
    ),
    ("open", "surveillance"): _("Opened: the planned surveillance examination falls due."),
    ("book", "past_promise"): _("Booked, past the promise:"),
    ("assessed", "fit"): _("Assessed: fit for colonoscopy."),
    ("assessed", "conditions"): _("Assessed: fit with conditions."),
    ("assessed", "alternative"): _("Assessed: another test (CT colonography)."),
    ("repeat", "incomplete"): _("Nothing can be concluded; another examination follows."),
    ("reschedule", "signed"): _("The next step was signed:"),
    ("reschedule", "close_proposed"): _(
        "Proposed to close: could not be reached. A second person must agree."
    ),
    ("reschedule", "chased"): _("Asked for the answer again."),
    ("resume", "chased"): _("No report came from elsewhere; our examination is offered again."),
    ("reschedule", "assessed_again"): _("Assessed again."),
    ("reschedule", "rechecked"): _("Asked again before booking: nothing has changed."),
    ("reschedule", "doctor"): _("Assessed: needs a doctor's decision."),
    ("reschedule", "unfit"): _("Assessed: unfit for good; a clinician decides."),
    ("reschedule", "declines"): _("Does not want the examination; a clinician talks with the person next."),
}
ICONS = {
    "open": "warn", "reached": "phone", "attempt": "phone", "book": "calendar", "request": "calendar", "close": "ok",
    "reopen": "again", "claim": "person", "reschedule": "clock", "unbook": "warn", "attendance_undone": "again", "pause": "waiting",
    "undecided": "waiting", "elsewhere": "waiting", "repeat": "again", "histology": "bench", "report": "bench",
    "report_specimen": "bench",
}  # fmt: skip


@dataclass(frozen=True)
class StoryEvent:
    """One entry of the story, as the timeline component shows it."""

    when: str
    sentence: str
    who: str
    reason: str = ""
    icon: str = "quiet"
    seq: int = 0


def said(day: date | datetime) -> str:
    """A date, or a moment with its time, as people read it here."""
    if isinstance(day, datetime):
        return date_format(day.astimezone(clock.zone()), "j M Y, H:i")
    return date_format(day, "j M Y")


def story(
    moves: Iterable[ReferralMove], attempts: Iterable[ContactAttempt], examinations: Sequence[Examination]
) -> list[StoryEvent]:  # fmt: skip
    """Moves and attempts in plain sentences, newest first."""
    by_moment: dict[datetime, list[ContactAttempt]] = defaultdict(list)
    for made in sorted(attempts, key=lambda one: one.pk):
        by_moment[made.made_at].append(made)
    reports = sorted(examinations, key=lambda one: one.pk)
    events = []
    for move in sorted(moves, key=lambda one: one.seq):
        tried = by_moment[move.occurred_at] if move.rule in _CONTACT_RULES else []
        attempt = tried.pop(0) if tried else None
        report = reports.pop(0) if move.event in {"report", "report_specimen"} and reports else None
        events.append(_event(move, attempt, report))
    return events[::-1]


_CONTACT_RULES = frozenset(
    {
        "ladder",
        "call_back",
        "undecided",
        "declines",
        "assess",
        "book",
        "booked",
        "request",
        "report",
        "histology",
        "elsewhere",
    }
)


def _event(move: ReferralMove, attempt: ContactAttempt | None, report: Examination | None) -> StoryEvent:
    sentence = move_sentence(move)
    details = [] if _note_in_sentence(move) else [move.note]
    icon = ICONS.get(move.event, "quiet")
    if attempt is not None:
        tried = f"{attempt.get_channel_display()}: {attempt.get_outcome_display()}.".capitalize()
        plain = move.event in {"attempt", "reschedule"} and (move.event, move.reason) not in REASON_WORDS
        sentence = tried if plain else f"{tried} {sentence}"
        details.append(attempt.note)
        icon = "phone" if attempt.channel == "phone" else "letter"
    if report is not None:
        details.append(report_words(report))
    if move.due_on and move.event != "claim":
        at = f", {move.due_time:%H:%M}" if move.due_time else ""
        details.append(str(_("Next date: %(day)s.") % {"day": said(move.due_on) + at}))
    return StoryEvent(
        when=said(move.occurred_at), sentence=sentence, who=move.actor.full_name,
        reason=" ".join(_closed(part) for part in details if part.strip()), icon=icon, seq=move.seq,
    )  # fmt: skip


def _closed(words: str) -> str:
    """The words with a full stop, so that sentences can follow each other."""
    words = words.strip()
    return words if words[-1] in ".!?…" else f"{words}."


_NOTE_IN_SENTENCE = frozenset({"request", "book", "elsewhere"})


def _note_in_sentence(move: ReferralMove) -> bool:
    """Whether the note ends the sentence, rather than standing below it."""
    return move.event in _NOTE_IN_SENTENCE or move.reason in {"signed", "place_held", "earlier_amended"}


def move_sentence(move: ReferralMove) -> str:
    """One move in words, without its date."""
    words = str(REASON_WORDS.get((move.event, move.reason), EVENT_WORDS.get(move.event, move.event)))
    if move.event == "claim":
        if move.owner is not None:
            return str(_("%(who)s holds the referral now.") % {"who": move.owner.full_name})
        return str(_("Handed to: %(pool)s.") % {"pool": Pool(move.pool).label if move.pool else ""})
    if move.event == "close":
        return f"{words} {REFERRAL_CLOSE_REASONS.get(move.reason, move.reason)}."
    if _note_in_sentence(move):
        return f"{words} {_closed(move.note)}" if move.note.strip() else words
    return words


def report_words(report: Examination) -> str:
    """An examination report in one sentence."""
    parts = [
        f"{report.get_kind_display().capitalize()}, {said(report.day)}:",
        str(_("complete") if report.complete else _("incomplete")) + ",",
        str(_("preparation adequate") if report.prep_adequate else _("preparation not adequate")) + ";",
        f"{report.get_finding_display()};",
        ngettext("%(n)s specimen", "%(n)s specimens", report.specimens) % {"n": report.specimens} + ";",
        str(_("report %(document)s.") % {"document": report.report_document}),
    ]
    return " ".join(parts)


def paused_days(moves: Iterable[ReferralMove], *, until: date) -> int:
    """Days the person chose to wait; the service clock leaves them out, the wait itself does not."""
    ordered = sorted(moves, key=lambda one: one.seq)
    return person_chosen_days([moved(one) for one in ordered], until=until)


def moved(move: ReferralMove) -> Moved:
    """A move as the clocks read it."""
    return Moved(clock.local_day(move.occurred_at), move.event, move.reason, move.to_state)


def language_name(code: str) -> str:
    """A language in words, or its code when we know no words."""
    try:
        return str(get_language_info(code)["name_translated"])
    except KeyError:
        return code
