"""Stories of the laboratory and of the letters about its results."""

from outreach.models import Letter
from outreach.services.freezing import letters_freeze
from outreach.services.held import letter_release
from outreach.services.planning import letters_plan
from oversight.rehearsal.stories.base import Story
from oversight.rehearsal.stories.scene import Scene
from results.services.authorise_amend import result_withdraw
from results.services.referrals_contact import contact_attempt_record

LIMIT = 5_000
SPOKE_FIRST = "Rang and explained before the letter left: the first result was another vial's."


def _letters_written(scene: Scene) -> None:
    """Today's letters are planned and frozen, before anything is printed."""
    letters_plan(by=scene.crew.system)
    letters_freeze(by=scene.crew.system, limit=LIMIT)


def _dies_before_print(scene: Scene) -> None:
    _letters_written(scene)
    scene.feed(deceased_on=scene.day.isoformat())


def _withdrawn(scene: Scene) -> None:
    result_withdraw(
        by=scene.crew.lab_lead,
        result=scene.result,
        reason="Rack and list compared again: the reading belongs to the neighbouring vial.",
        second=scene.crew.bench,
    )


def _withdrawn_after_posting(scene: Scene) -> None:
    scene.later(1, _withdrawn)


def _withdrawn_before_print(scene: Scene) -> None:
    _letters_written(scene)
    _withdrawn(scene)


def _rung_first(scene: Scene) -> None:
    """The letter of the second result is held, since the person was told "below"; the nurse rings, then lets it go."""
    nurse = scene.crew.nurse
    letters_plan(by=scene.crew.system, batch_id=scene.round.batch_id)
    contact_attempt_record(by=nurse, referral=scene.referral, outcome="spoke", wish="go_on", note=SPOKE_FIRST)
    for letter in Letter.objects.filter(person=scene.person, kind="corrected_result", state="held"):
        letter_release(by=nurse, letter=letter, note=SPOKE_FIRST)


LABORATORY = (
    Story(
        number=4,
        title="Died before the letter was printed",
        told="The letter about the result lay ready when the register told of the death: it never went to print.",
        week=9,
        after_result=(_dies_before_print,),
    ),
    Story(
        number=6,
        title="A late kit, at or above after closing",
        told="The round had closed as not returned; the kit came after a hundred days, reopened it and led to an examination.",
        week=1,
        course={"arrival_days": 100, "fhb": 45.0},
    ),
    Story(
        number=11,
        title="Exactly 20.0",
        told="100 ng/mL are 20.0 µg/g: at or above the cutoff, not below it.",
        week=11,
        course={"fhb": 20.0},
        readings=(("100", ""),),
        way={"finding": "other"},
    ),
    Story(
        number=12,
        title="19.96, shown as 20.0",
        told="The exact value is under the cutoff, the reported one meets it: at or above, with the exact value shown beside.",
        week=12,
        course={"fhb": 19.96},
        readings=(("99.8", ""),),
    ),
    Story(
        number=13,
        title="More than the analyser can measure",
        told="Reported as > 200 µg/g, never as a number; an advanced adenoma is found.",
        week=13,
        course={"fhb": 412.0},
        readings=((">1000", ""),),
        way={"finding": "advanced_adenoma", "specimens": 2},
    ),
    Story(
        number=14,
        title="Flagged twice",
        told="The analyser flags the vial, flags it again, and a new kit is sent; that one can be measured.",
        week=7,
        readings=(("", "PIPETTING"), ("", "PIPETTING"), ("31", "")),
    ),
    Story(
        number=15,
        title="Below, then at or above, after posting",
        told="The letter had left when the result was withdrawn. Measured again it is at or above: the nurse rings before"
        " the second letter goes.",
        week=14,
        course={"collected_before": 1, "fhb": 33.0},
        readings=(("<20", ""), ("165", "")),
        after_result=(_withdrawn_after_posting, _rung_first),
    ),
    Story(
        number=16,
        title="Below, then at or above, before printing",
        told="Withdrawn while its letter lay ready: that letter is never printed, and only the second result is told.",
        week=15,
        course={"collected_before": 1, "fhb": 27.0},
        readings=(("31", ""), ("135", "")),
        after_result=(_withdrawn_before_print,),
        way={"finding": "other"},
    ),
)
