"""People of the register, their outside numbers, areas, practices and stops."""

from typing import Any, ClassVar

import pghistory
import pgtrigger
from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _


class Sex(models.TextChoices):
    """As the register sends it."""

    FEMALE = "female", _("female")
    MALE = "male", _("male")
    OTHER = "other", _("other")
    UNKNOWN = "unknown", _("unknown")


class Area(models.Model):
    """An area of the programme; worklists and indicators are cut by it."""

    code = models.CharField(_("code"), max_length=12, unique=True)
    name = models.CharField(_("name"), max_length=80)

    class Meta:
        ordering: ClassVar = ["name"]

    def __str__(self) -> str:
        return self.name


class Practice(models.Model):
    """A primary-care practice that gets the doctor's copies."""

    code = models.CharField(_("code"), max_length=12, unique=True)
    name = models.CharField(_("name"), max_length=80)
    address = models.TextField(_("address"), blank=True)

    class Meta:
        ordering: ClassVar = ["name"]

    def __str__(self) -> str:
        return self.name


class PostcodeFifth(models.Model):
    """Deprivation fifth of a postcode: 1 is the least deprived, 5 the most."""

    postcode = models.CharField(max_length=12, unique=True)
    fifth = models.SmallIntegerField()

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(condition=Q(fifth__range=(1, 5)), name="deprivation_fifth_is_1_to_5")
        ]

    def __str__(self) -> str:
        return f"{self.postcode}: {self.fifth}"


TRACKED = [
    "family_name", "given_names", "birth_date", "sex", "address_1", "address_2", "locality", "postcode", "phone",
    "email", "language", "area", "practice", "deceased_on", "left_area_on", "hidden_address", "merged_into",
]  # fmt: skip


def _as_it_was(to: type[models.Model] | str) -> models.ForeignKey[Any, Any]:
    """What a row of the history says of another table: nobody looks the row up by it, so it has no index to keep."""
    return models.ForeignKey(
        to, on_delete=models.DO_NOTHING, null=True, related_name="+", related_query_name="+", db_constraint=False, db_index=False
    )  # fmt: skip


@pghistory.track(
    pghistory.UpdateEvent(level=pgtrigger.Statement, row=pghistory.Old),
    fields=TRACKED,
    context_field=pghistory.ContextJSONField(),
    model_name="PersonHistory",
    attrs={
        "area": _as_it_was(Area),
        "practice": _as_it_was(Practice),
        "merged_into": _as_it_was("screening.Person"),
    },
)
class Person(models.Model):
    """One person of the register, for ever; outside numbers are rows of their own."""

    family_name = models.CharField(_("family name"), max_length=120)
    given_names = models.CharField(_("given names"), max_length=120)
    name_key = models.CharField(max_length=240, editable=False, default="")
    birth_date = models.DateField(_("birth date"), null=True)
    sex = models.CharField(_("sex"), max_length=8, choices=Sex.choices, default=Sex.UNKNOWN)
    address_1 = models.CharField(_("address"), max_length=120, blank=True, default="")
    address_2 = models.CharField(_("address, second line"), max_length=120, blank=True, default="")
    locality = models.CharField(_("town"), max_length=120, blank=True, default="")
    postcode = models.CharField(_("postcode"), max_length=12, blank=True, default="")
    phone = models.CharField(_("phone"), max_length=24, blank=True, default="")
    email = models.CharField(_("e-mail"), max_length=120, blank=True, default="")
    language = models.CharField(_("language"), max_length=12, blank=True, default="")
    area = models.ForeignKey(Area, on_delete=models.PROTECT, null=True, blank=True, db_index=False)
    practice = models.ForeignKey(Practice, on_delete=models.PROTECT, null=True, blank=True)
    deprivation_fifth = models.SmallIntegerField(null=True)
    deceased_on = models.DateField(_("died on"), null=True)
    left_area_on = models.DateField(_("left the area on"), null=True)
    hidden_address = models.BooleanField(_("hidden address"), default=False)
    merged_into = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, related_name="merged_from", db_index=False
    )
    next_due_on = models.DateField(null=True, editable=False)
    not_due_code = models.CharField(max_length=32, blank=True, default="", editable=False)
    last_feed = models.ForeignKey(
        "screening.RegisterLoad", on_delete=models.PROTECT, null=True, related_name="+", db_index=False
    )

    class Meta:
        verbose_name_plural = _("people")
        indexes: ClassVar = [
            models.Index(
                fields=["next_due_on", "id"], condition=Q(next_due_on__isnull=False), name="person_due_first"
            ),
            models.Index(fields=["name_key"], name="person_by_name"),
            models.Index(
                fields=["merged_into"], condition=Q(merged_into__isnull=False), name="person_merged_into"
            ),
            models.Index(fields=["birth_date"], name="person_by_birth_date"),
            models.Index(fields=["postcode", "address_1"], name="person_by_address"),
        ]
        constraints: ClassVar = [
            models.CheckConstraint(condition=Q(sex__in=Sex.values), name="person_sex_is_known_word"),
            models.CheckConstraint(
                condition=Q(deceased_on__isnull=True) | Q(next_due_on__isnull=True),
                name="the_dead_are_never_due",
            ),
            models.CheckConstraint(
                condition=Q(merged_into__isnull=True) | ~Q(merged_into=models.F("id")),
                name="person_not_merged_into_self",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.given_names} {self.family_name}"

    @property
    def address_lines(self) -> list[str]:
        """The lines of the address that are not empty."""
        return [line for line in (self.address_1, self.address_2, self.locality, self.postcode) if line]

    @property
    def birth_year(self) -> int | None:
        """The year to compare with the vial."""
        return self.birth_date.year if self.birth_date else None


class PersonIdentifier(models.Model):
    """An outside number of a person, valid from a day, until a day if it was replaced."""

    REGISTER = "register"
    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="identifiers")
    scheme = models.CharField(max_length=16, default=REGISTER)
    value = models.CharField(max_length=32)
    valid_from = models.DateField()
    valid_to = models.DateField(null=True)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["value", "scheme"],  # the number first, which tells nearly all apart
                condition=Q(valid_to__isnull=True),
                name="one_person_per_current_number",
            )
        ]

    def __str__(self) -> str:
        return self.value


