"""Medical exclusions: recorded with an end, made lasting by a second person who may, ended with a reason."""

from datetime import date, timedelta

from django.utils.translation import gettext as _

from screening.models import Exclusion, ExclusionKind, Person
from screening.months import add_months
from screening.querysets import members_of
from screening.services.due import due_dates_refresh
from screening.services.people import kept_too, rounds_stopped
from staff.access import require_role, user_holds
from staff.acting import acting
from staff.errors import IllegalMove, NotAllowed, RoundbookError
from staff.models import User
from staff.roles import Role

FIRST_MONTHS = 6
LONGEST_MONTHS = 12
LONGEST_MONTHS_AFTER_COLONOSCOPY = 120
MAY_CONFIRM = (Role.CLINICIAN, Role.MANAGER)
RECORDABLE = tuple(
    kind
    for kind in ExclusionKind
    if kind not in {ExclusionKind.POSTPONED, ExclusionKind.SURVEILLANCE, ExclusionKind.TO_LOOK_AT}
)
"""What the desk may record; a postponement, surveillance and the hold of a question have their own ways."""


def exclusion_record(
    *, by: User, person: Person, kind: str, note: str, until: date | None = None
) -> Exclusion:
    """Leave a person out for a medical reason, for six months when no end is given, so that nobody is out by hearsay for ever.

    At most twelve months, after a colonoscopy ten years. A second person who may makes it lasting. A round whose kit is not
    back closes. Source: the programme's job description 2.2 (exceptions 4 and 8), invariant I31.
    """
    if kind not in RECORDABLE:
        raise RoundbookError("kind_unknown", _("Choose the reason from the list."))
    if not note.strip():
        raise RoundbookError("note_missing", _("Say how we know, and who was asked to confirm it."))
    with acting(by, reason="exclusion recorded") as frame:
        person = Person.objects.select_for_update(of=("self",), no_key=True).get(pk=person.pk)
        colonoscopy = kind == ExclusionKind.RECENT_COLONOSCOPY
        last = add_months(frame.today, LONGEST_MONTHS_AFTER_COLONOSCOPY if colonoscopy else LONGEST_MONTHS)
        end = until or add_months(frame.today, FIRST_MONTHS)
        if not frame.today < end <= last:
            raise RoundbookError(
                "day_wrong",
                _("The end lies after today and not after %(last)s.") % {"last": last},
                field="until",
            )
        exclusion = Exclusion.objects.create(
            person=person, kind=kind, since=frame.today, until=end, note=note.strip(), recorded_by=by
        )
        rounds_stopped(by, person, "excluded")
        due_dates_refresh(by=by, person_ids=[person.pk])
    return exclusion


def exclusion_confirm(*, by: User, exclusion: Exclusion) -> Exclusion:
    """Make an exclusion last for good: a clinician or the manager, and not the one who recorded it."""
    require_role(by, *MAY_CONFIRM)
    with acting(by, reason="exclusion confirmed"):
        exclusion = Exclusion.objects.select_for_update(of=("self",)).get(pk=exclusion.pk)
        if exclusion.kind not in RECORDABLE or exclusion.confirmed:
            raise IllegalMove("not_to_confirm", _("There is nothing to confirm here."))
        if exclusion.recorded_by_id == by.pk:
            raise NotAllowed(
                "second_person", _("Somebody else than the one who recorded it must confirm it.")
            )
        exclusion.confirmed, exclusion.until = True, None
        exclusion.save(update_fields=["confirmed", "until"])
        due_dates_refresh(by=by, person_ids=kept_too(exclusion.person_id))
    return exclusion


def exclusion_end(*, by: User, exclusion: Exclusion, note: str) -> Exclusion:
    """End an exclusion or a postponement from tomorrow; one that was confirmed only by who may confirm."""
    if not note.strip():
        raise RoundbookError("note_missing", _("Say why it ends."))
    with acting(by, reason="exclusion ended") as frame:
        exclusion = Exclusion.objects.select_for_update(of=("self",)).get(pk=exclusion.pk)
        if exclusion.kind == ExclusionKind.SURVEILLANCE:
            raise IllegalMove("surveillance", _("Surveillance ends with a signed next step only."))
        if exclusion.confirmed and not user_holds(by, MAY_CONFIRM):
            raise NotAllowed(
                "role_missing", _("A clinician or the manager ends an exclusion that was confirmed.")
            )
        if exclusion.until is not None and exclusion.until <= frame.today:
            raise IllegalMove("ended", _("This has ended already."))
        exclusion.until = max(frame.today, exclusion.since + timedelta(days=1))
        exclusion.note = f"{exclusion.note}\n{note.strip()}".strip()
        exclusion.save(update_fields=["until", "note"])
        due_dates_refresh(by=by, person_ids=kept_too(exclusion.person_id))
    return exclusion


def exclusions_of(person: Person, *, on: date) -> list[Exclusion]:
    """What leaves this person out on a day or later, the earliest first."""
    found = (
        Exclusion.objects.filter(person__in=members_of(person))
        .select_related("recorded_by")
        .order_by("since", "pk")
    )
    return [e for e in found if e.until is None or e.until > on]
