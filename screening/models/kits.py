"""Kit models, lots and kits."""

from typing import ClassVar

import pghistory
import pgtrigger
from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from staff.models import Move, Subject


class KitModel(models.Model):
    """A dated version of a kit model's facts, from its leaflet."""

    name = models.CharField(_("name"), max_length=60)
    version = models.SmallIntegerField(_("version"), default=1)
    stool_mg = models.DecimalField(_("stool mass, mg"), max_digits=6, decimal_places=3)
    buffer_ml = models.DecimalField(_("buffer volume, mL"), max_digits=6, decimal_places=3)
    lod_ug_g = models.DecimalField(_("limit of detection, µg/g"), max_digits=8, decimal_places=3)
    loq_ug_g = models.DecimalField(_("limit of quantitation, µg/g"), max_digits=8, decimal_places=3)
    upper_ug_g = models.DecimalField(_("upper limit, µg/g"), max_digits=8, decimal_places=3)
    sample_age_limit_days = models.SmallIntegerField(_("oldest sample, days"), default=14)
    valid_from = models.DateField(_("from"))

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["name", "version"], name="one_row_per_kit_model_version"),
            models.CheckConstraint(
                condition=Q(stool_mg__gt=0, buffer_ml__gt=0), name="kit_mass_and_volume_positive"
            ),
            models.CheckConstraint(
                condition=Q(lod_ug_g__lte=models.F("loq_ug_g"), loq_ug_g__lt=models.F("upper_ug_g")),
                name="kit_limits_in_order",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} v{self.version}"


@pghistory.track(
    pghistory.UpdateEvent(level=pgtrigger.Statement),
    context_field=pghistory.ContextJSONField(),
    model_name="LotHistory",
)
class Lot(models.Model):
    """A lot of kits as it came from the maker."""

    code = models.CharField(_("lot"), max_length=30)
    kit_model = models.ForeignKey(KitModel, on_delete=models.PROTECT, related_name="lots")
    expires_on = models.DateField(_("expires on"))
    quarantined = models.BooleanField(_("quarantined"), default=False)
    received_on = models.DateField(_("received on"))

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["kit_model", "code"], name="one_row_per_lot")
        ]

    def __str__(self) -> str:
        return self.code


@pghistory.track(
    pghistory.UpdateEvent(
        level=pgtrigger.Row,
        row=pghistory.Old,
        condition=pgtrigger.Condition(
            "((OLD.void_on, OLD.void_reason) IS DISTINCT FROM (NEW.void_on, NEW.void_reason)"
            " OR (OLD.round_id IS NOT NULL AND OLD.round_id IS DISTINCT FROM NEW.round_id))"
        ),
    ),
    fields=["void_on", "void_reason", "round"],
    context_field=pghistory.ContextJSONField(),
    model_name="KitHistory",
)
class Kit(Subject):
    """One kit with its serial, from stock to the bench.

    The move that assigns it carries its round. Its history keeps what was replaced: a first round replaces nothing.
    """

    serial = models.CharField(_("serial"), max_length=20)
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="kits")
    round = models.ForeignKey(
        "screening.Round", on_delete=models.PROTECT, null=True, related_name="kits", db_index=False
    )
    ordinal = models.SmallIntegerField(_("nth kit of the round"), null=True)
    dispatched_on = models.DateField(_("handed to the post on"), null=True)
    void_on = models.DateField(_("void since"), null=True)
    void_reason = models.CharField(max_length=40, blank=True, default="")

    CARRIED: ClassVar[tuple[str, ...]] = ("round_id", "ordinal")

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["lot", "id"], condition=Q(state="in_stock"), name="kit_in_stock"),
            models.Index(fields=["dispatched_on"], condition=Q(ordinal__gt=1), name="kit_replacement_by_day"),
        ]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["serial"], name="a_serial_is_one_kit"),
            models.UniqueConstraint(
                fields=["round"],
                condition=Q(void_on__isnull=True, state__in=["assigned", "dispatched"]),
                name="one_live_kit_a_round",
            ),
            models.CheckConstraint(
                condition=Q(state__in=["", "in_stock"]) | Q(round__isnull=False),
                name="kit_out_of_stock_has_a_round",
            ),
            models.CheckConstraint(
                condition=~Q(state="dispatched") | Q(dispatched_on__isnull=False),
                name="dispatched_kit_has_its_day",
            ),
            models.UniqueConstraint(fields=["round", "ordinal"], name="kits_of_a_round_are_counted"),
        ]

    def __str__(self) -> str:
        return self.serial


class KitMove(Move):
    """The ledger of kits."""

    subject = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="moves", db_index=False)
    # The kit's own key holds the round; here it only stands for what was assigned.
    round = models.ForeignKey(
        "screening.Round",
        on_delete=models.PROTECT,
        null=True,
        related_name="+",
        db_index=False,
        db_constraint=False,
    )
    ordinal = models.SmallIntegerField(null=True)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["subject", "seq"], name="kit_moves_in_order")
        ]

    def __str__(self) -> str:
        return f"{self.event} → {self.to_state}"


class Batch(models.Model):
    """An invitation batch: a fixed membership, opened once, handed to the post once."""

    number = models.CharField(_("number"), max_length=20, unique=True)
    opened_on = models.DateField(_("opened on"))
    opened_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    opened_at = models.DateTimeField()
    protocol = models.ForeignKey("screening.Protocol", on_delete=models.PROTECT)
    size = models.IntegerField(_("people"), default=0)
    asked_for = models.IntegerField(_("asked for"), default=0)
    released_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    released_at = models.DateTimeField(null=True)
    release_note = models.CharField(max_length=200, blank=True, default="")
    dispatched_on = models.DateField(_("handed to the post on"), null=True)
    dispatched_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    posted_from = models.ForeignKey(
        "staff.Site", on_delete=models.PROTECT, null=True, related_name="+", verbose_name=_("posted from")
    )

    class Meta:
        ordering: ClassVar = ["-opened_at"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(dispatched_on__isnull=True) | Q(dispatched_on__gte=models.F("opened_on")),
                name="batch_leaves_after_it_opens",
            ),
            models.CheckConstraint(
                condition=Q(released_by__isnull=True) | ~Q(released_by=models.F("opened_by")),
                name="a_batch_is_released_by_a_second_person",
            ),
        ]

    def __str__(self) -> str:
        return self.number
