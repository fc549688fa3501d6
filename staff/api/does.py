"""What one method of one address does, said once: for the code that answers and for the description of it."""

from dataclasses import dataclass
from typing import Any

from rest_framework import serializers

from staff.api.fields import Nothing


@dataclass(frozen=True, kw_only=True)
class Does:
    """Name, words, shapes and examples of one method of one address."""

    name: str
    part: str
    summary: str
    gives: type[serializers.BaseSerializer[Any]]
    example: Any
    takes: type[serializers.Serializer[Any]] = Nothing
    sends: Any = None
    words: str = ""
    status: int = 200
    paged: bool = False
    etag: bool = False
    if_match: bool = False
    csv: bool = False
    largest: int = 1_000_000
    query: tuple[Any, ...] = ()

    @property
    def answer_example(self) -> Any:
        """The example of the answer, as a page where it is one."""
        return {"items": [self.example], "next": None} if self.paged else self.example
