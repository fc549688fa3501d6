"""What of this part the FHIR facade gives: people, found by number or id; and the search by patient that others use."""

import re
from typing import Any

from django.apps import apps
from django.db.models import Count, Max, OuterRef, QuerySet, Subquery
from django.db.models.functions import Coalesce, Greatest
from django.utils.translation import gettext as _

from screening.access import people_readable
from screening.fhir.patient import patient
from screening.models import Person, PersonIdentifier
from staff.fhir.base import Resource
from staff.fhir.outcome import SearchRefused
from staff.fhir.parts import Frame
from staff.fhir.search import Asked, Narrow, Param, Rows, alternatives, keys, moments
from staff.models import User

IDENTIFIED = ("identifier", "_id")


def _people(by: User) -> QuerySet[Any]:
    """People with the version of their record and when it last changed, by the register or by a correction."""
    events = apps.get_model("screening", "PersonHistory").objects
    history = events.filter(pgh_obj=OuterRef("pk")).order_by().values("pgh_obj")
    return people_readable(by=by).annotate(
        version=Coalesce(Subquery(history.annotate(n=Count("pk")).values("n")), 0) + 1,
        updated=Greatest(
            "last_feed__applied_at", Subquery(history.annotate(at=Max("pgh_created_at")).values("at"))
        ),
    )


def _by_number(rows: Rows, values: Asked, frame: Frame) -> Rows:
    """People by an outside number, old ones too; the system may be that of any scheme of ours."""
    for value in values:
        found = PersonIdentifier.objects.none()
        for token in alternatives(value):
            system, bar, number = token.rpartition("|")
            prefix = frame.system("person/")
            if "\x00" in number or (bar and not system.startswith(prefix)):
                continue
            same = PersonIdentifier.objects.filter(value=number)
            found |= same.filter(scheme=system.removeprefix(prefix)) if bar else same
        rows = rows.filter(pk__in=list(found.values_list("person_id", flat=True)[:200]))
    return rows


def patients(field: str) -> Narrow:
    """Rows of these patients, `41` or `Patient/41`; what belongs to a record merged into theirs is theirs too."""

    def narrow(rows: Rows, values: Asked, frame: Frame) -> Rows:
        for value in values:
            texts = [re.sub(r"^(?:https?://[^|\s]*/)?Patient/", "", one) for one in alternatives(value)]
            wanted = keys(texts)
            if len(wanted) != len(texts):
                raise SearchRefused("invalid", _("Name a patient as Patient/41 or 41."))
            members = Person.objects.filter(merged_into__in=wanted).values_list("pk", flat=True)
            rows = rows.filter(**{f"{field}__in": [*wanted, *members]})
        return rows

    return narrow


def patient_param(field: str) -> Param:
    """The search parameter `patient`."""
    return Param("reference", "Whose; records merged into theirs count.", patients(field))


PATIENT = Resource(
    "Patient", "A person of the register", _people, patient, lambda person: int(person.merged_into_id or person.pk),
    {
        "identifier": Param("token", "An outside number, `value` or `system|value`; old numbers count.", _by_number),
        "_lastUpdated": Param("date", "When the record last changed.", moments("updated")),
    },
    needs={"": IDENTIFIED},
)  # fmt: skip
RESOURCES = (PATIENT,)
