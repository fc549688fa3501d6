"""Notices to doctors' systems: made from to-do rows, claimed and committed before they are given, tried again, given up.

What a practice is told is what left on paper: a notice is made when a doctor's letter was handed over, after every stop was
asked three times and R11 was kept, so a notice that fails takes nothing from the doctor.
"""

import json
import logging
from collections import Counter
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.conf import settings
from django.utils.translation import gettext as _

from outreach.catalogue import KINDS
from outreach.fhir.notice import SYSTEM, notice
from outreach.models import Letter, Notice, NoticeAttempt, NoticeRoute, NoticeTodo
from outreach.notice_ways import NotTaken, posted, put_in_folder
from outreach.services.messages import message_words
from outreach.services.policy import outreach_policy_on, post_calendar
from staff.access import look_recorded
from staff.acting import Acting, acting
from staff.fhir.base import frame_now
from staff.models import Purpose, User
from staff.roles import Pool, Role

log = logging.getLogger(__name__)
WAITS = (timedelta(minutes=5), timedelta(hours=1), timedelta(hours=6))
"""How long to wait after each failure; after the last one it is given up. Source: three retries, job 2.10 exception 7."""
LEASE = timedelta(minutes=5)
"""A claim that was not answered for so long belongs to a worker that died; longer than any one attempt takes."""
CHUNK, A_SWEEP = 200, 50


def notices_plan(*, by: User) -> int:
    """Make the notices that the to-do rows ask for, each once; returns how many. A to-do goes in the same transaction."""
    made = 0
    while True:
        with acting(by) as frame:
            todo = list(NoticeTodo.objects.select_for_update(skip_locked=True).order_by("pk")[:CHUNK])
            made += _made(by, frame, [row.letter_id for row in todo])
            NoticeTodo.objects.filter(pk__in=[row.pk for row in todo]).delete()
        if len(todo) < CHUNK:
            return made


def _made(by: User, frame: Acting, letter_ids: list[int]) -> int:
    taking = NoticeRoute.objects.exclude(way="off").values("practice_id")
    letters = list(
        Letter.objects.filter(pk__in=letter_ids, notice=None, practice__in=taking)
        .select_related("person", "practice", "result__sample__return_of", "result__run__analyser__site", "result__person")
        .prefetch_related("person__identifiers", "result__person__identifiers").order_by("pk")
    )  # fmt: skip
    look_recorded(
        by=by,
        person_ids=[one.person_id for one in letters],
        purpose=Purpose.EXPORT,
        place="notice to a practice",
    )
    return len(Notice.objects.bulk_create([_written(letter, frame) for letter in letters]))


def _written(letter: Letter, frame: Acting) -> Notice:
    """The notice of a letter with its body, fixed for ever; one that cannot be written is somebody's question at once."""
    reference = f"RBN-{letter.pk}"
    common = {
        "letter": letter,
        "practice_id": letter.practice_id,
        "reference": reference,
        "made_at": frame.now,
    }
    try:
        _subject, words = message_words(letter)
        body = notice(
            letter, KINDS[letter.kind], words, frame_now(), reference=reference, at=frame.now, programme=settings.PROGRAMME_NAME
        )  # fmt: skip
    except LookupError as error:
        log.exception("Notice %s could not be written", reference)
        words = _(
            "The letter's text could not be read again (%(why)s). Tell whoever looks after the software."
        )
        route = NoticeRoute.objects.get(practice=letter.practice_id)
        return Notice(
            **common, body="", state="given_up", last_error=words % {"why": error}, **_hands(route, frame)
        )
    return Notice(
        **common, body=json.dumps(body, ensure_ascii=False, separators=(",", ":")), next_at=frame.now
    )


def notices_send(*, by: User, limit: int = A_SWEEP) -> Counter[str]:
    """Give what is due, one after the other. A practice whose system failed is left alone for the rest of the sweep.

    A worker that dies between claim and answer leaves a claim that lapses; the notice is then given again under the same
    reference, by which the other system knows it.
    """
    done: Counter[str] = Counter()
    failed: set[int] = set()
    for _n in range(limit):
        claimed = _claimed(by, failed, done)
        if claimed is None:
            break
        became = _given(by, claimed)
        done[became] += 1
        if became != "taken":
            failed.add(claimed.practice_id)
    return done


@dataclass(frozen=True)
class Claimed:
    """One notice in our hands until the lease ends."""

    pk: int
    nth: int
    practice_id: int
    practice: str
    way: str
    address: str
    reference: str
    body: str


