"""A result as an HL7 v2 message for programs; whose it is, is journalled."""

from typing import Any, ClassVar

from rest_framework import serializers
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request

from results.api.runs import PART
from results.services.result_messages import result_message
from staff.api.base import Reads, Shown
from staff.api.does import Does
from staff.api.fields import Shape

ER7 = "application/hl7-v2"


class Er7Renderer(JSONRenderer):
    """The message as it is; a refusal stays a problem in JSON."""

    media_type = ER7
    format = "hl7"

    def render(self, data: Any, accepted_media_type: str | None = None, renderer_context: Any = None) -> Any:
        """The segments."""
        if isinstance(data, dict) and "message" in data:
            return data["message"].encode()
        return super().render(data, accepted_media_type, renderer_context)


class MessageShape(Shape):
    """A message, and the number that is the same whenever it says the same."""

    number = serializers.CharField()
    message = serializers.CharField()


EXAMPLE = {
    "number": "RB51",
    "message": "MSH|^~\\&|ROUNDBOOK|QLAB|||20260617123000+0100||ORU^R01^ORU_R01|RB51|P|2.5.1||||||UNICODE UTF-8\r",
}


class ResultMessage(Reads):
    """One result as ORU^R01."""

    renderer_classes: Any = (JSONRenderer, Er7Renderer)
    does: ClassVar = {
        "GET": Does(
            name="result_message", part=PART, summary="A result as an HL7 v2.5.1 message (ORU^R01)", gives=MessageShape,
            example=EXAMPLE, etag=True,
            words="Final, corrected, or deleted when the result was withdrawn. With `Accept: application/hl7-v2` the bare "
            "message comes back. Refused with 409 when a newer version took its place.",
        )
    }  # fmt: skip

    def show(self, request: Request, **at: Any) -> Shown:
        """The message, journalled."""
        number, message = result_message(by=self.by, result_id=at["pk"], place="api:result-message")
        return Shown({"number": number, "message": message.decode()}, tag=number)
