"""What the page of a referral shows, gathered once: person, clocks, results, story, why this date, what is needed."""

from dataclasses import dataclass
from datetime import date
from types import SimpleNamespace
from typing import Any

from django.urls import NoReverseMatch, reverse
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from results.assessment_rules import QUESTIONS, Block, booking_blocks, valid_until
from results.calendar_board import kept_on
from results.closing import since_last_talk
from results.follow_up_rules import WAIT_LOOK, DateRule, histology_wait, rule_words
from results.models import (
    Assessment,
    Booking,
    ClosingEvidence,
    FindingComputed,
    NextStep,
    Referral,
    ReferralMove,
    ReOffer,
    Result,
    ResultsPolicy,
    Segment,
    UnitCalendar,
)
from results.referral_clocks import promised_by
from results.referral_hands import FOLLOWERS, here_on
from results.referral_ladder import Wait, next_step, waited
from results.referral_story import StoryEvent, language_name, paused_days, report_words, said, story
from results.services.findings import LesionSeen, lesions_seen
from results.services.places import place_words, standing_places
from results.services.referrals_assessment import facts_of, latest_assessment
from results.services.referrals_closing import Proposal, closing_proposal
from results.services.referrals_contact import LADDER, ladder_attempts
from results.services.referrals_frame import closed_days_from, results_policy_on, wait_policy
from results.services.referrals_report import amended_since_signed
from results.states import REFERRAL, REFERRAL_CLOSE_REASONS
from results.views.referral_acts import Act, acts_else, acts_now
from screening.eligibility import age_on
from screening.models import Person
from screening.querysets import number_of
from screening.services.duplicates import look_alikes
from staff import clock
from staff.access import user_holds
from staff.models import User
from staff.roles import Pool

BEFORE_BOOKING = ("to_book", "requested", "repeat_planned")


@dataclass(frozen=True)
class AssessmentWords:
    """The latest assessment in words: what matters in it, and how long it holds."""

    matters: list[str]
    not_asked: int
    valid_until: date
    expired: bool


def assessment_words(made: Assessment, today: date) -> AssessmentWords:
    """What in an assessment matters to whoever books or examines."""
    given = {key: getattr(made, key) for key in QUESTIONS}
    holds = valid_until(made.made_on)
    return AssessmentWords(
        matters=[str(one.matters) for key, one in QUESTIONS.items() if given[key] is (not one.expected)],
        not_asked=sum(1 for answer in given.values() if answer is None),
        valid_until=holds,
        expired=today > holds,
    )


@dataclass(frozen=True, slots=True)
class Findings:
    """The lesions of a referral, where they lie along the bowel, and each class that was computed, newest first."""

    lesions: list[LesionSeen]
    strip: list[tuple[str, str]]
    computed: list[FindingComputed]


def findings_of(referral: Referral) -> Findings:
    """What was found so far."""
    seen = lesions_seen(referral)
    strip = [
        (str(segment.label), ", ".join(str(one.number) for one in seen if one.row.segment == segment))
        for segment in reversed(Segment)
    ]
    return Findings(seen, strip, list(referral.computed.order_by("-pk")) if seen else [])


@dataclass
class PageFacts:
    """Everything the template needs but the forms."""

    name: str
    age: int | None
    born: date | None
    number: str
    person_url: str
    phone: str
    sentence: str
    warnings: list[Any]
    need: str
    wait: Wait
    tone: str
    word: Any
    promise: int
    promised_by: date
    service_days: int
    paused: int
    results: list[Result]
    plan: NextStep | None
    amended: list[Referral]
    story: list[StoryEvent]
    why: Any
    overdue: str
    held_by: str
    mine: bool
    owner_away: bool
    advice: str
    proposal: Proposal | None
    may_agree: bool
    reports: list[str]
    histology: list[str]
    assessment: Assessment | None
    assessed: AssessmentWords | None
    blocks: list[Block]
    bookings: list[Booking]
    own_calendar: bool
    places: list[dict[str, Any]]
    findings: "Findings"
    steps: list[NextStep]
    evidence: list[ClosingEvidence]
    re_offers: list[ReOffer]
    close_words: Any
    acts_now: list[Act]
    acts_else: list[Act]


