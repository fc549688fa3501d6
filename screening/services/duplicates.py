"""Finds records that may be one person, holds both from new invitations, and lets people tell them apart or together."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from django.db import connection, transaction
from django.db.models import Q, QuerySet
from django.utils.translation import gettext as _

from screening.likeness import LISTED_FROM, Likeness, Record, likeness
from screening.models import Person, PersonMerge, PossibleDuplicate, Round
from screening.names import name_key_make
from screening.services.due import due_dates_refresh
from screening.services.planner import whole_sets
from staff import clock
from staff.acting import acting
from staff.errors import IllegalMove, NotAllowed, RoundbookError
from staff.models import NonWorkingDay, User
from staff.working_days import working_days_after

HOLD_WORKING_DAYS = 10
OPEN_STATES = ("kit_due", "kit_out", "result_due", "follow_up")

# Blocking: two records are compared when they share one of these. Each reads an index or a hash of the whole.
_BLOCKS = (
    "b.birth_date = a.birth_date AND b.postcode = a.postcode AND a.postcode <> ''",
    "b.birth_date = a.birth_date AND left(b.name_key, 3) = left(a.name_key, 3)",
    "b.name_key = a.name_key AND extract(year FROM b.birth_date) = extract(year FROM a.birth_date)",
    "b.phone = a.phone AND a.phone <> '' AND b.birth_date = a.birth_date",
    "b.postcode = a.postcode AND b.address_1 = a.address_1 AND a.address_1 <> '' AND b.name_key = a.name_key",
)
_CANDIDATES = " UNION ".join(
    f"SELECT least(a.id, b.id), greatest(a.id, b.id) FROM screening_person a JOIN screening_person b ON b.id <> a.id AND {block}"
    " WHERE a.merged_into_id IS NULL AND b.merged_into_id IS NULL AND a.deceased_on IS NULL AND b.deceased_on IS NULL"
    " AND (%(ids)s::bigint[] IS NULL OR a.id = ANY(%(ids)s))"
    for block in _BLOCKS
)
CANDIDATES = f"""
SELECT c.* FROM ({_CANDIDATES}) AS c(first, second) WHERE NOT EXISTS (
    SELECT 1 FROM screening_possibleduplicate d WHERE d.first_id = c.first AND d.second_id = c.second)
