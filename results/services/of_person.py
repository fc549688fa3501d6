"""Everything of one person, those of merged records included: results and referrals."""

from results.models import Referral, Result
from screening.models import Person


def _same_person(person: Person) -> list[int]:
    return [person.pk, *Person.objects.filter(merged_into=person).values_list("pk", flat=True)]


def results_of(person: Person) -> list[Result]:
    """Every version of a person's results, newest first, those of merged records included."""
    rows = Result.objects.filter(person_id__in=_same_person(person)).select_related("sample", "rule")
    return list(rows.order_by("-authorised_at", "-pk"))


def referrals_of(person: Person) -> list[Referral]:
    """A person's referrals, newest first, those of merged records included."""
    rows = Referral.objects.filter(person_id__in=_same_person(person)).select_related("owner")
    return list(rows.order_by("-opened_on", "-pk"))
