"""Fields of the shapes that programs send and get: bounded, so that no number or day is beyond what can be stored."""

from datetime import date
from typing import Any

from django.urls import register_converter
from django.utils.translation import gettext_lazy as _
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

LARGEST = 2**63 - 1
FIRST_DAY, LAST_DAY = date(1900, 1, 1), date(2199, 12, 31)


class KeyConverter:
    """A row's number in an address: 1 to 18 digits, no leading zero, so that it always fits."""

    regex = "[1-9][0-9]{0,17}"

    def to_python(self, value: str) -> int:
        """The number."""
        return int(value)

    def to_url(self, value: int) -> str:
        """Its digits."""
        return str(value)


register_converter(KeyConverter, "key")


class Key(serializers.IntegerField):
    """The number of a row."""

    def __init__(self, **given: Any) -> None:
        super().__init__(**({"min_value": 1, "max_value": LARGEST} | given))


class Day(serializers.DateField):
    """A calendar day of a life that can still matter."""

    def __init__(self, **given: Any) -> None:
        super().__init__(**given)

    def to_internal_value(self, value: Any) -> date:
        """The day, between 1900 and 2199."""
        day: date = super().to_internal_value(value)
        if not FIRST_DAY <= day <= LAST_DAY:
            raise serializers.ValidationError(_("Choose a day from 1900 to 2199."), code="day_out_of_bounds")
        return day


@extend_schema_field(
    {"type": "string", "pattern": r"^[0-2][0-9]:[0-5][0-9](:[0-5][0-9](\.[0-9]+)?)?$", "example": "09:30"}
)
class Hour(serializers.TimeField):
    """A time of day where the site is, hours and minutes."""


class Words(serializers.CharField):
    """Free words; may be empty unless said otherwise."""

    def __init__(self, **given: Any) -> None:
        asked = {"max_length": 2000} | given
        if not asked.get("required", True):
            asked = {"allow_blank": True, "default": ""} | {k: v for k, v in asked.items() if k != "required"}
        super().__init__(**asked)


class Shape(serializers.Serializer[Any]):
    """What goes in or out; it names fields and types and holds no rule."""


class Nothing(Shape):
    """A request without a body of its own: `{}`."""