ORDER BY 1, 2
"""


@dataclass(frozen=True, slots=True)
class Found:
    """What a search came to: pairs compared, and pairs written down."""

    compared: int
    written: int


def record_of(person: Person) -> Record:
    """What is compared of a person."""
    return Record(
        name_key_make(person.family_name), name_key_make(person.given_names), person.birth_date, person.sex,
        person.address_1, person.postcode, person.phone,
    )  # fmt: skip


def duplicates_find(*, by: User, person_ids: Sequence[int] | None = None, limit: int = 5_000) -> Found:
    """Compare these people (None: everybody) with those who share a blocking key, and write down the likely pairs.

    Pairs looked at before are never asked about again. Both people of a new pair get no new invitation for ten working days.
    """
    with acting(by, reason="possible duplicates") as frame:
        with whole_sets(201 if person_ids is None else len(person_ids)), connection.cursor() as cursor:
            cursor.execute(CANDIDATES, {"ids": None if person_ids is None else list(person_ids)})
            pairs = cursor.fetchall()
        people = Person.objects.in_bulk({pk for pair in pairs for pk in pair})
        scored = [(a, b, likeness(record_of(people[a]), record_of(people[b]))) for a, b in pairs]
        likely = sorted((s for s in scored if s[2].weight >= LISTED_FROM), key=lambda s: -s[2].weight)[:limit]
        _written(likely, frame.today)
        held = {pk for a, b, _l in likely for pk in (a, b)}
        if held:
            due_dates_refresh(by=by, person_ids=sorted(held))
    return Found(len(pairs), len(likely))


def _written(likely: Iterable[tuple[int, int, Likeness]], today: date) -> None:
    closed = frozenset(NonWorkingDay.objects.filter(site=None, day__gte=today).values_list("day", flat=True))
    until = working_days_after(today, HOLD_WORKING_DAYS, closed)
    PossibleDuplicate.objects.bulk_create(
        PossibleDuplicate(
            first_id=a, second_id=b, weight=str(found.weight), found_on=today, hold_until=until,
            levels={field: str(level) for field, level in found.levels.items()},
        )
        for a, b, found in likely
    )  # fmt: skip


def duplicates_open() -> "QuerySet[PossibleDuplicate]":
    """The pairs to look at, the likeliest first."""
    return (
        PossibleDuplicate.objects.filter(verdict="")
        .select_related("first", "second")
        .order_by("-weight", "pk")
    )


def duplicate_different(*, by: User, pair: PossibleDuplicate, note: str) -> PossibleDuplicate:
    """Checked: these are two people. Never asked again; each record warns of the other from now on."""
    if not note.strip():
        raise RoundbookError("note_missing", _("Say how you know that these are two people."))
    with acting(by, reason="told apart"):
        pair = _decided(by, pair, PossibleDuplicate.Verdict.DIFFERENT, note)
        due_dates_refresh(by=by, person_ids=[pair.first_id, pair.second_id])
    return pair


def _decided(by: User, pair: PossibleDuplicate, verdict: str, note: str) -> PossibleDuplicate:
    pair = PossibleDuplicate.objects.select_for_update().get(pk=pair.pk)
    if pair.verdict:
        raise IllegalMove("decided", _("Somebody decided this meanwhile. Look at the list again."))
    pair.verdict, pair.decided_by, pair.decided_at, pair.note = verdict, by, clock.now(), note.strip()[:200]
    pair.save()
    return pair


def look_alikes(person: Person) -> list[Person]:
    """People who were told apart from this one and are easily taken for her."""
    mine = Q(first=person) | Q(second=person)
    pairs = PossibleDuplicate.objects.filter(mine, verdict="different").select_related("first", "second")
    return [pair.second if pair.first_id == person.pk else pair.first for pair in pairs]


def merge_ask(*, by: User, kept: Person, merged: Person, why: str) -> PersonMerge:
    """Ask to put one record under another. Nothing changes until a second person agrees (R14)."""
    if not why.strip():
        raise RoundbookError("why_missing", _("Say how you know that this is one person."))
    with acting(by, reason="merge asked") as frame:
        _may_merge(kept.pk, merged.pk)
        if PersonMerge.objects.filter(merged=merged, undone_at=None).exclude(agreed=False).exists():
            raise IllegalMove("merge_open", _("Somebody asked this already; a second person has to decide."))
        return PersonMerge.objects.create(
            kept=kept, merged=merged, why=why.strip()[:200], asked_by=by, asked_at=frame.now
        )


def _may_merge(kept: int, merged: int) -> None:
    both = {
        p.pk: p
        for p in Person.objects.select_for_update(of=("self",), no_key=True)
        .filter(pk__in=[kept, merged])
        .order_by("pk")
    }
    if len(both) < 2:
        raise RoundbookError("same_record", _("Choose two records."))
    if any(p.merged_into_id for p in both.values()):
        raise IllegalMove("merged_already", _("One of the records is merged already. Open it again."))
    if Person.objects.filter(merged_into=merged).exists():
        raise IllegalMove("has_merged", _("Another record was merged into this one. Keep this one instead."))
    if Round.objects.filter(person=merged, state__in=OPEN_STATES).exists():
        raise IllegalMove(
            "round_open",
            _(
                "The record to be merged has an open round. Keep that record, or wait until its round is closed."
            ),
        )


def merge_decide(*, by: User, merge: PersonMerge, agree: bool) -> PersonMerge:
    """A second person agrees or not. Merged: the record stays whole under the other, and the rule counts both histories."""
    with acting(by, reason="merge decided") as frame:
        merge = PersonMerge.objects.select_for_update().get(pk=merge.pk)
        if merge.decided_by_id is not None:
            raise IllegalMove("decided", _("This was decided already."))
        if merge.asked_by_id == by.pk:
            raise NotAllowed("second_person", _("Somebody else than the one who asked must decide."))
        if agree:
            _may_merge(merge.kept_id, merge.merged_id)
        merge.decided_by, merge.decided_at, merge.agreed = by, frame.now, agree
        merge.save()
        if agree:
            Person.objects.filter(pk=merge.merged_id).update(merged_into=merge.kept_id)
            _pair_closed(by, merge)
        due_dates_refresh(by=by, person_ids=[merge.kept_id, merge.merged_id])
    return merge


def _pair(merge: PersonMerge) -> "QuerySet[PossibleDuplicate]":
    ids = sorted((merge.kept_id, merge.merged_id))
    return PossibleDuplicate.objects.filter(first=ids[0], second=ids[1])


def _pair_closed(by: User, merge: PersonMerge) -> None:
    for pair in _pair(merge).filter(verdict=""):
        _decided(by, pair, PossibleDuplicate.Verdict.SAME, merge.why)


def merge_undo(*, by: User, merge: PersonMerge, why: str) -> PersonMerge:
    """Take a merge back: both records stand as they stood, and the pair is to be looked at again."""
    if not why.strip():
        raise RoundbookError("why_missing", _("Say why these are two people after all."))
    with acting(by, reason="merge taken back") as frame:
        merge = PersonMerge.objects.select_for_update().get(pk=merge.pk)
        if not merge.agreed or merge.undone_at is not None:
            raise IllegalMove("not_merged", _("There is no merge to take back."))
        merge.undone_by, merge.undone_at, merge.undone_why = by, frame.now, why.strip()[:200]
        merge.save()
        Person.objects.filter(pk=merge.merged_id).update(merged_into=None)
        _pair(merge).filter(verdict="same").update(verdict="", decided_by=None, decided_at=None)
        due_dates_refresh(by=by, person_ids=[merge.kept_id, merge.merged_id])
    return merge


def merges_to_decide() -> "QuerySet[PersonMerge]":
    """The merges that wait for a second person, the oldest first."""
    return (
        PersonMerge.objects.filter(decided_by=None)
        .select_related("kept", "merged", "asked_by")
        .order_by("asked_at")
    )


def duplicates_of_yesterday(*, by: User) -> Found:
    """Each night: compare whom a file made or changed since yesterday; the first time everybody."""
    with transaction.atomic():
        if not PossibleDuplicate.objects.exists():
            return duplicates_find(by=by)
        since = clock.now() - timedelta(hours=36)
        ids = list(Person.objects.filter(last_feed__applied_at__gte=since).values_list("pk", flat=True))
        return duplicates_find(by=by, person_ids=ids) if ids else Found(0, 0)
