"""Results as HL7 v2 messages for other systems: one, or every one that changed since a day as a file each."""

import os
from collections import Counter
from collections.abc import Iterator
from datetime import date
from pathlib import Path

from django.conf import settings
from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from results.fhir.lab import comparator, remarks, reported
from results.fhir.rows import results_read
from results.lab_formats.hl7_result import Sent, message_write
from results.models import Result, SampleMove
from staff import clock
from staff.access import look_recorded, require_role
from staff.errors import IllegalMove, NotFound
from staff.models import SYSTEM_USERNAME, Purpose, User
from staff.roles import Role

CHUNK = 200


def result_number(result: Result) -> str:
    """The message's number: one for each state of a result, never another for the same."""
    return f"RB{result.pk}" if result.is_current else f"RB{result.pk}W"


def result_message(*, by: User, result_id: int, place: str) -> tuple[str, bytes]:
    """(number, message) of a result as it stands, journalled in the transaction that reads it.

    NotFound where there is none or none this user may know of; IllegalMove when a newer version took its place.
    """
    with transaction.atomic():
        found = results_read(by).filter(pk=result_id).first()
        if found is None:
            if Result.objects.filter(pk=result_id).exists() and by.site_ids is None:
                raise IllegalMove(
                    "result_not_current", _("A newer version of this result exists. Ask for that one.")
                )
            raise NotFound("result_unknown", _("There is no such result, or none this client may know of."))
        look_recorded(by=by, person_ids=[found.person_id], purpose=Purpose.EXPORT, place=place)
        return result_number(found), message_write(_sent(found))


def results_to_folder(*, by: User, folder: Path, since: date, dry_run: bool = False) -> Counter[str]:
    """Write every result that was released, amended or withdrawn since a day, one file each; safe to run again.

    A file that is there is left alone: its name is the message's number, and that says what is in it. Each file appears
    whole or not at all. Returns how many were `written` and how many were there `before`.
    """
    done: Counter[str] = Counter()
    for rows in _changed_since(by, since):
        missing = [one for one in rows if not (folder / f"{result_number(one)}.hl7").exists()]
        done["before"] += len(rows) - len(missing)
        done["written"] += len(missing)
        if dry_run or not missing:
            continue
        with transaction.atomic():
            people = [one.person_id for one in missing]
            look_recorded(by=by, person_ids=people, purpose=Purpose.EXPORT, place="results to folder")
        for one in missing:
            _put(folder / f"{result_number(one)}.hl7", message_write(_sent(one)))
    return done


def _changed_since(by: User, since: date) -> Iterator[list[Result]]:
    system = by.username == SYSTEM_USERNAME
    if not system:
        require_role(by, Role.LABORATORY, Role.COORDINATOR, Role.CLINICIAN)
    gone = SampleMove.objects.filter(event="withdraw", recorded_at__gte=clock.moment(since)).values(
        "subject_id"
    )
    rows = results_read(None if system else by).filter(
        Q(authorised_on__gte=since) | Q(is_current=False, sample_id__in=gone)
    )
    last = 0
    while chunk := list(rows.filter(pk__gt=last).order_by("pk")[:CHUNK]):
        yield chunk
        last = chunk[-1].pk


def _put(path: Path, content: bytes) -> None:
    """The file whole or not at all, also when the machine stops."""
    draft = path.with_name(f".{path.name}.{os.getpid()}")
    with draft.open("wb") as out:
        out.write(content)
        out.flush()
        os.fsync(out.fileno())
    draft.replace(path)


def _sent(result: Result) -> Sent:
    person, sample = result.person, result.sample
    number = next((one.value for one in person.identifiers.all() if one.valid_to is None), "")
    standing = result.is_current
    return Sent(
        number=result_number(result), sender=("ROUNDBOOK", result.run.analyser.site.code), receiver=("", ""),
        made_at=getattr(result, "updated", result.authorised_at).astimezone(clock.zone()), authority=settings.HL7_AUTHORITY,
        person_number=number, family_name=person.family_name, given_names=person.given_names, birth_date=person.birth_date,
        sex=person.sex, serial=sample.serial, taken_first=sample.collected_earliest,
        taken_last=max(sample.collected_earliest, sample.return_of.collected_latest), received_on=sample.return_of.arrived_on,
        released_at=result.authorised_at.astimezone(clock.zone()), analysed_on=result.analysed_on, version=result.version,
        comparator=comparator(result), value=reported(result) if standing else None, cutoff=result.cutoff_ug_g,
        comparison=result.comparison, at_or_above=result.side == "at_or_above",
        notes=tuple(remarks(result)) if standing else ("This result was withdrawn. Do not use it.",),
    )  # fmt: skip
