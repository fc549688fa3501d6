"""Stories of what comes after the examination, and of a cancer found between two rounds."""

from dataclasses import replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

from oversight.rehearsal.lesions import in_pot
from oversight.rehearsal.stories.base import Story
from oversight.rehearsal.stories.scene import Scene
from results.services.after_examination import after_call_record, event_judge
from results.services.cancers import cancer_report
from results.services.findings import HistologyEntry, LesionEntry
from screening.models import Round
from screening.months import add_months
from staff import clock

if TYPE_CHECKING:
    from oversight.rehearsal.crew import Stage
    from oversight.rehearsal.follow_work import Follow
    from oversight.rehearsal.followup import Way
    from results.models import Referral

EDGE = ((4, 9), (5, 4))
"""How many adenomas of how many mm the two people of the edge have."""
LOW_GRADE = HistologyEntry("tubular", "low", clear_margins=True)


def _edge(stage: "Stage", follow: "Follow", referral: "Referral", way: "Way", day: date) -> bool:
    """Put the lesions of this one of the two in place before the usual course goes on."""
    count, size = EDGE[stage.cast.rows[27].index(follow.rows[referral.pk])]
    lesion = LesionEntry("sigmoid", size, "Is", "adenoma", "en_bloc")
    drawn = [in_pot(lesion, LOW_GRADE, pot) for pot in range(1, count + 1)]
    follow.ways[referral.pk] = replace(way, lesions=drawn)
    return False


def _bleeds(stage: "Stage", follow: "Follow", referral: "Referral", way: "Way", day: date) -> bool:
    """The call after 14 days is when it is heard of."""
    Scene(stage, follow.rows[referral.pk], day).later(15, _told_at_the_call)
    return False


def _told_at_the_call(scene: Scene) -> None:
    examination = scene.referral.examinations.order_by("pk")[0]
    told = {
        "kind": "bleeding", "severity": "admission", "source": "the person, at the call on day 14",
        "happened_on": examination.day + timedelta(days=9), "words": "Bled at home on day 9, two nights in hospital, no transfusion.",
    }  # fmt: skip
    made = after_call_record(
        by=scene.crew.nurse, examination=examination, mark=14, answer="event", event=told
    )
    if made.event is not None:
        event_judge(
            by=scene.crew.clinician, event=made.event, cause="caused", words="Bled from the place of removal."
        )


def _found_between(scene: Scene) -> None:
    """The cancer registry's match comes days after the new kit left."""
    earlier = Round.objects.filter(person=scene.person, state="closed", close_reason="below").latest("pk")
    tested = clock.local_day(earlier.closed_at) if earlier.closed_at else scene.day
    cancer_report(
        by=scene.crew.nurse, person=scene.person, diagnosed_on=add_months(tested, 14), source="regional cancer registry",
        document="CR-000029", stage="II", words="The earlier registry holds 12 µg/g for that round, cutoff 20.",
    )  # fmt: skip


AFTER = (
    Story(
        number=27,
        title="Four adenomas of 9 mm and five of 4 mm: the edge of surveillance",
        told="A couple: four small adenomas go back to screening, five call for a colonoscopy at three years.",
        week=7,
        pair=True,
        course={"fhb": (33.0, 41.0)},
        way={"finding": "non_advanced", "histology_after": 6},
        steps={"to_reach": _edge},
    ),
    Story(
        number=28,
        title="Bleeding on day 9",
        told="Heard of at the call on day 14, entered with its day, judged as caused by the removal.",
        week=6,
        course={"fhb": 180.0},
        way={"finding": "advanced_adenoma", "histology_after": 5},
        steps={"report_due": _bleeds},
    ),
    Story(
        number=29,
        title="Interval cancer 14 months after 12 µg/g",
        told="Matched by the cancer registry days after the next kit left: no reminder follows, and it is classed.",
        week=10,
        tested_before=True,
        course={"returns": False},
        after_sent=((3, _found_between),),
    ),
)