def page_facts(referral: Referral, user: User) -> PageFacts:
    """Gather the page's facts in a fixed number of queries."""
    today, person = clock.today(), referral.person
    policy = results_policy_on(today)
    moves = list(referral.moves.select_related("actor", "owner").order_by("seq"))
    attempts = list(referral.attempts.all())
    examinations = list(referral.examinations.order_by("day", "pk"))
    ended = clock.local_day(referral.closed_at) if referral.closed_at else today
    wait = waited(min(referral.opened_on, ended), ended, wait_policy(policy))
    tone, word = WAIT_LOOK[wait.level]
    paused = paused_days(moves, until=ended)
    proposal = closing_proposal(referral) if referral.state != "closed" else None
    proposer = proposal.by if proposal else None
    assessment = latest_assessment(referral)
    blocks = booking_blocks(facts_of(assessment), today=today) if referral.state in BEFORE_BOOKING else []
    return PageFacts(
        name=f"{person.given_names} {person.family_name}",
        age=age_on(person.birth_date, today) if person.birth_date else None,
        born=person.birth_date if user_holds(user, FOLLOWERS) else None,
        number=number_of(person),
        person_url=person_url(person.pk),
        phone=person.phone,
        sentence=_sentence(referral, declines=bool(moves) and moves[-1].rule == DateRule.DECLINES),
        warnings=_warnings(referral),
        need=REFERRAL.label(referral.state),
        wait=wait,
        tone="quiet" if referral.state == "closed" else tone,
        word=_("closed") if referral.state == "closed" else word,
        promise=policy.examination_days,
        promised_by=promised_by(referral.opened_on, policy.examination_days),
        service_days=wait.days - paused,
        paused=paused,
        results=_results(referral),
        plan=_plan(referral),
        amended=list(amended_since_signed(referral.person_id)) if referral.state != "closed" else [],
        story=story(moves, attempts, examinations),
        why=_why(moves, policy),
        overdue=overdue_words(referral, today),
        held_by=_held_by(referral),
        mine=referral.owner_id == user.pk,
        owner_away=referral.owner_id is not None and not here_on(today).filter(pk=referral.owner_id).exists(),
        advice=_advice(referral, attempts, moves, today),
        proposal=proposal,
        may_agree=proposal is not None and proposal.by.pk != user.pk,
        reports=[report_words(one) for one in reversed(examinations)],
        histology=[move.note for move in reversed(moves) if move.event == "histology"],
        assessment=assessment,
        assessed=assessment_words(assessment, today) if assessment else None,
        blocks=blocks,
        bookings=list(referral.bookings.select_related("site").order_by("-day", "-pk")),
        own_calendar=not blocks and referral.state in BEFORE_BOOKING and we_book(policy, today),
        places=held_places(referral),
        findings=findings_of(referral),
        steps=list(referral.next_steps.select_related("signed_by").order_by("-pk")),
        evidence=_evidence(referral),
        re_offers=_re_offers(referral),
        close_words=REFERRAL_CLOSE_REASONS.get(referral.close_reason, ""),
        acts_now=acts_now(referral.state, user, proposed_by=proposer, blocks=blocks),
        acts_else=acts_else(referral, user, proposed_by=proposer, blocks=blocks),
    )


def we_book(policy: ResultsPolicy, today: date) -> bool:
    """Whether places are found here: the protocol says that we book, and we keep some unit's calendar (R17)."""
    return policy.who_books == "us" and UnitCalendar.objects.filter(kept_on(today)).exists()


def held_places(referral: Referral) -> list[dict[str, Any]]:
    """What is held for this person on our lists."""
    if referral.state not in BEFORE_BOOKING:
        return []
    found = standing_places(referral)
    return [place_words(one) for one in found if one.status == one.Status.HELD]


def person_strip(person: Person, today: date) -> dict[str, Any]:
    """Who a page is about, as the strip shows it."""
    return {
        "name": f"{person.given_names} {person.family_name}",
        "age": age_on(person.birth_date, today) if person.birth_date else None,
        "number": number_of(person),
        "url": person_url(person.pk),
    }


