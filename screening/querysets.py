"""Reads of people: one by id, the few a search finds. Pages reach them through `screening.access` only."""

import re
from dataclasses import dataclass

from django.db.models import F, Func, Prefetch, Q, QuerySet, TextField, Value
from django.utils.translation import gettext as _

from screening.models import Kit, Person, PersonIdentifier, Round
from screening.names import name_key_make
from screening.serials import DEFAULT_PREFIX, PERSON_NUMBER_DIGITS, SerialError, person_number_ok, serial_read

MOST = 25
_YEAR = re.compile(r"(?<!\d)(?:19|20)\d{2}(?!\d)")
_PHONE = re.compile(r"[\d\s()+/.-]+")


@dataclass(frozen=True)
class Found:
    """One person a search found, with the kit that led there if one did."""

    person: Person
    number: str
    kit: Kit | None = None


def people_read() -> QuerySet[Person]:
    """People with what a page about them always needs."""
    numbers = PersonIdentifier.objects.order_by(F("valid_to").desc(nulls_first=True), "-valid_from")
    return Person.objects.select_related("area", "practice").prefetch_related(
        Prefetch("identifiers", queryset=numbers)
    )


def person_by_id(person_id: int) -> Person | None:
    """The person, or the one this record was merged into."""
    person = people_read().filter(pk=person_id).first()
    for _step in range(8):
        if person is None or person.merged_into_id is None:
            return person
        person = people_read().filter(pk=person.merged_into_id).first()
    return person


def members_of(person: Person) -> list[int]:
    """The record itself and those merged into it: whose rounds, stops and exclusions are this person's."""
    return [person.pk, *Person.objects.filter(merged_into=person).values_list("pk", flat=True)]


def number_of(person: Person) -> str:
    """The person's current register number, in groups of four."""
    current = next((i.value for i in person.identifiers.all() if i.valid_to is None), "")
    return " ".join(current[i : i + 4] for i in range(0, len(current), 4))


def people_found(text: str) -> tuple[list[Found], str, bool]:
    """Whom a text may mean: (people, a sentence when there is nobody, whether there are more)."""
    text = " ".join(text.split())
    compact = re.sub(r"[\s-]", "", text)
    if not text:
        return [], "", False
    if compact.upper().startswith(DEFAULT_PREFIX) and any(c.isdigit() for c in compact):
        return _by_serial(text)
    if compact.isascii() and compact.isdigit() and len(compact) == PERSON_NUMBER_DIGITS:
        return _by_number(compact)
    if _PHONE.fullmatch(text) and sum(c.isdigit() for c in text) >= 6:
        digits = re.sub(r"\D", "", text)
        only_digits = Func(
            F("phone"),
            Value(r"\D"),
            Value(""),
            Value("g"),
            function="regexp_replace",
            output_field=TextField(),
        )
        return _shown(people_read().exclude(phone="").annotate(digits=only_digits).filter(digits=digits), _("Nobody has this phone number."))  # fmt: skip
    return _by_name(text)


def _shown(people: QuerySet[Person], nobody: str) -> tuple[list[Found], str, bool]:
    rows = list(people.filter(merged_into=None).order_by("name_key", "birth_date", "pk")[: MOST + 1])
    found = [Found(person, number_of(person)) for person in rows[:MOST]]
    return found, "" if found else nobody, len(rows) > MOST


def _by_serial(text: str) -> tuple[list[Found], str, bool]:
    try:
        serial = serial_read(text)
    except SerialError as error:
        return [], str(error.sentence), False
    kit = Kit.objects.select_related("round").filter(serial=serial).first()
    if kit is None:
        return [], _("No kit of this programme has the serial %(serial)s.") % {"serial": serial}, False
    if kit.round is None:
        return [], _("Kit %(serial)s is in stock: it was never sent to anybody.") % {"serial": serial}, False
    person = person_by_id(kit.round.person_id)
    return ([Found(person, number_of(person), kit)] if person else []), "", False


def _by_number(number: str) -> tuple[list[Found], str, bool]:
    if not person_number_ok(number):
        return (
            [],
            _("The last digit of this person number does not fit the others, so one was misread."),
            False,
        )
    ids = PersonIdentifier.objects.filter(value=number).values_list("person_id", flat=True)
    people = [person for pk in dict.fromkeys(ids) if (person := person_by_id(pk))]
    return (
        [Found(p, number_of(p)) for p in people],
        "" if people else _("Nobody has this person number."),
        False,
    )


def _by_name(text: str) -> tuple[list[Found], str, bool]:
    years = _YEAR.findall(text)
    words = [w for w in name_key_make(re.sub(r"[\d,;]+", " ", text)).split() if w.strip("-.")]
    if not words:
        return (
            [],
            _("Type a kit serial, a person number, a name with the birth year, or a phone number."),
            False,
        )
    if not years:
        return (
            [],
            _("Add the birth year after the name, for example: %(name)s 1958.") % {"name": text[:40]},
            False,
        )
    people = people_read().filter(birth_date__year=int(years[-1]))
    for word in words:
        people = people.filter(Q(name_key__startswith=word) | Q(name_key__contains=f" {word}"))
    return _shown(
        people, _("Nobody of that name was born that year. Try fewer letters, or the person number.")
    )


def rounds_of(person: Person) -> list[Round]:
    """The person's rounds with their kits, newest first."""
    kits = Prefetch("kits", queryset=Kit.objects.select_related("lot").order_by("ordinal"))
    return list(
        Round.objects.filter(person__in=members_of(person))
        .select_related("batch")
        .prefetch_related(kits)
        .order_by("-invited_on", "-pk")
    )
