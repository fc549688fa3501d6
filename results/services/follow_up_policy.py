"""Changing how follow-up is done: a dated proposal by one person, in force once another has confirmed it (job 5.9)."""

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db.models import QuerySet
from django.utils.formats import date_format
from django.utils.translation import gettext_lazy as _

from results.models import ResultsPolicy
from results.services.referrals_frame import results_policy_on
from screening.models import Protocol, ScreeningPolicy
from screening.services.policies import policy_on
from screening.services.protocols import protocol_begins, section_copied
from staff.access import require_role
from staff.acting import acting
from staff.errors import IllegalMove, RoundbookError
from staff.models import User
from staff.roles import Role

MAY_CHANGE = (Role.ADMINISTRATOR, Role.CLINICIAN)
CHANGEABLE = (
    "guideline", "villous_counts", "surveillance_stop_age", "surveillance_days_before", "contact_days", "examination_days",
    "alarm_days", "fail_days", "report_days", "histology_working_days", "who_books",
)  # fmt: skip
"""What this page changes; everything else of the results part is carried over as it stands."""
OWN = {"id", "protocol", "based_on", "why", "withdrawn_by"}


def policy_basis(day: date) -> ResultsPolicy:
    """The policy in force on a day, which a proposal for that day starts from."""
    return results_policy_on(day)


def policy_values(policy: ResultsPolicy) -> dict[str, Any]:
    """What this page may change, as it stands in a policy."""
    return {name: getattr(policy, name) for name in CHANGEABLE}


def policies_proposed() -> QuerySet[ResultsPolicy]:
    """Proposals that nobody has confirmed or withdrawn, earliest first."""
    found = ResultsPolicy.objects.filter(
        protocol__approved_by__isnull=True, protocol__withdrawn_at__isnull=True, withdrawn_by__isnull=True
    )
    return found.select_related("protocol__proposed_by", "based_on__protocol").order_by(
        "protocol__valid_from", "pk"
    )


def policies_approved() -> QuerySet[ResultsPolicy]:
    """Every policy that was, is or will be in force, latest first."""
    found = ResultsPolicy.objects.filter(protocol__approved_by__isnull=False)
    return found.select_related("protocol__proposed_by", "protocol__approved_by", "based_on").order_by(
        "-protocol__valid_from", "-pk"
    )


def policy_propose(*, by: User, valid_from: date, values: Mapping[str, Any], why: str) -> ResultsPolicy:
    """Propose a follow-up policy from a later day on; it counts for nothing until another person has confirmed it."""
    require_role(by, *MAY_CHANGE)
    with acting(by, reason="follow-up policy proposed") as frame:
        if valid_from <= frame.today:
            raise RoundbookError(
                "day_not_ahead",
                _("It can begin tomorrow at the earliest: what was decided up to today keeps its policy."),
            )
        if not why.strip():
            raise RoundbookError("note_missing", _("Write why it is to change."))
        _day_is_free(valid_from)
        base = policy_basis(valid_from)
        if all(getattr(base, name) == values.get(name) for name in CHANGEABLE):
            raise RoundbookError(
                "nothing_changed", _("Nothing differs from what will be in force on that day.")
            )
        protocol = Protocol.objects.create(
            name=str(_("Follow-up from %(day)s") % {"day": date_format(valid_from, "j M Y")}), valid_from=valid_from,
            proposed_by=by, reason=why.strip(), proposed_at=frame.now,
        )  # fmt: skip
        section_copied(ScreeningPolicy.objects.get(pk=policy_on(valid_from).pk), protocol)
        carried = {
            field.name: getattr(base, field.name)
            for field in ResultsPolicy._meta.concrete_fields
            if field.name not in OWN
        }
        made = ResultsPolicy(
            **carried | {name: values[name] for name in CHANGEABLE}, protocol=protocol, based_on=base, why=why.strip()
        )  # fmt: skip
        try:
            made.full_clean(exclude=["protocol", "based_on", "withdrawn_by"])
        except ValidationError as error:
            raise RoundbookError(
                "not_plausible",
                _(
                    "These numbers do not go together: the examination is promised before the alarm, the alarm comes before"
                    " “failed”, and the stop age lies between 60 and 110. Change them."
                ),
                details=error.messages,
            ) from error
        made.save(force_insert=True)
    return made


def policy_approve(*, by: User, policy: ResultsPolicy) -> None:
    """Put a proposal in force from its day on, as somebody other than who proposed it, before that day has come."""
    require_role(by, *MAY_CHANGE)
    with acting(by, reason="follow-up policy confirmed") as frame:
        locked = _open_proposal(policy)
        protocol = locked.protocol
        if protocol.proposed_by_id == by.pk:
            raise RoundbookError("second_person", _("You proposed this yourself; somebody else confirms it."))
        if protocol.valid_from <= frame.today:
            raise RoundbookError("day_not_ahead", _("Its day has come. Propose it again for a later day."))
        _day_is_free(protocol.valid_from)
        base = policy_basis(protocol.valid_from)
        if base.pk != locked.based_on_id:
            raise RoundbookError(
                "based_on_another",
                _(
                    "Another change was confirmed meanwhile. Propose this again, so that nothing of it is lost."
                ),
            )
        protocol_begins(frame, protocol, base.protocol)


def policy_withdraw(*, by: User, policy: ResultsPolicy) -> None:
    """Take a proposal back before it is confirmed; it stays in the history."""
    require_role(by, *MAY_CHANGE)
    with acting(by, reason="follow-up policy withdrawn") as frame:
        locked = _open_proposal(policy)
        locked.withdrawn_by = by
        locked.save(update_fields=["withdrawn_by"])
        Protocol.objects.filter(pk=locked.protocol_id).update(withdrawn_at=frame.now)


def _day_is_free(day: date) -> None:
    """Refuse a day on or before which another protocol begins later, or on which ages are still being widened."""
    later = (
        Protocol.objects.filter(approved_by__isnull=False, valid_from__gte=day).order_by("valid_from").first()
    )
    if later is not None:
        raise RoundbookError(
            "later_stands",
            _("“%(name)s” begins on %(day)s and would undo this. Propose the change for a day after that.")
            % {"name": later.name, "day": date_format(later.valid_from, "j M Y")},
        )
    screening = policy_on(day)
    widened = screening.protocol.valid_from + timedelta(days=screening.ramp_days or 0)
    if day < widened:
        raise RoundbookError(
            "ages_widen",
            _("The ages are being widened step by step until %(day)s. Let this begin on that day or later.")
            % {"day": date_format(widened, "j M Y")},
        )


def _open_proposal(policy: ResultsPolicy) -> ResultsPolicy:
    locked = (
        ResultsPolicy.objects.select_related("protocol").select_for_update(of=("self",)).get(pk=policy.pk)
    )
    if locked.protocol.approved_by_id or locked.withdrawn_by_id or locked.protocol.withdrawn_at:
        raise IllegalMove("settled_before", _("This proposal was confirmed or taken back already."))
    return locked
