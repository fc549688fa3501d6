"""The letter that a release would lead to, exactly as it would be written, before anything is released (job 5.4)."""

from django.db import transaction
from django.utils.translation import gettext as _

from outreach.letters.render import Rendered, Sheet, letters_render
from outreach.models import Letter
from outreach.services.freezing import contact_days_on, letters_written
from outreach.services.planning import rounds_planned
from results.classify import Side
from results.models import Sample
from results.services.authorise import (
    below_released,
    candidate_for,
    result_release_at_or_above,
    result_release_below,
)
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User

MARK = "PREVIEW"
KINDS_SHOWN = ("result_more_tests", "result_below")


def letter_preview(*, by: User, sample: Sample) -> Rendered:
    """The person's letter about a sample on the release list, as a document marked as a preview.

    The release and the planning are really done and then taken back whole, so the words are those of the letter itself.
    RoundbookError, in words, where the release would be refused, or its letter is held or not written.
    """
    with transaction.atomic():
        sheet = _sheet(by, sample)
        transaction.set_rollback(True)
    return letters_render([sheet], title=_("Preview"))


def _sheet(by: User, sample: Sample) -> Sheet:
    candidate = candidate_for(sample)
    if candidate.side is Side.AT_OR_ABOVE:
        result_release_at_or_above(by=by, sample=sample)
    elif candidate.clear_below:
        below_released(by=by, sample_ids=[sample.pk])
    elif candidate.side is Side.BELOW:
        result_release_below(by=by, sample=sample, reason=MARK)
    else:
        raise RoundbookError("no_preview", _("A person decides here first; the letter follows from that."))
    with acting(by) as frame:
        rounds_planned(by=by, frame=frame, round_ids=[sample.round_id])
        owed = Letter.objects.filter(result__sample=sample, kind__in=KINDS_SHOWN, state="owed")
        written, _refused = letters_written(
            list(owed.values_list("pk", flat=True)),
            today=frame.today,
            contact_days=contact_days_on(frame.today),
        )
    if not written:
        raise RoundbookError(
            "no_preview", _("No letter would go out by itself: it is held for a person, or stopped.")
        )
    one = written[0]
    return Sheet(MARK, one["version"], one["context"], one["checksum"])
