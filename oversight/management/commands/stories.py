"""Lists the seeded people of the demo region: who plays which story, and where to look."""

import json
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.urls import reverse

from oversight.models import Rehearsal
from oversight.rehearsal.stories.book import STORIES, WAITING
from screening.models import PersonIdentifier


class Command(BaseCommand):
    """Exit 0 with the list; exit 1 where no rehearsal with stories is in this database."""

    help = "List the demo region's people with a story: number, title, person number and page."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--json", action="store_true", help="print the list as JSON")

    def handle(self, *args: Any, **options: Any) -> None:
        mark = Rehearsal.objects.filter(status=Rehearsal.Status.DONE).order_by("-pk").first()
        cast: dict[str, list[str]] = mark.summary.get("stories", {}) if mark is not None else {}
        if not cast:
            raise CommandError("No region with stories lies in this database. Lay one down with: rehearse")
        stories = [self._story(int(number), people) for number, people in cast.items()]
        waiting = [{"number": one.number, "title": one.title, "waits_for": one.waits_for} for one in WAITING]
        if options["json"]:
            self.stdout.write(json.dumps({"stories": stories, "waiting": waiting}, ensure_ascii=False))
            return
        for story in stories:
            self.stdout.write(f"{story['number']:>3}  {story['title']}")
            for person, page in zip(story["people"], story["pages"], strict=True):
                self.stdout.write(f"     {person}  {page}")
            self.stdout.write(f"     {story['told']}")
        self.stdout.write("\nNot told yet:")
        for one in waiting:
            self.stdout.write(f"{one['number']:>3}  {one['title']}\n     waits for {one['waits_for']}")

    def _story(self, number: int, people: list[str]) -> dict[str, Any]:
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
