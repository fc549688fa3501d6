"""Sixty people invited in March 2026, each with a course; the letters are those of the counting in the golden test."""

from collections.abc import Callable, Sequence
from datetime import date, timedelta

from results.models import (
    AdverseEvent,
    Assessment,
    ContactAttempt,
    EventJudgement,
    Examination,
    Histology,
    LesionRow,
    Referral,
    Result,
)
from results.services.cancers import cancer_report
from screening.models import Kit, Person, Return, Round
from staff import clock
from staff.acting import acting
from staff.ledger.moves import make_move
from tests import cast, factories
from tests.oversight import worked

SENT = date(2026, 3, 2)
Seen = tuple[str, str, int | None, str, str, int]
"""A lesion: what it looks like, how it was removed, its pot, its tissue (or none), dysplasia, days until the histology."""
LARGE: Seen = ("adenoma", "en_bloc", 1, "tubular", "high", 14)
LOST: Seen = ("other", "piecemeal", None, "", "", 0)
SMALL: Seen = ("adenoma", "en_bloc", 1, "hyperplastic", "none", 15)
TUMOUR: Seen = ("cancer", "biopsy", 1, "carcinoma", "high", 3)
HARMLESS: Seen = ("other", "en_bloc", 1, "", "", 0)


def day(n: int) -> date:
    """The n-th day after the kit was handed to the post."""
    return SENT + timedelta(days=n)


def took_part(back: int = 10, result: int = 12, **who: object) -> Round:
    """Kit back and result below on these days."""
    round_ = worked.invited(SENT, **who)  # type: ignore[arg-type]
    worked.released(worked.came_back(round_, day(back)), day(result))
    return round_


def closed(reason: str) -> Round:
    """Never answered; the round closes for a reason."""
    round_ = worked.invited(SENT)
    worked.closed(round_, day(91 if reason == "not_returned" else 9), reason)
    return round_


def cancer(person: Person, on: int, stage: str, treated: int) -> None:
    """A cancer, diagnosed so many days after the first post and treated so many days later, is reported in November 2027."""
    with clock.at(clock.moment(date(2027, 11, 1), 10)):
        cancer_report(
            by=cast.member(cast.NURSE), person=person, diagnosed_on=day(on), stage=stage, treatment_on=day(on + treated),
            source="cancer registry", document="CR-1",
        )  # fmt: skip


def late() -> None:
    """Closed for want of an answer on day 91; the kit comes on day 181."""
    round_ = worked.invited(SENT)
    worked.closed(round_, day(91), "not_returned")
    worked.released(worked.came_back(round_, day(181)), day(183))


def postponed(*, again: bool) -> None:
    """Postponed, and perhaps invited again on 20 March and taking part."""
    first = worked.invited(SENT)
    worked.closed(first, day(3), "postponed")
    if again:
        second = worked.invited(date(2026, 3, 20), person=first.person)
        worked.released(worked.came_back(second, date(2026, 3, 30)), date(2026, 4, 1))


def rejected(back: int) -> tuple[Round, Return]:
    """The kit comes back and cannot be used."""
    round_ = worked.invited(SENT)
    first = worked.came_back(round_, day(back))
    with clock.at(clock.moment(day(back), 11)), acting(factories.by_default()):
        make_move(first, "reject")
        make_move(round_, "unsuitable", due_on=day(back + 3), pool="office")
    return round_, first


def replaced(first: int, second: int, result: int) -> None:
    """The first kit is rejected, the replacement comes back and is measured."""
    round_, back = rejected(first)
    sent = day(first + 3)
    with clock.at(clock.moment(sent, 9)), acting(factories.by_default()):
        Kit.objects.filter(pk=back.kit_id).update(void_on=sent, void_reason="replaced")
        kit = factories.a_kit()
        Kit.objects.filter(pk=kit.pk).update(dispatched_on=sent)
        make_move(kit, "assign", round_id=round_.pk, ordinal=2)
        make_move(kit, "dispatch")
        make_move(round_, "kit_sent", due_on=sent + timedelta(days=90), pool="office")
    round_.refresh_from_db()
    worked.released(worked.came_back(round_, day(second)), day(result))


