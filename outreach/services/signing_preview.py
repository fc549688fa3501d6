"""Both letters that a signature would lead to, exactly as they would be written, before anything is signed (job 5.6)."""

from collections.abc import Mapping
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from outreach.letters.render import Rendered, Sheet, letters_render
from outreach.models import Letter
from outreach.services.freezing import contact_days_on, letters_written
from outreach.services.planning import rounds_planned
from outreach.services.planning_days import referrals_planned
from outreach.services.preview import MARK
from results.models import Referral, Result
from results.services.referrals import next_step_sign
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User

KINDS_SHOWN = ("next_step", "next_step_doctor")


def next_step_preview(*, by: User, referral: Referral, values: Mapping[str, Any]) -> Rendered:
    """The letters to the person and the doctor about a next step, as one document marked as a preview.

    Signing, closing and planning are really done and then taken back whole, so the words are those of the letters.
    `values`: what the signature is given. RoundbookError, in words, where signing would be refused or no letter follows.
    """
    with transaction.atomic():
        sheets = _sheets(by, referral, values)
        transaction.set_rollback(True)
    return letters_render(sheets, title=_("Preview"))


def _sheets(by: User, referral: Referral, values: Mapping[str, Any]) -> list[Sheet]:
    next_step_sign(by=by, referral=referral, close=True, **values)
    rounds = Result.objects.filter(referral_link__referral=referral).values_list("round_id", flat=True)
    with acting(by) as frame:
        rounds_planned(by=by, frame=frame, round_ids=sorted(set(rounds)))
        referrals_planned(by=by, frame=frame, referral_ids=[referral.pk])
        signed = referral.next_steps.latest("pk")
        keys = [f"{kind}:{signed.pk}" for kind in KINDS_SHOWN]
        found = Letter.objects.filter(key__in=keys).exclude(state="cancelled").order_by("kind")
        written, _refused = letters_written(
            list(found.values_list("pk", flat=True)),
            today=frame.today,
            contact_days=contact_days_on(frame.today),
        )
    if not written:
        raise RoundbookError(
            "no_preview", _("No letter would go out by itself: it is held for a person, or stopped.")
        )
    return [Sheet(MARK, one["version"], one["context"], one["checksum"]) for one in written]
