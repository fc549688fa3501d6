"""All stories by number, and those that wait until the registry holds their subject."""

from collections.abc import Mapping

from oversight.rehearsal.stories.after import AFTER
from oversight.rehearsal.stories.base import Story, Waiting
from oversight.rehearsal.stories.follow_up import FOLLOW_UP
from oversight.rehearsal.stories.laboratory import LABORATORY
from oversight.rehearsal.stories.reception import RECEPTION

STORIES: Mapping[int, Story] = {
    story.number: story
    for story in sorted((*RECEPTION, *LABORATORY, *FOLLOW_UP, *AFTER), key=lambda story: story.number)
}
"""Story number → story."""

WAITING: tuple[Waiting, ...] = ()
"""The stories that are not told yet, and what each of them waits for."""
