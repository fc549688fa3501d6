"""People for programs: found and opened through the access door alone, each look with its purpose in the journal."""

from typing import Any, ClassVar

from drf_spectacular.utils import OpenApiParameter, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request

from screening.access import people_search, person_open
from screening.models import Person, StopScope
from screening.models.people import Sex
from staff.api.base import Reads, Shown, asked
from staff.api.does import Does
from staff.api.fields import Shape
from staff.errors import RoundbookError
from staff.models import Purpose

PART = "People"


class NumberShape(Shape):
    """An outside number."""

    scheme = serializers.CharField()
    value = serializers.CharField()
    valid_from = serializers.DateField()
    valid_to = serializers.DateField(allow_null=True)


class StopShape(Shape):
    """An opt-out or objection that stands."""

    scope = serializers.ChoiceField(choices=StopScope.choices)
    since = serializers.DateField()


class PersonShape(Shape):
    """One person of the register, without contact details."""

    id = serializers.IntegerField()
    family_name = serializers.CharField()
    given_names = serializers.CharField()
    birth_date = serializers.DateField(allow_null=True)
    sex = serializers.ChoiceField(choices=Sex.choices)
    area = serializers.CharField(source="area.code", allow_null=True, default=None)
    deceased_on = serializers.DateField(allow_null=True)
    left_area_on = serializers.DateField(allow_null=True)
    next_due_on = serializers.DateField(allow_null=True)


class RoundShape(Shape):
    """One round of the person."""

    id = serializers.IntegerField()
    nth = serializers.IntegerField()
    state = serializers.CharField()
    invited_on = serializers.DateField()
    due_on = serializers.DateField(allow_null=True)
    close_reason = serializers.CharField()


class PersonFullShape(PersonShape):
    """One person with contact details, outside numbers, stops and rounds."""

    address = serializers.SerializerMethodField()
    phone = serializers.CharField()
    email = serializers.CharField()
    language = serializers.CharField()
    numbers = NumberShape(many=True, source="identifiers.all")
    stops = serializers.SerializerMethodField()
    rounds = RoundShape(many=True, source="rounds.all")

    @extend_schema_field(serializers.ListField(child=serializers.CharField()))
    def get_address(self, person: Person) -> list[str]:
        """The address; empty where it is protected."""
        return [] if person.hidden_address else person.address_lines

    @extend_schema_field(StopShape(many=True))
    def get_stops(self, person: Person) -> Any:
        """The stops that stand."""
        return StopShape(person.stops.filter(ended_on=None).order_by("pk"), many=True).data


class Looking(Shape):
    """Why a person is looked at; it goes into the access journal."""

    purpose = serializers.ChoiceField(choices=Purpose.choices)


class Finding(Shape):
    """Whom to find."""

    find = serializers.CharField(max_length=120)


PERSON = {
    "id": 41, "family_name": "Fenwirth", "given_names": "Liora", "birth_date": "1964-03-09", "sex": "female", "area": "Q1",
    "deceased_on": None, "left_area_on": None, "next_due_on": None,
}  # fmt: skip
FULL = PERSON | {
    "address": ["1 Mill Lane", "Quillport", "0Q-417"], "phone": "01632960001", "email": "", "language": "en",
    "numbers": [{"scheme": "register", "value": "0000000001", "valid_from": "2020-01-01", "valid_to": None}], "stops": [],
    "rounds": [
        {"id": 7, "nth": 1, "state": "kit_out", "invited_on": "2026-06-01", "due_on": "2026-08-30", "close_reason": ""}
    ],
}  # fmt: skip


class FoundShape(Shape):
    """Whom a search found."""

    items = PersonShape(many=True)
    more = serializers.BooleanField()


class People(Reads):
    """People found."""

    does: ClassVar = {
        "GET": Does(
            name="people_find", part=PART, summary="Find people by number, kit serial, phone, or name with birth year",
            gives=FoundShape, example={"items": [PERSON], "more": False},
            query=(OpenApiParameter("find", {"type": "string", "minLength": 1, "maxLength": 120}, required=True,
                                    description="What to find. Everybody found is journalled."),),
        )
    }  # fmt: skip

    def show(self, request: Request, **at: Any) -> Shown:
        """Whom the search finds, journalled."""
        answer = people_search(by=self.by, text=asked(request, Finding)["find"])
        if answer.sentence and not answer.found:
            raise RoundbookError("nobody_found", answer.sentence)
        people = PersonShape([one.person for one in answer.found], many=True).data
        return Shown({"items": people, "more": answer.more})


class OnePerson(Reads):
    """One person."""

    does: ClassVar = {
        "GET": Does(
            name="person", part=PART, summary="One person, opened for a purpose", gives=PersonFullShape, example=FULL,
            query=(OpenApiParameter("purpose", str, required=True, enum=Purpose.values,
                                    description="Why the record is opened; it goes into the access journal."),),
        )
    }  # fmt: skip

    def show(self, request: Request, **at: Any) -> Shown:
        """The person, journalled; a merged record gives the one it was merged into."""
        purpose = asked(request, Looking)["purpose"]
        person: Person = person_open(by=self.by, person_id=at["pk"], purpose=purpose, place="api:person")
        return Shown(PersonFullShape(person).data)
