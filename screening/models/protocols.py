"""The dated protocol header and the screening part's own section of it."""

from typing import ClassVar

import pghistory
import pgtrigger
from django.conf import settings
from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import DateRangeField, RangeOperators
from django.db import models
from django.db.models import F, Func, Q
from django.utils.translation import gettext_lazy as _


class ProtocolDays(Func):
    """SQL: the days of a protocol; the last one no longer belongs to it."""

    function = "daterange"
    output_field = DateRangeField()


@pghistory.track(
    pghistory.InsertEvent(level=pgtrigger.Statement),
    pghistory.UpdateEvent(level=pgtrigger.Statement),
    exclude=["effect", "carries_screening"],
    context_field=pghistory.ContextJSONField(),
    model_name="ProtocolHistory",
)
class Protocol(models.Model):
    """The programme's policy between two dates; each part hangs its own section on it.

    One that carries a screening section rules the days of the programme, so two of those never overlap; a part may change its own
    section alone by a protocol without one.
    """

    name = models.CharField(_("name"), max_length=80)
    valid_from = models.DateField(_("in force from"))
    valid_to = models.DateField(_("until"), null=True, blank=True)
    proposed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    approved_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    approved_at = models.DateTimeField(null=True)
    reason = models.TextField(_("why"), blank=True, default="")
    proposed_at = models.DateTimeField(null=True)
    withdrawn_at = models.DateTimeField(null=True)
    taken_up_at = models.DateTimeField(null=True)
    carries_screening = models.BooleanField(default=False, editable=False)
    effect = models.JSONField(_("effect when it was looked at"), default=dict, blank=True)

    class Meta:
        ordering: ClassVar = ["-valid_from"]
        constraints: ClassVar = [
            ExclusionConstraint(
                name="no_two_protocols_are_in_force",
                expressions=[(ProtocolDays("valid_from", "valid_to"), RangeOperators.OVERLAPS)],
                condition=Q(approved_by__isnull=False, carries_screening=True),
            ),
            models.CheckConstraint(
                condition=Q(approved_by__isnull=True) | Q(withdrawn_at__isnull=True),
                name="a_withdrawn_protocol_is_not_in_force",
            ),
            models.CheckConstraint(
                condition=Q(approved_by__isnull=True) | ~Q(approved_by=F("proposed_by")),
                name="protocol_approved_by_a_second_person",
            ),
            models.CheckConstraint(
                condition=Q(valid_to__isnull=True) | Q(valid_to__gt=F("valid_from")),
                name="protocol_ends_after_it_starts",
            ),
        ]

    def __str__(self) -> str:
        return self.name


@pghistory.track(
    pghistory.InsertEvent(level=pgtrigger.Statement),
    pghistory.UpdateEvent(level=pgtrigger.Statement),
    context_field=pghistory.ContextJSONField(),
    model_name="ScreeningPolicyHistory",
)
class ScreeningPolicy(models.Model):
    """Whom to invite, how often, and how long to wait."""

    protocol = models.OneToOneField(Protocol, on_delete=models.PROTECT, related_name="screening")
    age_from = models.SmallIntegerField(_("youngest age"), default=50)
    age_to = models.SmallIntegerField(_("oldest age"), default=74)
    interval_months = models.SmallIntegerField(_("months between rounds"), default=24)
    grace_days = models.SmallIntegerField(_("days of grace above the oldest age"), default=90)
    closing_days = models.SmallIntegerField(_("days until a round closes"), default=90)
    closing_days_after_replacement = models.SmallIntegerField(_("days after a replacement"), default=60)
    max_replacements = models.SmallIntegerField(_("replacements a round"), default=2)
    kit_minimum_life_days = models.SmallIntegerField(_("days a kit must still last"), default=120)
    hold_working_days = models.SmallIntegerField(_("working days to solve a set-aside"), default=2)
    one_desk = models.BooleanField(_("one desk, without trays"), default=False)
    missing_date = models.CharField(
        _("undated samples"),
        max_length=12,
        default="worst_case",
        choices=[
            ("worst_case", _("judge them from the day the kit left us")),
            ("phone", _("ask the person")),
            ("reject", _("send a new kit")),
        ],
    )
    report_high_from_unfit = models.BooleanField(
        _("samples past their age or expiry are measured, and only a result at or above counts"),
        default=False,
    )
    second_person_releases = models.BooleanField(_("a second person releases each batch"), default=True)
    pairs_proven = models.BooleanField(
        _("letter and kit are proven to belong together before a batch is posted"), default=True
    )
    pack_check_every = models.SmallIntegerField(
        _("every so many packs one is opened and compared"), default=200
    )
    scans_waiting = models.SmallIntegerField(_("scans that may wait for the network"), default=25)
    feed_change_percent = models.DecimalField(
        _("largest change by a feed, %"), max_digits=5, decimal_places=2, default=0.5
    )
    feed_empty_percent = models.DecimalField(
        _("largest emptying of a field, %"), max_digits=5, decimal_places=2, default=5
    )
    ramp_days = models.SmallIntegerField(
        _("days over which people of a widened age band join"),
        default=0,
        help_text=_("0: nobody joins by a ramp."),
    )
    ramp_age_from = models.SmallIntegerField(null=True, editable=False)
    ramp_age_to = models.SmallIntegerField(null=True, editable=False)
    feed_alarm_days = models.SmallIntegerField(_("days without a register file before an alarm"), default=3)
    feed_oldest_days = models.SmallIntegerField(
        _("days without a register file before batches stop"), default=7
    )

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(feed_alarm_days__gte=1, feed_oldest_days__gte=F("feed_alarm_days")),
                name="the_feed_alarm_comes_before_the_stop",
            ),
            models.CheckConstraint(
                condition=Q(pack_check_every__range=(10, 1000)), name="pack_checks_are_plausible"
            ),
            models.CheckConstraint(condition=Q(ramp_days__range=(0, 1830)), name="ramp_is_plausible"),
            models.CheckConstraint(
                condition=Q(age_from__gte=18, age_to__gt=F("age_from"), age_to__lte=100),
                name="age_band_is_plausible",
            ),
            models.CheckConstraint(
                condition=Q(interval_months__range=(6, 120)), name="interval_is_plausible"
            ),
            models.CheckConstraint(
                condition=Q(closing_days__range=(84, 180)), name="closing_day_is_plausible"
            ),
            models.CheckConstraint(
                condition=Q(scans_waiting__range=(1, 50)), name="few_scans_wait_for_the_network"
            ),
            models.CheckConstraint(
                condition=Q(missing_date__in=["worst_case", "phone", "reject"]),
                name="missing_date_rule_is_known",
            ),
            models.CheckConstraint(
                condition=Q(kit_minimum_life_days__gte=F("closing_days")), name="kit_outlives_its_round"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.age_from}–{self.age_to}, every {self.interval_months} months"
