"""Stories at the post desk and the phone desk."""

from datetime import date, timedelta

from oversight.rehearsal.stories.base import Story
from oversight.rehearsal.stories.scene import Scene
from screening.models import StopScope
from screening.months import add_months
from screening.services.intake_solve import Answer
from screening.services.people import postponement_record, stop_record

FEMALE = 0


def _opts_out(scene: Scene) -> None:
    stop_record(
        by=scene.crew.office,
        person=scene.person,
        scope=StopScope.INVITATIONS,
        source="call from the person",
        since=scene.day,
    )


def _waits_a_year(scene: Scene) -> None:
    postponement_record(
        by=scene.crew.office,
        person=scene.person,
        until=add_months(scene.day, 12),
        note="Pregnant; asked to be invited again in a year.",
    )


def _before_it_left(sent: date) -> str:
    return (sent - timedelta(days=2)).isoformat()


RECEPTION = (
    Story(
        number=1,
        title="Twins who look alike",
        told="Same family name, birth date and address, given names one letter apart, kits in the same sack: two"
        " people, two kits, two results.",
        week=7,
        pair=True,
        people={"male": FEMALE, "age": 57, "band": 1},
        columns=(
            {"given_names": "Zelinna", "sex": "female"},
            {"given_names": "Zelinda", "sex": "female"},
        ),
        course={"fhb": (6.0, 0.0)},
    ),
    Story(
        number=2,
        title="A couple swapped their vials",
        told="Each vial bears the other's name. Both kits are held and neither is tested; both get a new kit.",
        week=6,
        pair=True,
        course={"problem": "other_name"},
        answer=Answer.SWAPPED,
    ),
    Story(
        number=5,
        title="Opted out, then the kit came back",
        told="The kit waits until the person is asked; tested as wished, and the result is sent although the stop stands.",
        week=6,
        course={"arrival_days": 13},
        answer=Answer.ACCEPT,
        after_sent=((7, _opts_out),),
    ),
    Story(
        number=7,
        title="No date on the label, rescued by the worst case",
        told="Counted from the day the kit left us the sample is still young enough, so it is measured.",
        week=10,
        course={"arrival_days": 6, "problem": "no_date"},
    ),
    Story(
        number=8,
        title="31 November on the label",
        told="A day that does not exist: set aside, the phone desk asks, and the day told is in time.",
        week=1,
        course={"arrival_days": 8, "collected_before": 2},
        keyed=lambda _sent: "31/11",
        answer=Answer.DAY_TOLD,
    ),
    Story(
        number=9,
        title="Collected before the kit was sent",
        told="The day on the label is two days before the kit left us: set aside, asked, and put right.",
        week=2,
        course={"arrival_days": 8, "collected_before": 2},
        keyed=_before_it_left,
        answer=Answer.DAY_TOLD,
    ),
    Story(
        number=10,
        title="Too old because the post was on strike",
        told="Sixteen days on the way: not tested, a new kit with an apology, and that one is in time.",
        week=3,
        course={"arrival_days": 24, "collected_before": 16},
    ),
    Story(
        number=20,
        title="Pregnant at fifty",
        told="She rings after the invitation and is postponed for a year; the round closes and no reminder goes out.",
        week=16,
        male=FEMALE,
        people={"first": True, "age": 50, "band": 0},
        course={"returns": False},
        after_sent=((8, _waits_a_year),),
    ),
)
