"""What an entry of a check or list is, in words."""

from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy as _

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

THINGS: "dict[str, StrOrPromise]" = {
    "result": _("result"),
    "referral": _("referral"),
    "return": _("return"),
    "inbox line": _("line of a readings file"),
    "person": _("person"),
    "round": _("round"),
    "kit": _("kit"),
    "sample": _("sample"),
    "letter": _("letter"),
    "notice": _("notice to a practice"),
    "booking": _("booking"),
    "exclusion": _("exclusion"),
    "stop": _("opt-out"),
    "re-offer": _("offer"),
    "user": _("colleague"),
    "run": _("run"),
    "session": _("session at the desk"),
    "delivery": _("delivery"),
    "batch": _("invitation batch"),
    "day": _("day of invitations, area"),
    "cutoff": _("cutoff"),
    "protocol": _("protocol"),
    "lab lot": _("lot of the laboratory"),
    "control lot": _("control lot"),
    "check lot": _("lot of a check"),
    "ledger": _("ledger"),
    "lot": _("lot of kits"),
    "seal": _("seal"),
    "drill": _("restore drill"),
    "look": _("look with a reason"),
    "account": _("account"),
}
