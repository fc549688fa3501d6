"""Puts people on somebody's list of today, so that their page opens without being asked why."""

from django.test import Client

from screening.access import people_listed
from screening.models import Person
from tests import cast


def on_the_list(username: str, *person_ids: int) -> None:
    """These people stood on a list this member of staff looked at today."""
    people_listed(by=cast.member(username), person_ids=person_ids, place="a list")


def asked_why(client: Client, person: Person, *, purpose: str = "call", note: str = "") -> None:
    """Say why the record is opened, as the page asks."""
    client.post(f"/people/{person.pk}/look/", {"purpose": purpose, "note": note})