def person_url(pk: int) -> str:
    """The address of the person's story, where that page exists."""
    try:
        return reverse("screening:person", args=[pk])
    except NoReverseMatch:
        return ""


def _re_offers(referral: Referral) -> list[ReOffer]:
    found = referral.re_offers.exclude(answer=ReOffer.Answer.SETTLED).select_related("owner")
    return list(found.order_by("due_on", "pk")) if referral.state == "closed" else []


def _evidence(referral: Referral) -> list[ClosingEvidence]:
    return list(referral.evidence.select_related("clinician", "second_person", "closed_by").order_by("-pk"))


def _results(referral: Referral) -> list[Result]:
    found = Result.objects.filter(referral_link__referral=referral).select_related("sample", "authorised_by")
    return list(found.order_by("-authorised_at"))


def _plan(referral: Referral) -> NextStep | None:
    found = NextStep.objects.select_related("signed_by")
    return found.get(pk=referral.plan_id) if referral.plan_id else None


def _why(moves: list[ReferralMove], policy: ResultsPolicy) -> Any:
    return rule_words(moves[-1].rule, policy.report_days, policy.histology_working_days) if moves else ""


def overdue_words(referral: Referral, today: date) -> str:
    """How long ago the next date was, in words; nothing when it lies ahead or is today."""
    days = clock.days_between(referral.due_on, today) if referral.due_on else 0
    return ngettext("%(n)s day overdue", "%(n)s days overdue", days) % {"n": days} if days > 0 else ""


def _sentence(referral: Referral, *, declines: bool) -> str:
    if referral.state == "closed":
        words = REFERRAL_CLOSE_REASONS.get(referral.close_reason, referral.close_reason)
        return _("Closed: %(reason)s.") % {"reason": words}
    if declines:
        return _("Does not want the examination. A clinician talks with the person next.")
    return _("Needs next: %(need)s.") % {"need": REFERRAL.label(referral.state)}


def _warnings(referral: Referral) -> list[Any]:
    person, found = referral.person, []
    if person.deceased_on:
        found.append(
            SimpleNamespace(
                tone="stop", word=_("The register says: died on %(day)s") % {"day": said(person.deceased_on)}
            )
        )
    for other in look_alikes(person):
        words = {"name": str(other), "day": said(other.birth_date) if other.birth_date else "–"}
        found.append(SimpleNamespace(tone="warn", word=_("Look-alike: %(name)s, born %(day)s") % words))
    if referral.state == "histology_due":
        looked = histology_wait(referral.days_in_state(clock.today()))
        found += [SimpleNamespace(tone=looked[0], word=looked[1])] if looked else []
    if person.left_area_on:
        found.append(
            SimpleNamespace(
                tone="warn", word=_("Left the area on %(day)s") % {"day": said(person.left_area_on)}
            )
        )
    if person.hidden_address:
        found.append(SimpleNamespace(tone="warn", word=_("Hidden address: tell nobody")))
    if person.language and not person.language.startswith("en"):
        found.append(
            SimpleNamespace(
                tone="note", word=_("Language: %(name)s") % {"name": language_name(person.language)}
            )
        )
    return found


def _held_by(referral: Referral) -> str:
    if referral.owner is not None:
        return referral.owner.full_name
    return str(Pool(referral.pool).label) if referral.pool else ""


def _advice(referral: Referral, attempts: list[Any], moves: list[ReferralMove], today: date) -> str:
    """What the contact ladder asks for next, in words."""
    if referral.state not in {"to_reach", "undecided"}:
        return ""
    made = ladder_attempts(attempts)
    talks = [one.on for one in made if one.reached]
    opened = [clock.local_day(m.occurred_at) for m in moves if m.event in {"open", "reopen"}]
    begun = max(talks) if talks else max([referral.opened_on, *opened[-1:]])
    step = next_step(since_last_talk(made), begun, LADDER, closed_days_from(begun))
    if step is None:
        return ""
    words = str(step.step.words)
    return words + (" " + _("This time in the evening.") if step.evening else "")
