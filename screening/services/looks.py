"""Reviews of records opened with a reason: who must be read, what the auditor found, and what was done where it was not in order.

Source: the programme's job description 9 (every such look is reviewed within five working days) and 3g, I37.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from django.db import IntegrityError
from django.db.models import Exists, OuterRef, QuerySet
from django.utils.translation import gettext as _

from screening.models import LookFollowUp, LookReview, PersonIdentifier, ReasonedLook
from staff import clock
from staff.access import require_role, user_holds
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import NonWorkingDay, User
from staff.roles import Role
from staff.working_days import working_days_after, working_days_left

REVIEW_WORKING_DAYS = 5
MAY_REVIEW = (Role.AUDITOR,)
MAY_FOLLOW_UP = (Role.AUDITOR, Role.MANAGER)
LATELY = 30
"""So many looks reviewed last are shown."""


@dataclass(frozen=True, slots=True)
class Waiting:
    """A look to be reviewed: of whose record (number only), by when, working days left (below 0: late), and whether by this reader."""

    look: ReasonedLook
    number: str
    due_on: date
    left: int
    own: bool

    @property
    def late(self) -> int:
        """The working days since the last day on which it could be reviewed in time."""
        return max(-self.left, 0)

    @property
    def key(self) -> str:
        """The name of its form on a page."""
        return f"review-{self.look.pk}"


@dataclass(frozen=True, slots=True)
class Judged:
    """A look with the review in force, how many reviews it had, what was done about it, and whether it was this reader's own look."""

    look: ReasonedLook
    number: str
    review: LookReview
    reviews: int
    follow_up: LookFollowUp | None
    own: bool

    @property
    def earlier(self) -> int:
        """How many reviews the one in force has replaced."""
        return self.reviews - 1

    @property
    def key(self) -> str:
        """The name of the form that says what was done."""
        return f"done-{self.review.pk}"

    @property
    def again(self) -> str:
        """The name of the form that judges it again."""
        return f"review-{self.look.pk}"


@dataclass(frozen=True, slots=True)
class Told:
    """What a bulk review came to: looks now in order, looks reviewed before, own looks left to somebody else."""

    reviewed: int
    before: int
    own: int


def _in_force() -> "QuerySet[LookReview]":
    """The reviews that no other replaces."""
    return LookReview.objects.filter(
        ~Exists(LookReview.objects.filter(look=OuterRef("look"), replaces=OuterRef("pk")))
    )


def _unreviewed() -> "QuerySet[ReasonedLook]":
    return ReasonedLook.objects.filter(~Exists(LookReview.objects.filter(look=OuterRef("pk"))))


def _unanswered() -> "QuerySet[LookReview]":
    """Not in order by the review in force, and nobody has written what was done."""
    return _in_force().filter(in_order=False, follow_up=None)


def review_by(day: date, closed: Collection[date]) -> date:
    """The last day on which a look of this day can be reviewed in time."""
    return working_days_after(day, REVIEW_WORKING_DAYS, closed)


def _closed() -> frozenset[date]:
    return frozenset(NonWorkingDay.objects.filter(site=None).values_list("day", flat=True))


def looks_to_review(*, by: User) -> list[Waiting]:
    """The looks that nobody has reviewed, oldest first. For auditors."""
    require_role(by, *MAY_REVIEW)
    looks = list(_unreviewed().select_related("user"))
    numbers, closed, today = _numbers(looks), _closed(), clock.today()
    found = []
    for look in looks:
        due = review_by(look.day, closed)
        left = working_days_left(today, due, closed)
        found.append(Waiting(look, numbers.get(look.person_id, ""), due, left, look.user_id == by.pk))
    return found


def looks_unanswered(*, by: User) -> list[Judged]:
    """The looks that were not in order and about which nothing is written yet, oldest first."""
    require_role(by, *MAY_FOLLOW_UP)
    return _judged(_unanswered().order_by("look__at", "pk"), by)


def looks_reviewed(*, by: User) -> list[Judged]:
    """The looks reviewed last, with the review in force; the unanswered ones stand on the list above."""
    require_role(by, *MAY_REVIEW)
    settled = _in_force().exclude(pk__in=_unanswered().values("pk"))
    return _judged(settled.order_by("-reviewed_at", "-pk")[:LATELY], by)


def looks_waiting() -> tuple[int, int, int]:
    """How many looks wait for a review, how many of those are late, and how many were not in order and are unanswered."""
    days = list(_unreviewed().values_list("day", flat=True))
    closed, today = _closed() if days else frozenset(), clock.today()
    late = sum(review_by(day, closed) < today for day in days)
    return len(days), late, _unanswered().count()


def looks_in_order(*, by: User, look_ids: Iterable[int]) -> Told:
    """Review these looks: all in order. Those reviewed before keep their review; own looks are left to somebody else."""
    require_role(by, *MAY_REVIEW)
    asked = set(look_ids)
    if not asked:
        raise RoundbookError("nothing_ticked", _("Tick the looks that are in order, then send it again."))
    with acting(by, reason="looks reviewed") as frame:
        waiting = list(_unreviewed().filter(pk__in=asked))
        mine = [look for look in waiting if look.user_id == by.pk]
        rows = [
            LookReview(look=look, in_order=True, reviewed_at=frame.now, reviewed_by=by)
            for look in waiting
            if look.user_id != by.pk
        ]
        LookReview.objects.bulk_create(rows, ignore_conflicts=True)
    return Told(len(rows), len(asked) - len(waiting), len(mine))


