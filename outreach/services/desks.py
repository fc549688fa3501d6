"""Which desk opens the post of an area: set by the administrator, kept with its history (R12)."""

from collections.abc import Mapping

from django.utils.translation import gettext_lazy as _

from outreach.models import AreaDesk
from screening.models import Area
from staff.access import require_role
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import Site, User
from staff.roles import Role


def desks_of_areas() -> dict[str, str]:
    """Code of an area → code of the desk that opens its post; an area without one is not there."""
    return dict(AreaDesk.objects.order_by("area__code").values_list("area__code", "site__code"))


def area_desks_set(*, by: User, wanted: Mapping[str, str]) -> int:
    """Set these areas' desks, or none of them; an empty desk means that any desk may have the area's kits.

    Returns how many changed. From then on unopened post at a desk delays the reminders and closings of its own areas;
    what is not opened anywhere delays areas without a desk.
    """
    if by != User.objects.system():  # the command, which whoever runs the server may use
        require_role(by, Role.ADMINISTRATOR)
    with acting(by, reason="desks of areas"):
        areas = {area.code: area for area in Area.objects.filter(code__in=wanted).select_for_update()}
        desks = {
            site.code: site for site in Site.objects.filter(code__in=wanted.values(), receives_kits=True)
        }
        for code, desk in wanted.items():
            if code not in areas or (desk and desk not in desks):
                raise RoundbookError(
                    "desk_unknown",
                    _(
                        "%(area)s=%(desk)s: no such area, or no desk of that code that receives kits. Nothing was changed."
                    )
                    % {"area": code, "desk": desk},
                )
        now = desks_of_areas()
        changed = {code: desk for code, desk in wanted.items() if now.get(code, "") != desk}
        AreaDesk.objects.filter(area__code__in=[code for code, desk in changed.items() if not desk]).delete()
        AreaDesk.objects.bulk_create(
            [AreaDesk(area=areas[code], site=desks[desk]) for code, desk in changed.items() if desk],
            update_conflicts=True, unique_fields=["area"], update_fields=["site"],
        )  # fmt: skip
    return len(changed)
