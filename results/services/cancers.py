"""Cancers reported from outside: entered with two identifiers and a source, classed from the person's whole history."""

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
    link_certain: bool = True, second_reader: User | None = None, words: str = "",
) -> CancerReport:  # fmt: skip
    """Enter a cancer that somebody else diagnosed; somebody with a settled bowel cancer is not invited or
    reminded any more, and a round that waits for the kit is closed.

    An uncertain link needs a second reader before it counts. RoundbookError for a day to come, a day before the birth,
    a missing source or document, or a second reader who is the same person.
    """
    require_role(by, *MAY)
    with acting(by) as frame:
        born = person.birth_date
        if diagnosed_on > frame.today or (born is not None and diagnosed_on < born):
            raise RoundbookError("day_does_not_fit", _("Check the day of the diagnosis."))
        if not source.strip() or not document.strip():
            raise RoundbookError("source_missing", _("Name who reported it, and the document."))
        if second_reader is not None and second_reader.pk == by.pk:
            raise RoundbookError("second_person", _("Another person has to read an uncertain report."))
        made = CancerReport.objects.create(
            person=person, diagnosed_on=diagnosed_on, origin=origin, stage=stage, source=source.strip()[:80],
            document=document.strip()[:80], link_certain=link_certain, second_reader=second_reader, words=words.strip(),
            entered_on=frame.today, entered_by=by,
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
    return cancer_class(
        history_of(report.person_id), diagnosed_on=report.diagnosed_on, settled=settled(report),
        from_bowel=report.origin == CancerReport.Origin.BOWEL,
    )  # fmt: skip


def history_of(person_id: int) -> History:
    """Tests, examinations, surveillance and referrals of a person, ended rounds of an earlier registry among the tests."""
    interval = policy_on(clock.today()).interval_months
    results = Result.objects.filter(person_id=person_id, is_current=True)
    tests = [
        PastTest(one.authorised_on, one.side == Side.AT_OR_ABOVE, add_months(one.authorised_on, interval))
        for one in results.only("authorised_on", "side")
    ]
    taken_over = Round.objects.filter(
        person_id=person_id, state="closed", close_reason="below", results__isnull=True
    ).values_list("closed_at", flat=True)
    tests += [
        PastTest(day, False, add_months(day, interval))
        for day in (clock.local_day(at) for at in taken_over if at is not None)
    ]
    looked = Examination.objects.filter(referral__person_id=person_id)
    planned = NextStep.objects.filter(referral__person_id=person_id, step="surveillance", on__isnull=False)
    return History(
        tests=tests,
        examinations=[
            Examined(one.day, one.complete and one.prep_adequate, one.finding == "cancer") for one in looked
        ],
        surveillance=[Planned(one.signed_on, one.on) for one in planned if one.on],
        open_referrals=[
            (one.opened_on, clock.local_day(one.closed_at) if one.closed_at else None)
            for one in Referral.objects.filter(person_id=person_id)
        ],
    )