def look_review(
    *, by: User, look: ReasonedLook, in_order: bool, words: str = "", replaces: int | None = None
) -> LookReview:
    """Write one review. `replaces` is the number of the review that was in force on the page (None: there was none).

    Words are needed where the look is not in order, and for every review after the first. The same one sent again finds what it
    wrote. RoundbookError: `own_look`, `words_missing`, `stale` when somebody else has reviewed meanwhile.
    """
    require_role(by, *MAY_REVIEW)
    words = words.strip()
    if look.user_id == by.pk:
        raise RoundbookError("own_look", _("This is your own look. Another auditor reviews it."))
    if not words and not in_order:
        raise RoundbookError("words_missing", _("Say in words what is not in order."), field="words")
    if not words and replaces is not None:
        raise RoundbookError("words_missing", _("Say why it is judged another way now."), field="words")
    row = LookReview(look=look, replaces_id=replaces, in_order=in_order, words=words[:400], reviewed_by=by)
    last = _in_force().filter(look=look).first()
    if last is not None and last.pk != replaces:
        return _the_same(last, row)
    if last is None and replaces is not None:
        raise _stale()
    try:
        with acting(by, reason="look reviewed") as frame:
            row.reviewed_at = frame.now
            row.save(force_insert=True)
    except IntegrityError as error:  # somebody was quicker by a moment
        last = _in_force().filter(look=look).first()
        if last is None or last.pk == replaces:
            raise
        return _the_same(last, row, error)
    return row


def _the_same(last: LookReview, row: LookReview, error: Exception | None = None) -> LookReview:
    """The review in force, where it says what would be written; else somebody has judged meanwhile."""
    told = (last.replaces_id, last.in_order, last.words, last.reviewed_by_id)
    if told != (row.replaces_id, row.in_order, row.words, row.reviewed_by_id):
        raise _stale() from error
    return last


def _stale() -> RoundbookError:
    return RoundbookError(
        "stale", _("Somebody has reviewed this look meanwhile. Read their review, then judge again.")
    )


def look_follow_up(*, by: User, review: LookReview, words: str) -> LookFollowUp:
    """Write what was done about a look that was not in order; it then leaves the list.

    The same words sent again find what they wrote. RoundbookError: `words_missing`, `own_look`, `stale` when the review is no
    longer in force or another follow-up stands there, `in_order` when there is nothing to follow up.
    """
    require_role(by, *MAY_FOLLOW_UP)
    words = words.strip()[:400]
    if not words:
        raise RoundbookError("words_missing", _("Say in words what was done about it."), field="words")
    if review.look.user_id == by.pk:
        raise RoundbookError("own_look", _("This was your own look. Somebody else writes what was done."))
    if review.in_order:
        raise RoundbookError("in_order", _("This look is in order, so there is nothing to follow up."))
    if LookReview.objects.filter(replaces=review).exists():
        raise _stale()
    with acting(by, reason="look followed up") as frame:
        row = LookFollowUp(review=review, words=words, written_at=frame.now, written_by=by)
        LookFollowUp.objects.bulk_create([row], ignore_conflicts=True)
    kept = LookFollowUp.objects.get(review=review)
    if (kept.words, kept.written_by_id) != (words, by.pk):
        raise RoundbookError(
            "stale", _("Somebody has written meanwhile what was done. It stands under “Reviewed lately”.")
        )
    return kept


def may_review(user: User) -> bool:
    """Whether this user may review looks; the others who open the page write what was done."""
    return user_holds(user, MAY_REVIEW)


def _numbers(looks: Iterable[ReasonedLook]) -> dict[int, str]:
    """The present person numbers of these looks' records, in groups of four; no name is read."""
    found = PersonIdentifier.objects.filter(person__in={look.person_id for look in looks}, valid_to=None)
    return {
        person: " ".join(number[i : i + 4] for i in range(0, len(number), 4))
        for person, number in found.values_list("person_id", "value")
    }


def _judged(reviews: "QuerySet[LookReview]", by: User) -> list[Judged]:
    rows = list(reviews.select_related("look__user", "reviewed_by", "follow_up__written_by"))
    numbers, counts = _numbers(row.look for row in rows), _counts([row.look_id for row in rows])
    return [
        Judged(
            row.look, numbers.get(row.look.person_id, ""), row, counts[row.look_id], getattr(row, "follow_up", None),
            row.look.user_id == by.pk,
        )
        for row in rows
    ]  # fmt: skip


def _counts(look_ids: Sequence[int]) -> dict[int, int]:
    counts = dict.fromkeys(look_ids, 0)
    for look_id in LookReview.objects.filter(look__in=look_ids).values_list("look_id", flat=True):
        counts[look_id] += 1
    return counts
