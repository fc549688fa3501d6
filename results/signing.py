"""Whether a signed next step follows what was computed, and what keeps it from being signed; pure rules.

The clinician decides (R9): a step that differs is signed with a reason, never refused. Only missing histology refuses.
"""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from django.utils.formats import date_format
from django.utils.translation import gettext_lazy as _

from results.surveillance import Course
from screening.months import add_months

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

SLACK = timedelta(days=92)
"""How far a surveillance day may lie outside the proposed months without a reason: common practice, no source."""

STEP_OF = {
    Course.SCREENING: "screening",
    Course.SURVEILLANCE: "surveillance",
    Course.TREATMENT: "treatment",
}


@dataclass(frozen=True, slots=True)
class Computed:
    """What stands computed: class, course, months after `counted_from`, and the age at which surveillance stops."""

    finding: str
    course: Course
    months: tuple[int, int] | None
    counted_from: date | None
    birth_date: date | None = None
    stop_age: int = 200

    @property
    def window(self) -> tuple[date, date] | None:
        """First and last day proposed, without slack; None without an interval."""
        if self.months is None or self.counted_from is None:
            return None
        return add_months(self.counted_from, self.months[0]), add_months(self.counted_from, self.months[1])

    @property
    def stops(self) -> bool:
        """Whether the proposed day lies at or after the age at which surveillance stops."""
        if self.window is None or self.birth_date is None or self.course is not Course.SURVEILLANCE:
            return False
        return add_months(self.birth_date, 12 * self.stop_age) <= self.window[0]


def signing_problems(computed: Computed | None, *, step: str) -> list["StrOrPromise"]:
    """What refuses the signature whatever the reason: a removed lesion whose histology is not in."""
    if computed is not None and computed.course is Course.AWAIT_HISTOLOGY and step != "treatment":
        return [
            _("Histology of a removed lesion is missing. Enter it, or say that the lesion was not retrieved.")
        ]
    return []


def departures(
    computed: Computed | None, *, finding: str, step: str, on: date | None
) -> list["StrOrPromise"]:
    """Where the step to be signed differs from what was computed; each needs a reason. Empty when it follows."""
    if computed is None:
        return []
    found: list[StrOrPromise] = []
    if finding != computed.finding:
        found.append(_("The most serious finding is another one than computed from report and histology."))
    if computed.course in {Course.LESIONS_MISSING, Course.FIRST_COMPLETE, Course.AWAIT_HISTOLOGY}:
        return found
    if not _follows(computed, step):
        found.append(_("The next step is another one than the guideline proposes."))
    elif step == "surveillance" and computed.window is not None and on is not None:
        first, last = computed.window
        if not first - SLACK <= on <= last + SLACK:
            found.append(
                _("The day lies outside the proposed time, %(first)s to %(last)s.")
                % {"first": date_format(first), "last": date_format(last)}
            )
    return found


def _follows(computed: Computed, step: str) -> bool:
    if computed.stops and step in {"screening", "no_further"}:
        return True
    if computed.course is Course.SURVEILLANCE and computed.finding == "nothing" and step == "screening":
        return True  # after a clean examination the protocol's own interval counts (R9)
    return STEP_OF.get(computed.course) == step
