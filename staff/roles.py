"""The roles people work in; pure data."""

from django.db.models import TextChoices
from django.utils.translation import gettext_lazy as _


class Role(TextChoices):
    """What a posting lets a person do; a user may hold several, each at one site or at all."""

    FRONT_DESK = "front_desk", _("Front desk")
    PHONE_DESK = "phone_desk", _("Phone desk")
    LABORATORY = "laboratory", _("Laboratory")
    COORDINATOR = "coordinator", _("Coordinator")
    CLINICIAN = "clinician", _("Clinician")
    MANAGER = "manager", _("Programme manager")
    ADMINISTRATOR = "administrator", _("Administrator")
    AUDITOR = "auditor", _("Auditor")
    PROGRAMME_CLIENT = "programme_client", _("Programme client")


PEOPLE = frozenset(role for role in Role if role is not Role.PROGRAMME_CLIENT)
EVERYONE = frozenset(Role)


class Pool(TextChoices):
    """A shared pair of hands that owns what no single user owns yet."""

    FRONT_DESK = "front_desk", _("Front desk")
    PHONE_DESK = "phone_desk", _("Phone desk")
    LABORATORY = "laboratory", _("Laboratory")
    COORDINATORS = "coordinators", _("Coordinators")
    CLINICIANS = "clinicians", _("Clinicians")
    OFFICE = "office", _("Call and recall office")
