"""Lists the seeded people of the demo region: who plays which story, and where to look."""

import json
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.urls import reverse

from oversight.models import Rehearsal
from oversight.rehearsal.stories.book import STORIES, WAITING
from oversight.rehearsal.stories.lab_days import LAB_DAYS, LAB_WAITING
from screening.models import PersonIdentifier


class Command(BaseCommand):
    """Exit 0 with the list; exit 1 where no rehearsal with stories is in this database."""

    help = "List the demo region's people with a story: number, title, person number and page."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--json", action="store_true", help="print the list as JSON")

    def handle(self, *args: Any, **options: Any) -> None:
        mark = Rehearsal.objects.filter(status=Rehearsal.Status.DONE).order_by("-pk").first()
        cast: dict[str, list[str]] = mark.summary.get("stories", {}) if mark is not None else {}
        if mark is None or not cast:
            raise CommandError("No region with stories lies in this database. Lay one down with: rehearse")
        found: dict[str, list[dict[str, Any]]] = {
            "stories": [_story(int(number), people) for number, people in cast.items()],
            "laboratory": [
                {"day": (mark.first_day + one.after).isoformat(), "title": one.title, "told": one.told}
                for one in LAB_DAYS
            ],
            "waiting": [
                {"number": one.number, "title": one.title, "waits_for": one.waits_for}
                for one in (*WAITING, *LAB_WAITING)
            ],
        }
        if options["json"]:
            self.stdout.write(json.dumps(found, ensure_ascii=False))
        else:
            self.stdout.write("\n".join(_lines(found)))


def _story(number: int, people: list[str]) -> dict[str, Any]:
    known = dict(
        PersonIdentifier.objects.filter(
            scheme=PersonIdentifier.REGISTER, value__in=people, valid_to=None
        ).values_list("value", "person_id")
    )
    story = STORIES[number]
    return {
        "number": number,
        "title": story.title,
        "told": story.told,
        "people": people,
        "pages": [reverse("screening:person", args=[known[one]]) for one in people],
    }


def _lines(found: dict[str, list[dict[str, Any]]]) -> list[str]:
    lines = []
    for story in found["stories"]:
        lines.append(f"{story['number']:>3}  {story['title']}")
        pairs = zip(story["people"], story["pages"], strict=True)
        lines += [*(f"     {person}  {page}" for person, page in pairs), f"     {story['told']}"]
    lines += ["", "In the laboratory:"]
    for day in found["laboratory"]:
        lines += [f"     {day['day']}  {day['title']}", f"     {day['told']}"]
    lines += ["", "Not told yet:"]
    for one in found["waiting"]:
        lines += [f"{one['number'] or '':>3}  {one['title']}", f"     waits for {one['waits_for']}"]
    return lines
