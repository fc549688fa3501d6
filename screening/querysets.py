"""Reads of people: one by id, the few a search finds. Pages reach them through `screening.access` only."""

import re
from dataclasses import dataclass
from datetime import date

from django.db.models import F, Func, Prefetch, Q, QuerySet, TextField, Value
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from screening.models import Kit, Person, PersonIdentifier, Round
from screening.names import name_key_make
from screening.serials import DEFAULT_PREFIX, PERSON_NUMBER_DIGITS, SerialError, person_number_ok, serial_read

MOST = 25
_YEAR = re.compile(r"(?<!\d)(?:19|20)\d{2}(?!\d)")
_PHONE = re.compile(r"[\d\s()+/.-]+")
_DATE = re.compile(
    r"(?<![\d/.-])(?:(?P<d>\d{1,2})(?P<mark>[/.-])(?P<m>\d{1,2})(?P=mark)(?P<y>(?:19|20)\d{2})"
    r"|(?P<iso>(?:19|20)\d{2}-\d{1,2}-\d{1,2}))(?![\d/-])",
    re.ASCII,
)
"""A birth date as people write it: 13/07/1962, 13.7.1962, 13-07-1962 (the day first) or 1962-07-13."""
_ANY_OF = gettext_lazy(
    "Type a kit serial, a person number, a name with the birth year or birth date, or a phone number."
)
_ALONE = gettext_lazy(
    "Many people are born on one day: type the name with the birth date, or at least its first letters."
)


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
        return _by_phone(text)
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


def _by_phone(text: str) -> tuple[list[Found], str, bool]:
    only_digits = Func(
        F("phone"),
        Value(r"\D"),
        Value(""),
        Value("g"),
        function="regexp_replace",
        output_field=TextField(),
    )
    people = people_read().exclude(phone="").annotate(digits=only_digits)
    nobody = _ALONE if _DATE.fullmatch(text) else gettext_lazy("Nobody has this phone number.")
    return _shown(people.filter(digits=re.sub(r"\D", "", text)), str(nobody))


def _by_name(text: str) -> tuple[list[Found], str, bool]:
    written = _DATE.search(text)
    rest = text if written is None else text.replace(written[0], " ")
    words = [w for w in name_key_make(re.sub(r"[\d,;]+", " ", rest)).split() if w.strip("-./")]
    if not words:
        return [], str(_ALONE if written else _ANY_OF), False
    if written:
        return _born_on(words, written)
    years = _YEAR.findall(text)
    if not years:
        return [], _year_missing(text), False
    people = _named(words).filter(birth_date__year=int(years[-1]))
    return _shown(
        people, _("Nobody of that name was born that year. Try fewer letters, or the person number.")
    )


def _born_on(words: list[str], written: re.Match[str]) -> tuple[list[Found], str, bool]:
    """People of a name who were born on the day that was written."""
    parts = written["iso"].split("-") if written["iso"] else (written["y"], written["m"], written["d"])
    try:
        day = date(*(int(part) for part in parts))
    except ValueError:
        words_wrong = _("%(day)s is no day of the calendar. Write the day first, for example 13/07/1962.")
        return [], words_wrong % {"day": written[0]}, False
    nobody = _(
        "Nobody of that name was born on %(day)s. Try the year alone, fewer letters, or the person number."
    )
    return _shown(_named(words).filter(birth_date=day), nobody % {"day": date_format(day)})


def _named(words: list[str]) -> QuerySet[Person]:
    people = people_read()
    for word in words:
        people = people.filter(Q(name_key__startswith=word) | Q(name_key__contains=f" {word}"))
    return people


def _year_missing(text: str) -> str:
    """What to add to a name alone; digits that are no year are not taken for a part of the name."""
    name = " ".join(w for w in re.sub(r"[\d,;/.]+", " ", text).split() if w.strip("-"))[:40]
    if any(c.isdigit() for c in text):
        words = _("Write the birth year with four digits after the name, for example: %(name)s 1958.")
    else:
        words = _("Add the birth year after the name, for example: %(name)s 1958.")
    return words % {"name": name}


def rounds_of(person: Person) -> list[Round]:
    """The person's rounds with their kits, newest first."""
    kits = Prefetch("kits", queryset=Kit.objects.select_related("lot").order_by("ordinal"))
    return list(
        Round.objects.filter(person__in=members_of(person))
        .select_related("batch")
        .prefetch_related(kits)
        .order_by("-invited_on", "-pk")
    )
