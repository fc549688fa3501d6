"""Founds a programme in an empty installation: sites, areas, practices, and the first protocol with its cutoffs.

Everything later goes by pages and proposals; a proposal starts from the protocol in force, so the first one comes from here.
"""

from collections.abc import Iterator, Mapping
from datetime import date
from decimal import Decimal
from typing import Any, TypeVar

from django.core.exceptions import ValidationError
from django.db import models
from django.db.backends.postgresql.psycopg_any import DateRange, NumericRange
from django.utils.translation import gettext as _

from outreach.models import OutreachPolicy
from results.models import CutoffRule, ResultsPolicy
from screening.models import Area, Practice, Protocol, ScreeningPolicy
from screening.protocol_rules import protocol_problems
from staff.access import require_role
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import Site, User
from staff.roles import Role

SEXES = {"any": (1, 3), "female": (1, 2), "male": (2, 3)}
OLDEST = 130
TO_START_WITH = {"begins_in_the_past", "gap"}
"""What stands against a change, and cannot stand against the first protocol of all."""


def programme_found(*, proposed_by: User, approved_by: User, plan: Mapping[str, Any]) -> Protocol:
    """Lay down what the plan names, all of it or nothing.

    `plan`: tables `protocol` (name, valid_from), `screening`, `results`, `letters` (fields of the three policies) and lists
    `cutoff` (ug_g, sex, age_from, age_to), `site`, `area`, `practice`. RoundbookError names the first thing that cannot be.
    """
    require_role(proposed_by, Role.ADMINISTRATOR, Role.MANAGER)
    require_role(approved_by, Role.CLINICIAN)
    if proposed_by == approved_by:
        raise RoundbookError(
            "same_person", _("Somebody else must approve the protocol than who proposes it.")
        )
    if Protocol.objects.exists():
        raise RoundbookError(
            "founded", _("There is a protocol already. Propose a change on the page “Change the programme”.")
        )
    known = {"protocol", "screening", "results", "letters", "cutoff", "site", "area", "practice"}
    if unknown := sorted(set(plan) - known):
        raise _wrong(_("there is no part %(part)r") % {"part": unknown[0]})
    with acting(proposed_by, reason="programme founded") as frame:
        for model, part in ((Site, "site"), (Area, "area"), (Practice, "practice")):
            for row in plan.get(part, ()):
                _made(model, part, row).save()
        head = dict(plan.get("protocol", {}))
        protocol = _made(
            Protocol, "protocol", head, proposed_by=proposed_by, approved_by=approved_by, proposed_at=frame.now,
            approved_at=frame.now, taken_up_at=frame.now, carries_screening=True, reason="founded",
        )  # fmt: skip
        if not isinstance(protocol.valid_from, date) or protocol.valid_from > frame.today:
            raise _wrong(_("protocol.valid_from must be a day that has come, such as today"))
        protocol.save()
        _policies(protocol, plan, frame.today)
        for rule in _cutoffs(protocol, plan, approved_by):
            rule.save()
    return protocol


def _policies(protocol: Protocol, plan: Mapping[str, Any], today: date) -> None:
    screening = _made(ScreeningPolicy, "screening", plan.get("screening", {}), protocol=protocol)
    values = {field.name: getattr(screening, field.name) for field in ScreeningPolicy._meta.concrete_fields}
    against = protocol_problems(values, valid_from=protocol.valid_from, today=today, others=())
    for problem in against:
        if problem.code not in TO_START_WITH:
            raise _wrong(f"screening.{problem.field}: {problem.sentence}")
    screening.save()
    _made(ResultsPolicy, "results", plan.get("results", {}), protocol=protocol).save()
    _made(OutreachPolicy, "letters", plan.get("letters", {}), protocol=protocol).save()


def _cutoffs(protocol: Protocol, plan: Mapping[str, Any], approved_by: User) -> Iterator[CutoffRule]:
    rows = plan.get("cutoff", ())
    if not rows:
        raise _wrong(_("at least one [[cutoff]] is needed, with ug_g in µg of haemoglobin per g of stool"))
    for row in rows:
        sex = str(row.get("sex", "any"))
        if sex not in SEXES or not set(row) <= {"ug_g", "sex", "age_from", "age_to"} or "ug_g" not in row:
            raise _wrong(_("a cutoff has ug_g, and if need be sex (any, female, male), age_from and age_to"))
        ages = NumericRange(int(row.get("age_from", 0)), int(row.get("age_to", OLDEST)))
        yield CutoffRule(
            protocol=protocol, sex_key=NumericRange(*SEXES[sex]), ages=ages, valid=DateRange(protocol.valid_from, None),
            cutoff_ug_g=Decimal(str(row["ug_g"])), proposed_by=protocol.proposed_by, approved_by=approved_by,
        )  # fmt: skip


M = TypeVar("M", bound=models.Model)


def _made(model: type[M], part: str, given: Mapping[str, Any], **ours: Any) -> M:
    """One row with every value looked at by its field; RoundbookError names the field that cannot be."""
    fields = {field.name: field for field in model._meta.concrete_fields}
    names = {name for name, field in fields.items() if field.editable} - {"id", *ours}
    if unknown := sorted(set(given) - names):
        raise _wrong(_("%(part)s has no field %(field)r") % {"part": part, "field": unknown[0]})
    row = model(**dict(given), **ours)
    try:
        left = {
            n
            for n, field in fields.items()
            if n not in given and (n not in names or field.null or field.has_default())
        }
        row.clean_fields(exclude=left)
        row.validate_unique()
    except ValidationError as error:
        field, words = next(iter(error.message_dict.items()))
        raise _wrong(f"{part}.{field}: {' '.join(words)}") from error
    return row


def _wrong(words: str) -> RoundbookError:
    return RoundbookError(
        "plan_wrong", _("The plan cannot be taken: %(words)s. Nothing was laid down.") % {"words": words}
    )