class StopScope(models.TextChoices):
    """What an opt-out or objection stops (R1); each stops only its own thing."""

    INVITATIONS = "invitations", _("invitations and reminders")
    TEXT = "text", _("text messages")
    EMAIL = "email", _("e-mail")
    DOCTOR_COPY = "doctor_copy", _("copies to the doctor")
    RESEARCH = "research", _("use in research")
    LINKAGE = "linkage", _("linkage with other registers")


@pghistory.track(
    pghistory.InsertEvent(level=pgtrigger.Statement),
    pghistory.UpdateEvent(level=pgtrigger.Statement),
    context_field=pghistory.ContextJSONField(),
    model_name="StopHistory",
)
class Stop(models.Model):
    """An opt-out or objection of a person, with its scope, dated, ended when the person comes back."""

    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="stops")
    scope = models.CharField(_("what is stopped"), max_length=12, choices=StopScope.choices)
    since = models.DateField(_("since"))
    ended_on = models.DateField(_("ended on"), null=True)
    source = models.CharField(_("how we know"), max_length=120)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["person", "scope"], condition=Q(ended_on__isnull=True), name="one_open_stop_per_scope"
            ),
            models.CheckConstraint(condition=Q(scope__in=StopScope.values), name="stop_scope_is_known"),
        ]

    def __str__(self) -> str:
        return f"{self.scope} since {self.since}"


class ExclusionKind(models.TextChoices):
    """Why a person is left out for a time or for good, or asked to wait."""

    POSTPONED = "postponed", _("postponed at the person's wish")
    CANCER_CARE = "cancer_care", _("under treatment or follow-up for bowel cancer")
    COLECTOMY = "colectomy", _("whole large bowel removed")
    IBD_CARE = "ibd_care", _("inflammatory bowel disease under endoscopic follow-up")
    HEREDITARY = "hereditary", _("hereditary syndrome under specialist care")
    RECENT_COLONOSCOPY = "recent_colonoscopy", _("complete colonoscopy elsewhere not long ago")
    LIFE_LIMITING = "life_limiting", _("life-limiting illness, on a doctor's advice")
    SURVEILLANCE = "surveillance", _("in surveillance")
    TO_LOOK_AT = "to_look_at", _("to be looked at before anything is sent")


@pghistory.track(
    pghistory.InsertEvent(level=pgtrigger.Statement),
    pghistory.UpdateEvent(level=pgtrigger.Statement),
    context_field=pghistory.ContextJSONField(),
    model_name="ExclusionHistory",
)
class Exclusion(models.Model):
    """A dated exclusion or postponement; without an end it needs a clinician's confirmation."""

    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="exclusions")
    kind = models.CharField(_("reason"), max_length=20, choices=ExclusionKind.choices)
    since = models.DateField(_("since"))
    until = models.DateField(_("until"), null=True, blank=True)
    confirmed = models.BooleanField(_("confirmed by a clinician"), default=False)
    note = models.TextField(_("note"), blank=True, default="")
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", db_index=False
    )

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=~Q(kind="postponed") | Q(until__isnull=False), name="postponement_has_an_end"
            ),
            models.CheckConstraint(
                condition=Q(until__isnull=True) | Q(until__gt=models.F("since")),
                name="exclusion_ends_after_it_starts",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} since {self.since}"
