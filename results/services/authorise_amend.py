"""Changing what was released: an amendment upward as a new version, and a withdrawal (R7, R8)."""

from datetime import date, timedelta
from decimal import Decimal
from typing import cast

from django.utils.translation import gettext as _

from results.classify import Side
from results.models import Reading, Result
from results.services.authorise import round_raise
from results.services.authorise_facts import Classed, Classifier, reading_fact
from results.services.referral_opening import referral_open_for
from screening.models import Round
from screening.services.rounds import round_result_withdrawn
from staff.access import require_role
from staff.acting import Acting, acting
from staff.errors import IllegalMove, RoundbookError
from staff.ledger.moves import make_move
from staff.models import User
from staff.roles import Role


def _check(by: User, second: User, reason: str) -> None:
    require_role(by, Role.LABORATORY)
    require_role(second, Role.LABORATORY, Role.CLINICIAN)
    if second.pk == by.pk:
        raise RoundbookError("second_person", _("A second person must agree: choose somebody else."))
    if not reason.strip():
        raise RoundbookError("reason_missing", _("Write why the result changes."))


def _current(result: Result) -> Result:
    locked = Result.objects.select_for_update(of=("self",)).select_related("sample").get(pk=result.pk)
    if not locked.is_current:
        raise IllegalMove("result_not_current", _("A newer version of this result exists. Look at that one."))
    return locked


def result_amend(
    *, by: User, result: Result, reason: str, second: User, reading: Reading | None = None
) -> Result:
    """Make the next version of a result from a reading of its sample and the facts as they are now.

    Only upward or on the same side: a result at or above is never lowered here, it is withdrawn. Raising one opens
    the referral and the round's follow-up in the same transaction and clears the date the old one had set (R7, R8).
    """
    _check(by, second, reason)
    with acting(by, reason=reason.strip()) as frame:
        old = _current(result)
        fact = reading_fact(reading.pk if reading else old.reading_id)
        classed = Classifier().classed(fact) if fact.sample_id == old.sample_id else None
        if classed is None or not classed.counts:
            raise RoundbookError(
                "reading_not_usable", _("That reading cannot become a result of this sample.")
            )
        side = classed.outcome.side
        if side is Side.NEEDS_PERSON or (old.side == Side.AT_OR_ABOVE.value and side is Side.BELOW):
            raise RoundbookError(
                "amend_downward",
                _(
                    "A result at or above is not lowered here: withdraw it with the medical lead, who speaks with the person."
                ),
            )
        words = _("%(reason)s (agreed by %(second)s)") % {"reason": reason.strip(), "second": second}
        new = _next_version(old, classed, words, by, frame)
        if new.side == Side.AT_OR_ABOVE.value:
            referral = referral_open_for(by=by, result=new)
            if old.side == Side.BELOW.value:
                round_raise(by=by, round_id=new.round_id, person_id=new.person_id, due_on=referral.due_on)
    return new


def _next_version(old: Result, classed: Classed, words: str, by: User, frame: Acting) -> Result:
    fact, outcome, rule = classed.fact, classed.outcome, classed.rule
    rises = outcome.side is Side.AT_OR_ABOVE and old.side == Side.BELOW.value
    decides = old.is_deciding
    Result.objects.filter(pk=old.pk).update(is_current=False, is_deciding=False)
    if rises and not decides:
        low = Result.objects.filter(round_id=old.round_id, is_deciding=True, side=Side.BELOW.value)
        decides = bool(low.update(is_deciding=False))
    return Result.objects.create(
        sample_id=old.sample_id, round_id=old.round_id, person_id=old.person_id, version=old.version + 1,
        is_deciding=decides, reading_id=fact.reading_id, run_id=fact.run_id, raw_value=cast(Decimal, fact.value), raw_unit=fact.unit,
        comparator=fact.comparator, kit_model_id=fact.kit_model_id, stool_mg=fact.stool_mg, buffer_ml=fact.buffer_ml,
        reported_ug_g=outcome.reported, decimals=classed.decimals, side=outcome.side.value, rule_id=rule.id,
        cutoff_ug_g=rule.cutoff, comparison=rule.comparison, sex_used=fact.sex, age_used=fact.age,
        exact_differs=outcome.differs, qualitative=fact.yes_no, analysed_on=fact.analysed_on, authorised_on=frame.today, authorised_at=frame.now,
        authorised_by=by, reason=words,
    )  # fmt: skip


def result_withdraw(*, by: User, result: Result, reason: str, second: User) -> Result:
    """Take a result back: its sample is to be measured again and its round waits for a result.

    When another result of the round still stands, that one decides and the round stays as it is. A referral stays
    open: only a clinician closes it.
    """
    _check(by, second, reason)
    with acting(by, reason=reason.strip()) as frame:
        old = _current(result)
        Result.objects.filter(pk=old.pk).update(is_current=False, is_deciding=False)
        tomorrow = frame.today + timedelta(days=1)
        words = _("%(reason)s (agreed by %(second)s)") % {"reason": reason.strip(), "second": second}
        make_move(old.sample, "withdraw", due_on=tomorrow, pool="laboratory", note=words, rule="R7")
        others = Result.objects.filter(round_id=old.round_id, is_current=True)
        standing = (
            others.filter(side=Side.AT_OR_ABOVE.value).order_by("pk").first() or others.order_by("pk").first()
        )
        if standing is not None:
            Result.objects.filter(pk=standing.pk).update(is_deciding=True)
        else:
            _reopen_round(old, by=by, due_on=tomorrow, note=words)
    old.refresh_from_db()
    return old


def _reopen_round(old: Result, *, by: User, due_on: date, note: str) -> None:
    """The round waits for a result again, unless the person is in a newer round by now."""
    round_ = Round.objects.get(pk=old.round_id)
    elsewhere = (
        Round.objects.filter(person_id=round_.person_id)
        .exclude(pk=round_.pk)
        .exclude(state="closed")
        .exists()
    )
    decided = round_.state == "follow_up" or (round_.state == "closed" and round_.close_reason == "below")
    if decided and not elsewhere:
        round_result_withdrawn(by=by, round=round_, due_on=due_on, note=note)