def scan_undone() -> None:
    """A kit was scanned by mistake and the scan was undone."""
    round_ = worked.invited(SENT)
    back = worked.came_back(round_, day(20))
    with clock.at(clock.moment(day(20), 11)), acting(factories.by_default()):
        make_move(back, "undo")
        make_move(back.kit, "return_undone")
        make_move(round_, "kit_back_undone", due_on=day(90), pool="office")


def withdrawn() -> None:
    """The result below was withdrawn; the sample is to be measured again."""
    round_ = took_part()
    result = Result.objects.get(round=round_)
    round_.refresh_from_db()
    with clock.at(clock.moment(day(20), 15)), acting(cast.member(cast.LABORATORY)):
        make_move(round_, "withdraw", due_on=day(25), pool="laboratory")
        make_move(result.sample, "withdraw", due_on=day(20), pool="laboratory")
        Result.objects.filter(pk=result.pk).update(is_current=False, is_deciding=False)


def before(*, again: bool) -> None:
    """Took part in 2024, and is invited again now."""
    earlier = date(2024, 3, 4)
    old = worked.invited(earlier)
    worked.released(worked.came_back(old, earlier + timedelta(days=10)), earlier + timedelta(days=12))
    now = worked.invited(SENT, person=old.person)
    if again:
        worked.released(worked.came_back(now, day(10)), day(12))
    else:
        worked.closed(now, day(91), "not_returned")


def high(
    *, spoken: int | None = None, assessed: int | None = None, examined: int | None = None, harm: tuple[str, int, str] | None = None,
    lesions: Sequence[Seen] = (), died: int | None = None, stage: str = "", treated: int = 0, **told: object,
) -> None:  # fmt: skip
    """At or above on day 12; spoken with, assessed and examined so many days after the result; harm and death after that."""
    result = worked.released(worked.came_back(worked.invited(SENT), day(10)), day(12), high=True)
    referral, nurse = result.referral_link.referral, cast.member(cast.NURSE)
    if spoken is not None:
        ContactAttempt.objects.create(
            referral=referral, outcome="spoke", made_at=clock.moment(day(12 + spoken), 10), made_on=day(12 + spoken),
            made_by=nurse,
        )  # fmt: skip
    if assessed is not None:
        Assessment.objects.create(
            referral=referral, outcome="doctor", made_on=day(12 + assessed), made_by=nurse
        )
    if examined is None:
        return
    seen = examination(referral, day(12 + examined), **told)
    for number, (looks, removal, pot, tissue, dysplasia, days) in enumerate(lesions, start=1):
        lesion = LesionRow.objects.create(
            examination=seen, number=number, segment="sigmoid", size_mm=8, shape="Is", looks=looks, removal=removal,
            retrieved=pot is not None, pot=pot,
        )  # fmt: skip
        if tissue:
            Histology.objects.create(
                lesion=lesion, tissue=tissue, dysplasia=dysplasia, document="P1", entered_by=nurse,
                reported_on=seen.day + timedelta(days=days),
            )  # fmt: skip
    if harm:
        harmed(seen, *harm)
    if died is not None:
        Person.objects.filter(pk=result.person_id).update(
            deceased_on=seen.day + timedelta(days=died), next_due_on=None
        )
    if stage:
        cancer(result.person, 12 + examined, stage, treated)


def examination(
    referral: Referral, on: date, *, finding: str = "nothing", complete: bool = True, minutes: int | None = None,
    comfort: str = "",
) -> Examination:  # fmt: skip
    """What its report says."""
    return Examination.objects.create(
        referral=referral, day=on, complete=complete, prep_adequate=True, finding=finding, report_document="R1",
        reported_on=on, withdrawal_minutes=minutes, comfort=comfort, entered_by=cast.member(cast.NURSE),
    )  # fmt: skip


