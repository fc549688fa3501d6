"""Random things that happen to a few people, through the ledgers; what a state does not allow is left alone."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date, timedelta
from itertools import count

from django.db import transaction

from results.models import AdverseEvent, ContactAttempt, EventJudgement, Examination, ReferralResult, Result
from screening.models import Return, Round
from staff import clock
from staff.acting import acting
from staff.errors import RoundbookError
from staff.ledger.moves import make_move
from tests import cast, factories
from tests.oversight import worked

START = date(2026, 1, 5)


class World:
    """A few people and what has happened to them so far; the day only moves on."""

    def __init__(self) -> None:
        self.rounds: dict[int, list[Round]] = {}
        self.day = START
        self.numbers = count()

    def happen(self, name: str, who: int, days: int) -> None:
        """Let one thing happen, or nothing where it may not."""
        self.day += timedelta(days=days % 12)
        try:
            with transaction.atomic():
                EVENTS[name](self, who)
        except RoundbookError:
            pass

    def last(self, who: int) -> Round | None:
        """A person's last round, fresh."""
        rounds = self.rounds.get(who)
        return Round.objects.get(pk=rounds[-1].pk) if rounds else None

    def deciding(self, who: int) -> Result | None:
        """The result that decides a person's last round."""
        one = self.last(who)
        return Result.objects.filter(round=one, is_deciding=True).first() if one else None

    def referral_of(self, who: int) -> ReferralResult | None:
        """The referral of a person's deciding result."""
        result = self.deciding(who)
        return ReferralResult.objects.filter(result=result).first() if result else None


def _invite(world: World, who: int) -> None:
    one = world.last(who)
    if one is not None and one.state != "closed":
        return
    sex, age = ("female", "male", "unknown")[who % 3], None if who == 5 else 50 + 5 * (who % 5)
    area = ("QUI", "NOR", "nowhere")[who % 3]
    made = worked.invited(
        world.day, sex=sex, age=age, area=area, batch=who != 6, person=one.person if one else None
    )
    world.rounds.setdefault(who, []).append(made)


def _back(world: World, who: int) -> None:
    one = world.last(who)
    if one is not None and one.state == "kit_out":
        worked.came_back(one, world.day)


def _release(world: World, who: int, *, high: bool) -> None:
    one = world.last(who)
    back = Return.objects.filter(kit__round=one, state="ready").first() if one else None
    if one is not None and one.state == "result_due" and back is not None and back.sample.state == "ready":
        worked.released(back, world.day, high=high)


def _close(reason: str) -> Callable[[World, int], None]:
    def close(world: World, who: int) -> None:
        one = world.last(who)
        if one is not None and one.state in ("kit_due", "kit_out", "result_due"):
            worked.closed(one, world.day, reason)

    return close


def _undelivered(world: World, who: int) -> None:
    one = world.last(who)
    if one is not None and one.state == "kit_out":
        worked.undelivered(one, world.day)


def _undo(world: World, who: int) -> None:
    one = world.last(who)
    back = Return.objects.filter(kit__round=one, state="ready").first() if one else None
    if back is not None and one is not None and one.state == "result_due" and back.sample.state == "ready":
        with clock.at(clock.moment(world.day, 10)), acting(factories.by_default()):
            make_move(back, "reject")


def _withdraw(world: World, who: int) -> None:
    result, one = world.deciding(who), world.last(who)
    if result is None or one is None or one.state not in ("closed", "follow_up"):
        return
    with clock.at(clock.moment(world.day, 15)), acting(cast.member(cast.LABORATORY)):
        make_move(one, "withdraw", due_on=world.day + timedelta(days=5), pool="laboratory")
        make_move(result.sample, "withdraw", due_on=world.day, pool="laboratory")
        Result.objects.filter(pk=result.pk).update(is_current=False, is_deciding=False)


def _correct(world: World, who: int) -> None:
    one = world.last(who)
    if one is not None:
        number = next(world.numbers)
        Round.objects.filter(pk=one.pk).update(
            sex_at_invitation=("male", "female")[number % 2], deprivation_fifth=1 + number % 5
        )


def _speak(world: World, who: int) -> None:
    link = world.referral_of(who)
    if link is not None:
        with clock.at(clock.moment(world.day, 11)):
            ContactAttempt.objects.create(
                referral=link.referral, outcome="spoke", made_at=clock.now(), made_on=world.day,
                made_by=cast.member(cast.NURSE),
            )  # fmt: skip


def _examine(world: World, who: int) -> None:
    link = world.referral_of(who)
    if link is not None:
        finding = ("nothing", "cancer", "advanced_adenoma", "non_advanced")[who % 4]
        Examination.objects.create(
            referral=link.referral, day=world.day, complete=True, prep_adequate=True, finding=finding,
            report_document="R1", reported_on=world.day, entered_by=cast.member(cast.NURSE),
        )  # fmt: skip


def _harm(world: World, who: int) -> None:
    link = world.referral_of(who)
    seen = link.referral.examinations.first() if link else None
    if seen is not None:
        event = AdverseEvent.objects.create(
            examination=seen, kind="bleeding", severity="admission", happened_on=world.day, source="ward", words="bled",
            entered_on=world.day, entered_by=cast.member(cast.NURSE),
        )  # fmt: skip
        if who % 2:
            EventJudgement.objects.create(
                event=event,
                cause="unrelated",
                words="fell",
                judged_on=world.day,
                judged_by=cast.member(cast.NURSE),
            )


def _letter(world: World, who: int) -> None:
    result = world.deciding(who)
    if result is not None and not result.letters.exists():
        worked.letter(result, world.day)


EVENTS: dict[str, Callable[[World, int], None]] = {
    "invite": _invite, "invite again": _invite, "back": _back, "back too": _back,
    "below": lambda world, who: _release(world, who, high=False),
    "high": lambda world, who: _release(world, who, high=True),
    "postponed": _close("postponed"), "not returned": _close("not_returned"), "died": _close("died"),
    "in error": _close("entered_in_error"), "undelivered": _undelivered, "rejected": _undo, "withdrawn": _withdraw,
    "corrected": _correct, "spoken with": _speak, "examined": _examine, "harmed": _harm, "letter": _letter,
}  # fmt: skip
NAMES = list(EVENTS)


@contextmanager
def world() -> Iterator[World]:
    """A world whose happenings are undone at the end."""
    with transaction.atomic():
        yield World()
        transaction.set_rollback(True)