def _claimed(by: User, failed: set[int], done: Counter[str]) -> Claimed | None:
    """The next one that is due, claimed and committed; those overtaken by a newer result are dropped on the way."""
    while True:
        with acting(by) as frame:
            one = _next_due(frame.now, failed)
            if one is None:
                return None
            if one.claimed_until is not None:
                _noted(
                    one, frame, taken=False, words=_("No answer was written down: the work ended half-way.")
                )
                if one.attempts > len(WAITS):
                    _give_up(
                        one, frame, _("Every attempt ended half-way. Tell whoever looks after the machines.")
                    )
                    done["given_up"] += 1
                    continue
            if one.letter.result is not None and not one.letter.result.is_current:
                words = _("A newer result took its place; the practice is told that one.")
                _ended(one, frame, Notice.State.DROPPED, note=words)
                done["dropped"] += 1
                continue
            one.attempts, one.claimed_until = one.attempts + 1, frame.now + LEASE
            one.save(update_fields=["attempts", "claimed_until"])
            route = one.practice.notice_route
            return Claimed(
                one.pk,
                one.attempts,
                one.practice_id,
                one.practice.code,
                route.way,
                route.address,
                one.reference,
                one.body,
            )


def _next_due(now: datetime, failed: set[int]) -> Notice | None:
    due = Notice.objects.select_for_update(skip_locked=True, of=("self",)).filter(
        state="waiting", next_at__lte=now
    )
    free = due.exclude(claimed_until__gt=now).exclude(practice__in=failed)
    return free.select_related("practice__notice_route", "letter__result").order_by("next_at", "pk").first()


def _given(by: User, claimed: Claimed) -> str:
    """Give it; what came of it: `taken`, `failed` or `given_up`."""
    try:
        if claimed.way == NoticeRoute.Way.HTTP:
            receipt = posted(
                address=claimed.address, practice=claimed.practice, system=frame_now().system(SYSTEM),
                reference=claimed.reference, body=claimed.body,
            )  # fmt: skip
        else:
            receipt = put_in_folder(practice=claimed.practice, reference=claimed.reference, body=claimed.body)
    except NotTaken as trouble:
        return _failed(by, claimed, trouble)
    with acting(by) as frame:
        one = Notice.objects.select_for_update().get(pk=claimed.pk)
        if one.state != Notice.State.TAKEN:
            _noted(one, frame, taken=True, words=receipt)
            one.receipt = receipt
            _ended(one, frame, Notice.State.TAKEN)
    return "taken"


def _failed(by: User, claimed: Claimed, trouble: NotTaken) -> str:
    with acting(by) as frame:
        one = (
            Notice.objects.select_for_update(of=("self",))
            .select_related("practice__notice_route__set_by")
            .get(pk=claimed.pk)
        )
        if one.state != Notice.State.WAITING or one.attempts != claimed.nth:
            return "failed"
        _noted(one, frame, taken=False, words=trouble.words)
        if trouble.final or one.attempts > len(WAITS):
            _give_up(one, frame, trouble.words)
            return "given_up"
        one.last_error, one.claimed_until, one.next_at = (
            trouble.words,
            None,
            frame.now + WAITS[one.attempts - 1],
        )
        one.save(update_fields=Notice.CHANGES)
    return "failed"


def _give_up(one: Notice, frame: Acting, words: str) -> None:
    one.state, one.last_error, one.claimed_until, one.next_at = Notice.State.GIVEN_UP, words, None, None
    for name, value in _hands(one.practice.notice_route, frame).items():
        setattr(one, name, value)
    one.save(update_fields=Notice.CHANGES)


def _hands(route: NoticeRoute, frame: Acting) -> dict[str, object]:
    """Whose it is once it is given up: who set the address, else another administrator, else the office; by the next working day."""
    chosen = route.set_by if route.set_by.is_active else User.objects.colleagues(Role.ADMINISTRATOR).first()
    calendar = post_calendar(outreach_policy_on(frame.today), around=frame.today)
    pool = "" if chosen else Pool.OFFICE.value
    return {"owner": chosen, "pool": pool, "due_on": calendar.working_days_after(frame.today, 1)}


def _noted(one: Notice, frame: Acting, *, taken: bool, words: str) -> None:
    NoticeAttempt.objects.create(notice=one, nth=one.attempts, taken=taken, words=words, at=frame.now)


def _ended(one: Notice, frame: Acting, state: str, *, note: str = "") -> None:
    one.state, one.ended_at, one.next_at, one.claimed_until, one.note = state, frame.now, None, None, note
    one.owner, one.pool, one.due_on = None, "", None
    one.save(update_fields=Notice.CHANGES)