def harmed(seen: Examination, kind: str, after: int, cause: str) -> None:
    """An adverse event that kept the person in hospital, so many days after an examination, and its judgement if there is one."""
    on, nurse = seen.day + timedelta(days=after), cast.member(cast.NURSE)
    event = AdverseEvent.objects.create(
        examination=seen, kind=kind, severity="admission", happened_on=on, source="ward", words="told by the ward",
        entered_on=on, entered_by=nurse,
    )  # fmt: skip
    if cause:
        EventJudgement.objects.create(event=event, cause=cause, words="read", judged_on=on, judged_by=nurse)


COURSES: list[tuple[str, int, Callable[[], object]]] = [
    ("A", 14, took_part),
    ("B", 3, lambda: took_part(20, 22, sex="male", age=55, area="NOR")),
    ("C", 2, lambda: took_part(90, 120)),
    ("D", 1, lambda: took_part(91, 95)),
    ("D2", 1, lambda: cancer(took_part(91, 95).person, 495, "I", 20)),
    ("E", 1, lambda: took_part(88, 121)),
    ("F", 1, lambda: took_part(180, 210)),
    ("G", 1, late),
    ("H", 1, lambda: closed("not_returned")),
    ("H2", 1, lambda: cancer(closed("not_returned").person, 300, "III", 5)),
    ("I", 1, lambda: closed("declined")),
    ("J", 2, lambda: worked.undelivered(worked.invited(SENT), day(5))),
    ("K", 1, lambda: closed("died")),
    ("L", 1, lambda: closed("excluded")),
    ("M", 1, lambda: closed("moved_away")),
    ("O", 1, lambda: closed("entered_in_error")),
    ("P", 2, lambda: postponed(again=True)),
    ("Q", 1, lambda: postponed(again=False)),
    ("R", 2, lambda: took_part(batch=False)),
    ("S", 1, lambda: rejected(30)),
    ("T", 1, lambda: replaced(30, 48, 50)),
    ("U", 1, lambda: replaced(10, 78, 80)),
    ("V", 1, lambda: worked.came_back(worked.invited(SENT), day(30))),
    ("W", 1, scan_undone),
    ("X", 1, withdrawn),
    (
        "Y1",
        1,
        lambda: high(
            spoken=2, assessed=10, examined=25, finding="cancer", lesions=[TUMOUR], stage="IV", treated=40
        ),
    ),
    (
        "Y2",
        2,
        lambda: high(spoken=5, assessed=17, examined=31, finding="advanced_adenoma", lesions=[LARGE, LOST]),
    ),
    (
        "Y3",
        1,
        lambda: high(spoken=7, assessed=14, examined=32, finding="non_advanced", lesions=[SMALL], minutes=20),
    ),
    ("Y4", 1, lambda: high(spoken=8, examined=90, minutes=6, comfort="mild", died=30)),
    ("Y5", 1, lambda: high(examined=91, finding="advanced_adenoma", died=31)),
    ("Y6", 1, lambda: high(examined=180, finding="inconclusive", complete=False)),
    ("Y7", 1, lambda: high(examined=181, finding="other")),
    ("Y8", 1, lambda: high(examined=366, minutes=9, comfort="none")),
    ("Y9", 1, high),
    ("Y10", 1, lambda: high(examined=20, harm=("bleeding", 30, ""), lesions=[HARMLESS])),
    ("Y11", 1, lambda: high(examined=20, harm=("bleeding", 31, ""))),
    ("Y12", 1, lambda: high(examined=20, harm=("perforation", 3, "unrelated"))),
    ("Z", 1, lambda: took_part(sex="unknown", age=None)),
    ("HS1", 1, lambda: before(again=True)),
    ("HS2", 1, lambda: before(again=False)),
]
"""Letter, how many people, and their course."""


def laid_down() -> None:
    """Play all sixty."""
    for _letter, n, course in COURSES:
        for _ in range(n):
            course()
