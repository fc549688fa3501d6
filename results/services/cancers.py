"""Cancers reported from outside: entered with two identifiers and a source, classed from the person's whole history."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from django.utils.translation import gettext_lazy as _

from results.cancers import CancerClass, Examined, History, PastTest, Planned, cancer_class
from results.models import CancerReport, Examination, NextStep, Referral, Result, Side
from screening.models import Exclusion, ExclusionKind, Person, Round
from screening.months import add_months
from screening.services.due import due_dates_refresh
from screening.services.policies import policy_on
from screening.services.rounds import rounds_close
from staff import clock
from staff.access import require_role
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User
from staff.roles import Role

MAY = (Role.COORDINATOR, Role.CLINICIAN)


def cancer_report(
    *, by: User, person: Person, diagnosed_on: date, source: str, document: str, origin: str = "bowel", stage: str = "",
    link_certain: bool = True, second_reader: User | None = None, treatment_on: date | None = None, words: str = "",
) -> CancerReport:  # fmt: skip
    """Enter a cancer that somebody else diagnosed; somebody with a settled bowel cancer is not invited or
    reminded any more, and a round that waits for the kit is closed.

    An uncertain link needs a second reader before it counts; the last report of a person is the one that counts, so a
    treatment that began later is reported again. RoundbookError for a day to come, a day before the birth, a treatment
    before the diagnosis, a missing source or document, or a second reader who is the same person.
    """
    require_role(by, *MAY)
    with acting(by) as frame:
        born = person.birth_date
        if diagnosed_on > frame.today or (born is not None and diagnosed_on < born):
            raise RoundbookError("day_does_not_fit", _("Check the day of the diagnosis."))
        if treatment_on is not None and not diagnosed_on <= treatment_on <= frame.today:
            raise RoundbookError(
                "treatment_does_not_fit",
                _("Treatment begins on or after the day of diagnosis, not in the future."),
            )
        if not source.strip() or not document.strip():
            raise RoundbookError("source_missing", _("Name who reported it, and the document."))
        if second_reader is not None and second_reader.pk == by.pk:
            raise RoundbookError("second_person", _("Another person has to read an uncertain report."))
        made = CancerReport.objects.create(
            person=person, diagnosed_on=diagnosed_on, origin=origin, stage=stage, source=source.strip()[:80],
            document=document.strip()[:80], link_certain=link_certain, second_reader=second_reader,
            treatment_on=treatment_on, words=words.strip(), entered_on=frame.today, entered_by=by,
        )  # fmt: skip
        if origin == CancerReport.Origin.BOWEL and settled(made):
            _leave_out(person, diagnosed_on, document)
            waiting = Round.objects.filter(person=person, state__in=["kit_due", "kit_out"])
            rounds_close(by=by, round_ids=list(waiting.values_list("pk", flat=True)), reason="excluded")
            due_dates_refresh(by=by, person_ids=[person.pk])
    return made


def settled(report: CancerReport) -> bool:
    """Whether it is certainly this person's cancer, or a second reader has said so."""
    return report.link_certain or report.second_reader_id is not None


def _leave_out(person: Person, since: date, note: str) -> None:
    kind = ExclusionKind.CANCER_CARE
    if not Exclusion.objects.filter(person=person, kind=kind, until__isnull=True).exists():
        Exclusion.objects.create(person=person, kind=kind, since=since, confirmed=True, note=note)


def class_of(report: CancerReport) -> CancerClass:
    """What the cancer was, by everything known now."""
    return _classed(report, histories_of([report.person_id])[report.person_id])


def _classed(report: CancerReport, history: History) -> CancerClass:
    return cancer_class(
        history, diagnosed_on=report.diagnosed_on, settled=settled(report),
        from_bowel=report.origin == CancerReport.Origin.BOWEL,
    )  # fmt: skip


def classes_of(reports: Sequence[CancerReport]) -> Mapping[int, CancerClass]:
    """The class of each report by its id; so many statements however many reports."""
    histories = histories_of([one.person_id for one in reports])
    return {one.pk: _classed(one, histories[one.person_id]) for one in reports}


@dataclass(frozen=True, slots=True)
class Diagnosed:
    """A person's cancer as last reported: its class, and the day of the last test before it, if there was one."""

    report: CancerReport
    kind: CancerClass
    tested_on: date | None


def cancers_diagnosed(since: date, until: date) -> Sequence[Diagnosed]:
    """The cancers diagnosed in these days, one a person: the last report of each person counts."""
    last = CancerReport.objects.order_by("person_id", "-pk").distinct("person_id").values("pk")
    reports = list(
        CancerReport.objects.filter(pk__in=last, diagnosed_on__range=(since, until)).select_related("person")
    )
    histories = histories_of([one.person_id for one in reports])
    return [
        Diagnosed(
            one,
            _classed(one, histories[one.person_id]),
            max((t.on for t in histories[one.person_id].tests if t.on <= one.diagnosed_on), default=None),
        )
        for one in reports
    ]


def histories_of(people: Sequence[int]) -> Mapping[int, History]:
    """Tests, examinations, surveillance and referrals of each person, ended rounds of an earlier registry among the tests."""
    wanted, interval = sorted(set(people)), policy_on(clock.today()).interval_months
    tests: dict[int, list[PastTest]] = {pk: [] for pk in wanted}
    looks: dict[int, list[Examined]] = {pk: [] for pk in wanted}
    plans: dict[int, list[Planned]] = {pk: [] for pk in wanted}
    spans: dict[int, list[tuple[date, date | None]]] = {pk: [] for pk in wanted}
    results = Result.objects.filter(person_id__in=wanted, is_current=True)
    for pk, day, side in results.values_list("person_id", "authorised_on", "side"):
        tests[pk].append(PastTest(day, side == Side.AT_OR_ABOVE, add_months(day, interval)))
    taken_over = Round.objects.filter(
        person_id__in=wanted,
        state="closed",
        close_reason="below",
        results__isnull=True,
        closed_at__isnull=False,
    )
    for pk, at in taken_over.values_list("person_id", "closed_at"):
        if at is not None:
            day = clock.local_day(at)
            tests[pk].append(PastTest(day, False, add_months(day, interval)))
    for look in Examination.objects.filter(referral__person_id__in=wanted).select_related("referral"):
        conclusive = look.complete and look.prep_adequate
        looks[look.referral.person_id].append(Examined(look.day, conclusive, look.finding == "cancer"))
    planned = NextStep.objects.filter(referral__person_id__in=wanted, step="surveillance")
    for pk, signed_on, on in planned.values_list("referral__person_id", "signed_on", "on"):
        if on is not None:
            plans[pk].append(Planned(signed_on, on))
    for one in Referral.objects.filter(person_id__in=wanted):
        spans[one.person_id].append(
            (one.opened_on, clock.local_day(one.closed_at) if one.closed_at else None)
        )
    return {pk: History(tests[pk], looks[pk], plans[pk], spans[pk]) for pk in wanted}
