"""A field for the rows that were ticked in a table: numbers, and nothing else."""

from typing import Any

from django import forms

DIGITS = 18


class TickedField(forms.MultipleChoiceField):
    """The numbers of the ticked rows, each once; what is no number was not on the page and is refused."""

    def __init__(self) -> None:
        super().__init__(required=False)

    def valid_value(self, value: Any) -> bool:
        """Whether it can be a row's number."""
        return str(value).isdecimal() and len(str(value)) <= DIGITS

    def clean(self, value: Any) -> list[int]:
        """The numbers, in the order of the page."""
        return list(dict.fromkeys(int(one) for one in super().clean(value)))
