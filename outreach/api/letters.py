"""Letters for programs: the list with its states; whom they are for is journalled."""

from typing import Any, ClassVar

from drf_spectacular.utils import OpenApiParameter
from rest_framework import serializers
from rest_framework.request import Request

from outreach.models import Letter
from outreach.states import LETTER
from screening.access import people_listed
from staff.api.base import Reads, Shown, asked, page_of
from staff.api.does import Does
from staff.api.fields import Shape

STATES = [(state, state) for state in LETTER.states]


class LetterShape(Shape):
    """One letter to one recipient, and how far it has come."""

    id = serializers.IntegerField()
    kind = serializers.CharField()
    recipient = serializers.ChoiceField(choices=Letter.Recipient.choices)
    person = serializers.IntegerField(source="person_id")
    round = serializers.IntegerField(source="round_id", allow_null=True)
    referral = serializers.IntegerField(source="referral_id", allow_null=True)
    state = serializers.ChoiceField(choices=STATES)
    state_since = serializers.DateTimeField(allow_null=True)
    due_on = serializers.DateField(allow_null=True)
    not_before = serializers.DateField(allow_null=True)
    close_reason = serializers.CharField()


class Filters(Shape):
    """Which letters."""

    state = serializers.ChoiceField(choices=STATES, required=False)
    kind = serializers.CharField(max_length=24, required=False)


EXAMPLE = {
    "id": 88, "kind": "invitation", "recipient": "person", "person": 41, "round": 7, "referral": None, "state": "handed_over",
    "state_since": "2026-06-15T12:00:00Z", "due_on": None, "not_before": None, "close_reason": "",
}  # fmt: skip


class Letters(Reads):
    """Letters."""

    does: ClassVar = {
        "GET": Does(
            name="letters", part="Letters", summary="Letters with their states, newest first", gives=LetterShape,
            example=EXAMPLE, paged=True,
            query=(
                OpenApiParameter("state", str, enum=list(LETTER.states), description="Only those in this state."),
                OpenApiParameter("kind", {"type": "string", "maxLength": 24}, description="Only this kind."),
            ),
        )
    }  # fmt: skip

    def show(self, request: Request, **at: Any) -> Shown:
        """A page of letters; whom they are for is journalled."""
        found, page = page_of(request, Letter.objects.filter(**asked(request, Filters)), LetterShape)
        people_listed(by=self.by, person_ids=[one.person_id for one in found], place="api:letters")
        return Shown(page)
