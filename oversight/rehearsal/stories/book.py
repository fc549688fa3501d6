"""All stories by number, and those that wait until the registry holds their subject."""

from collections.abc import Mapping

from oversight.rehearsal.stories.base import Story, Waiting
from oversight.rehearsal.stories.follow_up import FOLLOW_UP
from oversight.rehearsal.stories.laboratory import LABORATORY
from oversight.rehearsal.stories.reception import RECEPTION

STORIES: Mapping[int, Story] = {
    story.number: story
    for story in sorted((*RECEPTION, *LABORATORY, *FOLLOW_UP), key=lambda story: story.number)
}
"""Story number → story."""

WAITING: tuple[Waiting, ...] = (
    Waiting(
        27,
        "Four adenomas of 9 mm and five of 4 mm: the edge of surveillance",
        "lesions one by one: an examination holds one most serious finding, without number and size",
    ),
    Waiting(
        28,
        "Bleeding on day 9",
        "adverse events after an examination: today a bleeding could only be a note on a contact",
    ),
    Waiting(
        29,
        "Interval cancer 14 months after 12 µg/g",
        "cancers found between rounds: no registry match and no record of one yet",
    ),
)
"""The stories that are not told yet, and what each of them waits for."""
