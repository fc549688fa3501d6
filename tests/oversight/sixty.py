"""Sixty people invited in March 2026, each with a course; the letters are those of the counting in the golden test."""

from collections.abc import Callable
from datetime import date, timedelta

from results.models import AdverseEvent, ContactAttempt, EventJudgement, Examination, Result
from screening.models import Kit, Return, Round
from staff import clock
from staff.acting import acting
from staff.ledger.moves import make_move
from tests import cast, factories
from tests.oversight import worked

SENT = date(2026, 3, 2)


def day(n: int) -> date:
    """The n-th day after the kit was handed to the post."""
    return SENT + timedelta(days=n)


def took_part(back: int = 10, result: int = 12, **who: object) -> Round:
    """Kit back and result below on these days."""
    round_ = worked.invited(SENT, **who)  # type: ignore[arg-type]
    worked.released(worked.came_back(round_, day(back)), day(result))
    return round_


def closed(reason: str) -> None:
    """Never answered; the round closes for a reason."""
    worked.closed(worked.invited(SENT), day(91 if reason == "not_returned" else 9), reason)


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
    *, spoken: int | None = None, examined: int | None = None, finding: str = "nothing", complete: bool = True,
    harm: tuple[str, int, str] | None = None,
) -> None:  # fmt: skip
    """At or above on day 12; spoken with and examined so many days after the result; harm so many days after that."""
    back = worked.came_back(worked.invited(SENT), day(10))
    result = worked.released(back, day(12), high=True)
    referral, nurse = result.referral_link.referral, cast.member(cast.NURSE)
    if spoken is not None:
        ContactAttempt.objects.create(
            referral=referral, outcome="spoke", made_at=clock.moment(day(12 + spoken), 10), made_on=day(12 + spoken),
            made_by=nurse,
        )  # fmt: skip
    if examined is None:
        return
    seen = Examination.objects.create(
        referral=referral, day=day(12 + examined), complete=complete, prep_adequate=True, finding=finding,
        report_document="R1", reported_on=day(12 + examined), entered_by=nurse,
    )  # fmt: skip
    if harm:
        kind, after, cause = harm
        on = day(12 + examined + after)
        event = AdverseEvent.objects.create(
            examination=seen, kind=kind, severity="admission", happened_on=on, source="ward", words="told by the ward",
            entered_on=on, entered_by=nurse,
        )  # fmt: skip
        if cause:
            EventJudgement.objects.create(
                event=event, cause=cause, words="read", judged_on=on, judged_by=nurse
            )


COURSES: list[tuple[str, int, Callable[[], object]]] = [
    ("A", 14, took_part),
    ("B", 3, lambda: took_part(20, 22, sex="male", age=55, area="NOR")),
    ("C", 2, lambda: took_part(90, 120)),
    ("D", 2, lambda: took_part(91, 95)),
    ("E", 1, lambda: took_part(88, 121)),
    ("F", 1, lambda: took_part(180, 210)),
    ("G", 1, late),
    ("H", 2, lambda: closed("not_returned")),
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
    ("Y1", 1, lambda: high(spoken=2, examined=25, finding="cancer")),
    ("Y2", 2, lambda: high(spoken=5, examined=31, finding="advanced_adenoma")),
    ("Y3", 1, lambda: high(spoken=7, examined=32, finding="non_advanced")),
    ("Y4", 1, lambda: high(spoken=8, examined=90)),
    ("Y5", 1, lambda: high(examined=91, finding="advanced_adenoma")),
    ("Y6", 1, lambda: high(examined=180, finding="inconclusive", complete=False)),
    ("Y7", 1, lambda: high(examined=181, finding="other")),
    ("Y8", 1, lambda: high(examined=366)),
    ("Y9", 1, high),
    ("Y10", 1, lambda: high(examined=20, harm=("bleeding", 30, ""))),
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
